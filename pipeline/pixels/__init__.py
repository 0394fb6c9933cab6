"""Arrays only: robust statistics, background surfaces, resampling, clipping, noise measurement."""
