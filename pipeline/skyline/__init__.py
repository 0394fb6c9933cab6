"""Land in the picture: telling ground from sky, and how the camera stood against the ground."""
