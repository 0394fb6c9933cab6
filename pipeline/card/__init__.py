"""The card: what files there are, what each frame is, which frames make a scene, which darks go with it."""
