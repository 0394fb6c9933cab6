"""What a verdict stands on: the grades of a scene's frames put side by side."""
