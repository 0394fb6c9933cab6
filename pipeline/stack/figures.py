"""The figures of `combine.json`: noise as measured and as expected, weights and rejections a frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.noise import BLOCK, BlockNoise, block_noise, noise_error, shared_share
from pipeline.sensor.alike import numbered
from pipeline.stack.nodes import grid_positions
from pipeline.stack.sources import Frame
from pipeline.stack.tiles import Scene, Tile

# Blocks below which a noise figure is not good to 3 %: 1/sqrt(2 n) is 1 % at 5,000.
BLOCKS_FOR_CLAIM = 5000
# Share of a block's values that may be rejected before it tells nothing of noise. Chance rejects 0.8 % (three colours,
# 3 sigma); a satellite in one frame of 16, seven pixels wide with its flanks, 2.7 %.
REJECTED_MOST = 0.05
# The NOISE plane is brought to what was measured where they differ by more than this much of a logarithm and so many
# standard deviations, told from so many blocks: the model is good to 2 % where stars are told from the sky.
SCALE_LEAST, SCALE_SIGMAS, SCALE_BLOCKS = 0.1, 4.0, 300
# Places (a side) at which the drift of the frames against the sensor is followed.
DRIFT_PLACES = 3
# Share of the picture under a sky that changes from frame to frame, from which on differences of frames may be more
# than noise; times the model's noise that they are then no measure of it.
CHANGING, DISTURBED = 0.01, 1.4
# Nodes of the position grid from the picture's edge within which all of that lies where a strip of land, too low to be
# told for ground, smears under the stars.
RIM_NODES = 2


class Gathered:
    """Sums over tiles, put together in the tiles' own places: no order of work can change them."""

    def __init__(
        self, shape: tuple[int, int], rows: int, pairs: int, frames: int, telling: NDArray[np.bool_] | None = None
    ) -> None:
        blocks = (-(-shape[0] // BLOCK), -(-shape[1] // BLOCK))
        self.sums = np.zeros((rows, *blocks))
        self.counts = np.zeros((rows, *blocks), np.int32)
        self.model = np.zeros((2 + pairs, *blocks))
        self.tally = np.zeros((frames, 2), np.int64)
        self._telling = telling  # which blocks may tell of noise; all by default

    def add(self, tile: Tile) -> None:
        """Take a tile's blocks in."""
        i, j = tile.window.top // BLOCK, tile.window.left // BLOCK
        rows, columns = tile.sums.shape[1:]
        window = (slice(None), slice(i, i + rows), slice(j, j + columns))
        # where far more is rejected than by chance, frames do not show the same: land that the sky moves past, cloud's
        # edges; the difference of the halves is no noise there
        quiet = _blocks(tile.rejected) <= REJECTED_MOST * _blocks(tile.coverage)
        if self._telling is not None:
            quiet = quiet & self._telling[window[1:]]
        self.sums[window], self.counts[window] = tile.sums * quiet, tile.counts * quiet
        self.model[window] = tile.model * quiet
        self.tally += tile.tally


def _blocks(pixels: NDArray[np.uint16]) -> NDArray[np.int64]:
    """Sums over the blocks of a tile, whose corner is a block's corner."""
    rows = np.add.reduceat(pixels.astype(np.int64), np.arange(0, pixels.shape[0], BLOCK), axis=0)
    return np.add.reduceat(rows, np.arange(0, pixels.shape[1], BLOCK), axis=1)


@dataclass(frozen=True)
class SharedDark:
    """Variance of a mosaic pixel that the master dark's noise leaves in the result's block means, ADU^2.

    `mean` all of it; `hidden` the part that the difference of the halves does not show.
    """

    mean: float
    hidden: float


def shared_dark(
    frames: Sequence[Frame],
    weights: NDArray[np.floating],
    factors: Sequence[float],
    dark_variance: float,
    shape: tuple[int, int],
) -> SharedDark:
    """Follow a master's noise through the frames' drift across the sensor; the mean over places of the picture.

    Parameters
    ----------
    factors : what the master is multiplied by in each frame
    dark_variance : variance of a pixel of the master, ADU^2
    """
    scale = np.array([frame.flux_scale * factor for frame, factor in zip(frames, factors, strict=True)])
    if dark_variance <= 0 or not scale.any():
        return SharedDark(0.0, 0.0)
    # the weights of the dark are those of the frames times the frames' own factors
    w = np.asarray(weights, np.float64)
    share = w * scale
    amount = float((np.abs(share).sum() / w.sum()) ** 2)
    halves = np.arange(len(frames)) % 2
    mean, hidden = [], []
    for v in (np.arange(DRIFT_PLACES) + 0.5) / DRIFT_PLACES * shape[0]:
        for u in (np.arange(DRIFT_PLACES) + 0.5) / DRIFT_PLACES * shape[1]:
            places = np.array(
                [grid_positions(f.grids[len(f.grids) // 2], np.array([u]), np.array([v])) for f in frames]
            )
            x, y = places[:, 0, 0], places[:, 1, 0]
            seen = np.isfinite(x) & np.isfinite(y)
            seen &= (x > -1) & (x < shape[1]) & (y > -1) & (y < shape[0])
            if not share[seen].any():
                continue
            mean.append(shared_share(x[seen], y[seen], share[seen]))
            if len(set(halves[seen])) == 2:
                hidden.append(shared_share(x[seen], y[seen], share[seen], halves[seen]))
    if not mean:
        return SharedDark(0.0, 0.0)
    return SharedDark(
        dark_variance * amount * float(np.mean(mean)),
        dark_variance * amount * max(float(np.mean(hidden)), 0.0) if hidden else 0.0,
    )


def figures(scene: Scene, gathered: Gathered, shared: SharedDark) -> dict[str, Any]:
    """What the scene's noise is, and what each frame gave."""
    matching, weights = scene.matching, scene.matching.weights.astype(np.float64)
    block_factor = float(scene.block_factor[scene.colours // 2])
    told = _tell(scene, gathered, block_factor * shared.hidden)
    model, pair_model, combined, expected = told.model, told.pair_model, told.combined, told.expected
    header = scene.frames[scene.reference].header
    # of what every pixel has of its own so much is left in block means, as if that many frames had met other pixels
    own = shared_dark(scene.frames, weights, [1.0] * len(weights), 1.0, scene.shape).mean
    covered, lost = gathered.tally[:, 0], gathered.tally[:, 1]
    return {
        "frames_kept": len(scene.frames),
        "noise_frame": told.frame,
        "noise_frame_exposure_s": None if told.alike is None else header.exposure_s,
        "noise_frame_iso": None if told.alike is None else header.iso,
        "frames_alike": told.alike,
        "noise_combined": combined,
        "noise_expected": expected,
        "noise_ratio": combined / expected if combined is not None and expected else None,
        "noise_model": None if model is None else float(np.sqrt(model + block_factor * shared.mean)),
        "noise_model_frame": None if pair_model is None else float(np.sqrt(pair_model)),
        "noise_blocks": told.blocks,
        "noise_block_px": BLOCK,
        "noise_dark_shared": float(np.sqrt(block_factor * shared.mean)),
        "noise_curve": told.curve,
        "sensor_places": 1 / own if own > 0 else None,
        "frames_effective": float(weights.sum() ** 2 / (weights**2).sum()),
        "electrons_per_adu": matching.transfer.electrons_per_adu,
        "restless_share": told.changing,
        "rejected_share": float(lost.sum() / covered.sum()) if covered.sum() else None,
        "frames": {
            frame.id: {
                "weight": float(weights[k]),
                "flux_scale": frame.flux_scale,
                "rejected_share": float(lost[k] / covered[k]) if covered[k] else None,
                "coverage": float(covered[k] / covered.max()) if covered[k] else 0.0,
                "sky_difference": [float(v) for v in matching.sky_difference[k]],
                "sky_residual": None if not np.isfinite(matching.scatter[k]) else float(matching.scatter[k]),
                "sky_noise": [float(v) for v in np.sqrt(matching.sky_variance[k])],
            }
            for k, frame in enumerate(scene.frames)
        },
        "noise_notes": _notes(scene, told),
    }


class _Told(NamedTuple):
    """What the scene's blocks tell of noise, ADU; None where they do not.

    `frame` that of one frame like the reference, `combined` that of the picture and `expected` what theory gives for
    it, `model` and `pair_model` the model's variances of both, `curve` the noise of so many frames, `blocks` from how
    many, `alike` as how many frames like the reference all count, where settings differ; `changing` the share of the
    picture whose sky changes, and whether it is `disturbed`: frames differ by more than noise everywhere.
    """

    frame: float | None
    combined: float | None
    expected: float | None
    model: float | None
    pair_model: float | None
    curve: list[list[float]]
    blocks: int
    alike: float | None
    changing: float
    disturbed: bool


def _tell(scene: Scene, gathered: Gathered, hidden: float) -> _Told:
    """The noise that the gathered blocks show; `hidden` the variance that their differences do not."""
    plan, sets = scene.plan, len(scene.plan.sizes)
    measured = [block_noise(s, c) for s, c in zip(gathered.sums, gathered.counts, strict=True)]
    halves = measured[0]
    combined = None if halves.noise is None else float(np.hypot(halves.noise, np.sqrt(hidden)))
    there = _model_there(gathered.sums[0], gathered.counts[0], gathered.model[0], gathered.model[1], halves)
    model = None if there is None else there[0]
    pair_model, frame = _frame_noise(gathered, measured[1 + sets :], sets)
    by, alike = _as_reference(scene)
    if frame is not None and pair_model is not None:
        frame, pair_model = frame * by**0.5, pair_model * by
    changing = float((scene.matching.restless[1:-2, 1:-2] > 0).mean())
    disturbed = changing >= CHANGING and (_beyond(frame, pair_model) or _beyond(halves.noise, model))
    if disturbed:
        return _Told(None, None, None, model, pair_model, [], halves.blocks, alike, changing, disturbed)
    expected = None
    if frame is not None and model is not None and pair_model:
        expected = float(np.sqrt(frame**2 * model / pair_model + hidden))
    curve: list[list[float]] = [] if frame is None else [[1, frame]]
    for size, m in zip(plan.sizes, measured[1 : 1 + sets], strict=True):
        # of the first few frames a sky that changes may show more than their noise
        steady = changing < CHANGING or (pair_model and not _beyond(m.noise, pair_model / size + hidden))
        if m.noise is not None and steady:
            curve.append([size, float(np.hypot(m.noise, np.sqrt(hidden)))])
    if combined is not None and len(scene.frames) not in plan.sizes:
        curve.append([len(scene.frames), combined])
    return _Told(frame, combined, expected, model, pair_model, curve, halves.blocks, alike, changing, disturbed)


def _notes(scene: Scene, told: _Told) -> list[str]:
    """What the page says of how the noise was told."""
    notes = []
    if len(scene.frames) == 1:
        notes.append("One frame: nothing to combine; its noise is known from the model only (NOISE plane).")
    elif told.disturbed:
        notes.append(
            "Frames differ by more than noise everywhere (a sky that changes, branches in the wind), so that noise "
            "cannot be measured; the plane NOISE holds what light and sensor let expect."
        )
    elif told.combined is None:
        notes.append(f"Too few blocks free of stars ({told.blocks}) to measure the noise.")
    elif told.blocks < BLOCKS_FOR_CLAIM:
        notes.append(f"Noise from {told.blocks} blocks: good to about {100 * noise_error(told.blocks):.1f} %.")
    if told.changing >= CHANGING:
        inner = scene.matching.restless[1:-2, 1:-2][RIM_NODES:-RIM_NODES, RIM_NODES:-RIM_NODES] > 0
        share = f"{100 * told.changing:.0f} % of the picture"
        what = f"The sky itself changed between frames over {share} (aurora, lit cloud)"
        if scene.land is None and inner.size and not inner.any():
            what = (
                f"Frames differ by more than noise over {share}, all of it along the edge: a strip of land too low to "
                "be told from the sky, which smears there, or a sky that changed"
            )
        notes.append(f"{what}: it is averaged there, only what is narrow is rejected, and noise is told from the rest.")
    if not scene.matching.transfer.measured:
        notes.append("The frames' sky varies too little to tell the gain; most of the noise is taken for photon noise.")
    return notes


def _as_reference(scene: Scene) -> tuple[float, float | None]:
    """Where frames were taken with several settings: the variance of a frame of the reference's over that of the pairs
    by which one frame's noise is told, and as how many of these all frames count, the noise of each taken for what its
    weight says; else 1 and None."""
    headers = [frame.header for frame in scene.frames]
    kinds = numbered([(h.exposure_s, h.iso, h.f_number) for h in headers])
    if not kinds.any():
        return 1.0, None
    weights = scene.matching.weights.astype(np.float64)
    relative = weights / np.median(weights[kinds == kinds[scene.reference]])
    return float(1 / np.mean(1 / relative[scene.plan.pairs])), float(relative.sum())


def _beyond(noise: float | None, variance: float | None) -> bool:
    """Whether a measured noise is more than the noise of such a variance can be."""
    return bool(noise and variance and noise > DISTURBED * np.sqrt(variance))


def _model_there(
    sums: NDArray[np.float64],
    counts: NDArray[np.int32],
    model: NDArray[np.float64],
    pixels: NDArray[np.floating | np.integer],
    shown: BlockNoise,
) -> tuple[float, float | None] | None:
    """What the model gives for the variance that differences show, and their noise over the model's.

    Each block's difference is set against its own model: where frames drift far, in the corners of a flattened picture
    and among stars the noise differs by factors from block to block, and where frames of one half alone reach, no
    difference tells it.

    Parameters
    ----------
    sums, counts : (rows, columns) arrays, as `block_noise` takes them; `shown` is what it gives
    model, pixels : (rows, columns) arrays, sum of the model's variances over the pixels of a block, and how many
    """
    if not pixels.any():
        return None
    mean = model / np.maximum(pixels, 1)
    told = np.divide(sums, np.sqrt(mean), out=np.zeros_like(mean), where=mean > 0)
    ratio = block_noise(told, np.where(mean > 0, counts, 0)).noise
    if shown.noise and ratio:
        return float((shown.noise / ratio) ** 2), ratio
    return float(model.sum() / pixels.sum()), None


def noise_scale(content: dict[str, Any]) -> float:
    """What the NOISE plane is multiplied by to agree with what was measured; 1 where the model holds.

    Where stars are crowded, those too faint to be told scatter from frame to frame in single pixels, as interpolation
    does to all that is sharp, and not in the means of blocks: the model, which single pixels correct, then says too
    much (twice the noise of blocks, measured with 0.04 stars a pixel).
    """
    measured, model, blocks = content["noise_combined"], content["noise_model"], content["noise_blocks"]
    if not measured or not model or blocks < SCALE_BLOCKS:
        return 1.0
    ratio = float(measured / model)
    sure = max(SCALE_LEAST, SCALE_SIGMAS * noise_error(blocks))
    return ratio if abs(np.log(ratio)) > sure else 1.0


def _frame_noise(gathered: Gathered, measured: Sequence[BlockNoise], sets: int) -> tuple[float | None, float | None]:
    """What the model gives for the variance of one frame, and the noise of one: the median pair's against its model.

    A pair may hold a frame that was kept by hand for all its clouds: it must not speak for the others.
    """
    models, ratios = [], []
    for number, one in enumerate(measured):
        counts = gathered.counts[1 + sets + number]
        there = _model_there(gathered.sums[1 + sets + number], counts, gathered.model[2 + number], counts, one)
        if there is not None and there[1] is not None:
            models.append(there[0])
            ratios.append(there[1] ** 2)
    if not models:
        return None, None
    model = float(np.mean(models))
    return model, float(np.sqrt(np.median(ratios) * model))
