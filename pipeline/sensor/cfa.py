"""Colour filters that are processed: the first 2 x 2 cell in reading order. The decoding process loads this too."""

CFA_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
