"""HTML, plots and previews."""
