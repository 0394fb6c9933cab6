"""From many mosaics to one picture, tile by tile: the parts of the step `combine`."""
