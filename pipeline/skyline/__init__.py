"""Land in the picture: telling ground from sky, how the camera stood against the ground, and joining the two."""
