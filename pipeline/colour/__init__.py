"""Colour: RGB spaces, transfer curves, the camera's colours, ICC profiles, encoding for files. Arrays only."""
