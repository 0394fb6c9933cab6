"""A scene's files opened, and the larger half of the steps that work on them."""
