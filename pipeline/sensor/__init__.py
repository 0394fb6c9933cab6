"""The mosaic as the camera made it: decoding, metadata, levels, CFA colours, darks, defects, demosaic."""
