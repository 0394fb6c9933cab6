"""Star detection, centroids and shapes on mosaics and pictures."""
