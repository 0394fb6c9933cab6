"""How far values lie from their mean: what the noise model is checked by."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.variance import along_row, base_variance, cell_mean, light_variance


@njit(cache=True, nogil=True, error_model="numpy")
def residuals(  # type: ignore[no-untyped-def]
    values, codes, weights, floor, slope, factor, offsets, members, sky, light, signal, peak, origin, faint, bright,
    step, ratios, counts, scatters, cores, points
):  # fmt: skip
    """How far values lie from their mean, in a sample of pixels.

    Parameters
    ----------
    values, codes, floor, slope, factor, offsets, members, sky, light, origin : as in `variance`
    weights : (n,) float32 array
    signal, peak : of `star_signal`, of land too as for sky
    faint, bright : float
        Pixels of the sky have a `peak` below, star cores a `signal` above so many standard deviations of the sky; of
        land all pixels count as such of the sky.
    step : int
        Every so many pixels each way are taken from the sky; of star cores all.
    ratios : (n, m) float32 array, filled
        Squared residuals of green over what the model expects, of each frame, the first ``counts[k]`` of row k.
    counts : (n,) int64 array, filled
    scatters : (colours, m) float32 array, filled
        For each colour's star cores: the values' variance among the frames less the noise, over the signal's square.
    cores : (colours,) int64 array, filled
        How many of `scatters` were filled.
    points : (m, 4) float32 array, filled as far as what is returned says
        Of pixels of every colour, with whatever light: the colour, the mean level, the values' variance among the
        frames as of a mosaic pixel, and `peak`.
    """
    n, colours, height, width = values.shape
    counts[:], cores[:] = 0, 0
    told, of_land = 0, light.unlit.size > 0
    unlit, gains = np.zeros((colours, width), np.float32), np.zeros((colours, width), np.float32)
    for i in range(height):
        row = (origin[0] + i + GRID_STEP) // GRID_STEP
        for c in range(colours if of_land else 0):
            along_row(light.unlit[c], origin[0] + i, origin[1], unlit[c])
            along_row(light.gain[c], origin[0] + i, origin[1], gains[c])
        for j in range(width):
            column = (origin[1] + j + GRID_STEP) // GRID_STEP
            for c in range(colours):
                level = cell_mean(sky[c], row, column)
                base = base_variance(floor[0, c], slope[0], level, offsets[members[0], c], row, column)
                is_point = i % step == 0 and j % step == 0
                # of land, which stands still, what is bright tells as well
                is_sky = is_point and c == colours // 2 and (of_land or peak[c, i, j] < faint * np.sqrt(base))
                is_core = signal[c, i, j] > bright * np.sqrt(base) and signal[c, i, j] >= peak[c, i, j]
                if not (is_point or is_core):
                    continue
                total, weight, covered = 0.0, 0.0, 0
                for k in range(n):
                    if codes[k, i, j] != NOT_COVERED:
                        total += weights[k] * values[k, c, i, j]
                        weight += weights[k]
                        covered += 1
                if covered < 2:
                    continue
                mean, squares, noise, share = total / weight, 0.0, 0.0, 0.0
                lit = unlit[c, j] + gains[c, j] * np.float32(mean)
                for k in range(n):
                    code = codes[k, i, j]
                    if code == NOT_COVERED:
                        continue
                    if of_land:
                        own = light_variance(floor[k, c], slope[k], lit, offsets[members[k], c], row, column)
                    else:
                        own = base_variance(floor[k, c], slope[k], level, offsets[members[k], c], row, column)
                        own += slope[k] * signal[c, i, j]
                    variance = own * factor[c, code] * (1 - weights[k] / weight)
                    square = (values[k, c, i, j] - mean) ** 2
                    squares += square
                    noise += variance
                    share += factor[c, code] * (1 - weights[k] / weight)
                    if is_sky and counts[k] < ratios.shape[1]:
                        ratios[k, counts[k]] = square / variance
                        counts[k] += 1
                if is_point and told < len(points):
                    points[told, 0], points[told, 1] = c, mean
                    points[told, 2], points[told, 3] = squares / share, peak[c, i, j]
                    told += 1
                if is_core and covered > 2 and cores[c] < scatters.shape[1]:
                    scatters[c, cores[c]] = (squares - noise) / (covered - 1) / (signal[c, i, j] * signal[c, i, j])
                    cores[c] += 1
    return told
