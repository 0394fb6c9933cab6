"""The plain script that the whole chain is measured against: what one writes in an afternoon with general libraries.

Decodes and demosaics with rawpy, finds stars with sep, places frames with astroalign, resamples with scikit-image
(order 3) and clips with astropy. Darks are subtracted after demosaicing, as such scripts do. All frames are held.

    python tests/benchmarks/plain.py OUT.npy FRAME.dng ...
"""

import sys
import time
import warnings

import astroalign
import numpy as np
import rawpy
import sep
from astropy.stats import sigma_clip
from skimage.transform import AffineTransform, warp

ROWS = 128  # rows that are clipped at a time; more costs memory, not time


def decode(path: str) -> np.ndarray:
    """Linear RGB float32 (h, w, 3)."""
    with rawpy.imread(path) as raw:
        picture = raw.postprocess(
            output_color=rawpy.ColorSpace.raw, gamma=(1, 1), no_auto_bright=True, output_bps=16, user_wb=[1, 1, 1, 1]
        )
    return picture.astype(np.float32)


def stars(picture: np.ndarray) -> np.ndarray:
    """Positions of the brightest stars, (n, 2)."""
    green = np.ascontiguousarray(picture[..., 1])
    background = sep.Background(green)
    found = sep.extract(green - background.back(), 8.0, err=background.globalrms)
    brightest = np.argsort(-found["flux"])[:200]
    return np.column_stack([found["x"], found["y"]])[brightest]


def main(out: str, *paths: str) -> None:
    begun = time.time()
    reference = decode(paths[0])
    anchors = stars(reference)
    stack = [reference]
    for path in paths[1:]:
        picture = decode(path)
        transform, _ = astroalign.find_transform(stars(picture), anchors)
        inverse = AffineTransform(matrix=transform.params).inverse
        stack.append(np.stack([warp(picture[..., c], inverse, order=3, preserve_range=True) for c in range(3)], -1))
    result = np.empty_like(reference)
    for top in range(0, len(reference), ROWS):
        block = np.stack([p[top : top + ROWS] for p in stack]).astype(np.float32)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            result[top : top + ROWS] = sigma_clip(block, sigma=3, axis=0, masked=True).mean(0).filled(0)
    np.save(out, result)
    print(f"{len(paths)} frames, {(time.time() - begun) / len(paths):.2f} s a frame")


if __name__ == "__main__":
    main(*sys.argv[1:])
