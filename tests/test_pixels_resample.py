"""Resampling: values, positions, fluxes and noise, against slow statements and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit
from scipy import ndimage

from pipeline.pixels.curves import SHARED, rows_of_units
from pipeline.pixels.lanczos import LANCZOS, OVERREAD, lanczos3, short_weights
from pipeline.pixels.positions import LAGRANGE, position_grid, positions
from pipeline.pixels.resample import (
    NOISE_PHASES,
    NOT_COVERED,
    block_variance,
    interpolation_variance,
    resample,
    resample_plane,
)
from pipeline.pixels.separable import stretch_slow
from pipeline.pixels.vector import weighted_6x8, weighted_6x8_rgb, weighted_6x8_slow
from pipeline.sensor.demosaic import demosaic, response
from tests.planted_scenes import add_star

PLACES = np.array([[0, 1], [1, 2]])


@njit
def _compiled(source, first, stride, table, across, down):  # type: ignore[no-untyped-def]
    return weighted_6x8(source, np.uint64(first), np.uint64(stride), table, np.uint64(across), np.uint64(down))


@njit
def _compiled_rgb(source, first, stride, plane, table, across, down):  # type: ignore[no-untyped-def]
    place = np.uint64(first), np.uint64(stride), np.uint64(plane)
    return weighted_6x8_rgb(source, *place, table, np.uint64(across), np.uint64(down))


def test_vector_code_equals_its_slow_statement() -> None:
    """The six rows of eight lanes are summed as NumPy sums them."""
    rng = np.random.default_rng(1)
    source, table = rng.normal(size=400).astype(np.float32), rng.normal(size=64).astype(np.float32)
    for first, stride, across, down in ((0, 20, 0, 8), (37, 31, 17, 3), (11, 8, 56, 56)):
        fast = _compiled(source, first, stride, table, across, down)
        assert fast == pytest.approx(weighted_6x8_slow(source, first, stride, table, across, down), abs=1e-4)
        three = _compiled_rgb(source, first, stride, 61, table, across, down)
        assert three == tuple(_compiled(source, first + 61 * c, stride, table, across, down) for c in range(3))


def _smooth_field(shape: tuple[int, int], seed: int, cut: float = 0.2) -> tuple[np.ndarray, ...]:
    """Random waves below `cut` of the sampling frequency: amplitudes, frequencies, phases."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=30), rng.uniform(-cut, cut, (30, 2)), rng.uniform(0, 2 * np.pi, 30)


def _evaluate(field: tuple[np.ndarray, ...], x: np.ndarray, y: np.ndarray) -> np.ndarray:
    amplitude, frequency, phase = field
    waves = np.cos(2 * np.pi * (x[..., None] * frequency[:, 0] + y[..., None] * frequency[:, 1]) + phase)
    return waves @ amplitude


def _turned(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    c, s = np.cos(0.2), np.sin(0.2)
    return 100 + c * (x - 96) - s * (y - 90) + 1e-5 * (x - 96) ** 2, 84 + s * (x - 96) + c * (y - 90)


def test_equals_the_direct_sum_of_lanczos() -> None:
    """Values are the normalised 6 x 6 Lanczos sum at the exact positions, to the rounding of positions to 1/1024 px."""
    rng = np.random.default_rng(2)
    plane = rng.normal(size=(180, 200)).astype(np.float32)
    values, codes = resample(plane[None], _turned, (170, 190))
    for y, x in rng.integers(0, 170, (200, 2)):
        px, py = (float(v) for v in _turned(np.float64(x), np.float64(y)))
        if not (3 < px < 196 and 3 < py < 176):
            continue
        ix, iy = int(px), int(py)
        wx, wy = lanczos3(np.arange(-2, 4) - (px - ix)), lanczos3(np.arange(-2, 4) - (py - iy))
        expected = wy @ plane[iy - 2 : iy + 4, ix - 2 : ix + 4] @ wx / (wx.sum() * wy.sum())
        assert codes[y, x] != NOT_COVERED
        assert values[0, y, x] == pytest.approx(expected, abs=0.01)


def test_band_limited_fields_agree_with_a_spline_of_order_five() -> None:
    """On waves longer than 5 px Lanczos errs by less than 1.5 % rms of the field, and agrees with scipy to 2 %."""
    field = _smooth_field((180, 200), 3)
    y, x = np.mgrid[0:180, 0:200].astype(float)
    plane = _evaluate(field, x, y).astype(np.float32)
    values, codes = resample(plane[None], _turned)
    mx, my = _turned(x, y)
    inside = (codes != NOT_COVERED) & (mx > 8) & (mx < 191) & (my > 8) & (my < 171)
    truth = _evaluate(field, mx, my)
    spline = ndimage.map_coordinates(plane.astype(float), [my, mx], order=5, mode="mirror")
    error, reference = (np.std((v - truth)[inside]) / np.std(truth[inside]) for v in (values[0], spline))
    assert reference < 0.01  # scipy itself is right
    assert error < 0.015
    assert np.std((values[0] - spline)[inside]) / np.std(truth[inside]) < 0.02


@pytest.mark.parametrize(("right", "down"), [(0, 0), (3, 0), (-2, 5)])
def test_whole_pixels_are_copied(right: int, down: int) -> None:
    """Pixels moved by whole ones come through to the last bit, edges included, and so do their places on the mosaic."""
    planes = np.random.default_rng(4).normal(size=(3, 150, 281)).astype(np.float32)
    values, codes = resample(planes, lambda x, y: (x + right, y + down))
    y, x = np.mgrid[down : 150 + down, right : 281 + right]
    there = (x >= 0) & (y >= 0) & (x < 281) & (y < 150)
    assert np.array_equal(values[:, there], planes[:, y[there], x[there]])
    assert np.array_equal(codes[there], (NOISE_PHASES**2 * ((y & 1) * 2 + (x & 1)))[there])


def test_a_flat_sky_stays_flat_and_what_is_outside_is_told() -> None:
    """Normalised weights keep a constant; beyond the outermost pixels' own edges nothing is covered."""
    planes = np.full((1, 60, 60), 7.0, np.float32)
    values, codes = resample(planes, lambda x, y: (x + 5.3, y - 2.6))
    covered = codes != NOT_COVERED
    np.testing.assert_allclose(values[0][covered], 7.0, rtol=1e-5)
    y, x = np.mgrid[0:60, 0:60]
    assert np.array_equal(covered, (x + 5.3 <= 59.5) & (y - 2.6 >= -0.5))
    assert (values[0][~covered] == 0).all()


def test_a_place_that_is_no_number_is_not_covered() -> None:
    """Where the lens shows nothing the map is not a number, and no value comes of it."""
    values, codes = resample(np.ones((1, 40, 40), np.float32), lambda x, y: (np.where(x > 300, x, np.nan), y))
    assert (codes == NOT_COVERED).all()
    assert (values == 0).all()


@pytest.mark.parametrize("shift", [0.1, 0.25, 0.5, 0.77])
def test_stars_keep_flux_and_place(shift: float) -> None:
    """A star of FWHM 2 shifted by a fraction keeps its flux to 0.1 % and its place to 0.015 px (check-values.md, 7)."""
    rng = np.random.default_rng(7)
    flux, place = [], []
    y, x = np.mgrid[0:40, 0:40]
    for _ in range(20):
        image = np.zeros((40, 40))
        cx, cy = rng.uniform(19, 21, 2)
        add_star(image, cx, cy, 1.0, 2.0)
        values, _ = resample(image[None].astype(np.float32), lambda u, v: (u + shift, v + shift / 2))
        flux.append(values.sum())
        weight = values[0] * np.exp(-((x - cx + shift) ** 2 + (y - cy + shift / 2) ** 2) / 4)
        place.append((weight * x).sum() / weight.sum() - (cx - shift))
    assert abs(np.mean(flux) - 1) < 0.001
    assert np.std(flux) < 0.0006  # three times the table's 0.019 %: fewer stars, larger shifts
    assert np.sqrt(np.mean(np.square(place))) < 0.015


def test_positions_between_nodes_are_good_to_a_thousandth() -> None:
    """Across cells of 64 px a strongly distorting lens is followed within 0.005 px; the rows say where to the float."""
    shape = (640, 960)

    def barrel(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        u, v = (x - 480) / 576, (y - 320) / 576
        k = 1 - 0.08 * (u * u + v * v) + 0.02 * (u * u + v * v) ** 2
        return 480 + 576 * u * k, 320 + 576 * v * k

    grid = position_grid(barrel, shape)
    # resampling a plane that holds its own x and y gives the position back, up to Lanczos' own error on a ramp
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    xs, ys, nodes = np.empty(960, np.float32), np.empty(960, np.float32), np.empty((2, grid.shift.shape[1]), np.float32)
    for row in (0, 1, 63, 64, 333, 639):
        positions(grid.shift, LAGRANGE, row, 0, xs, ys, nodes)
        true_x, true_y = barrel(x[row], y[row])
        assert np.abs(xs - true_x).max() < 0.005
        assert np.abs(ys - true_y).max() < 0.005


def test_bounds_hold_every_position() -> None:
    """The region of a tile holds all its positions, and no more than a pixel beyond."""
    grid = position_grid(_turned, (300, 300))
    y, x = np.mgrid[70:201, 13:280].astype(float)
    mx, my = _turned(x, y)
    bounds = grid.region(70, 201, 13, 280)
    assert bounds is not None
    np.testing.assert_allclose(bounds, (my.min(), my.max(), mx.min(), mx.max()), atol=1.0)


def test_bounds_of_a_part_of_which_the_map_knows_some() -> None:
    """Where a map is not defined all over, the region holds what is; where nowhere there is none."""
    grid = position_grid(_turned, (300, 300))
    grid.shift[:, 4:] = np.nan
    xs, ys, nodes = np.empty(267, np.float32), np.empty(267, np.float32), np.empty((2, grid.shift.shape[1]), np.float32)
    known = []
    for row in range(70, 201):
        positions(grid.shift, LAGRANGE, row, 13, xs, ys, nodes)
        known.append(np.stack([ys, xs], axis=1)[np.isfinite(xs)])
    places = np.concatenate(known)
    assert 0 < len(places) < 131 * 267
    bounds = grid.region(70, 201, 13, 280)
    assert bounds is not None
    assert bounds[0] <= places[:, 0].min()
    assert bounds[1] >= places[:, 0].max()
    assert bounds[2] <= places[:, 1].min()
    assert bounds[3] >= places[:, 1].max()
    assert grid.region(70, 201, 260, 280) is None


def _between_nodes_slow(nodes: np.ndarray, y: np.ndarray, x: np.ndarray) -> np.ndarray:
    """A map of the grid's nodes at pixels y, x of the result, linearly between the nodes."""
    v, u = y / 64 + 1, x / 64 + 1
    i, j = v.astype(int), u.astype(int)
    fv, fu = v - i, u - j
    top, bottom = ((1 - fu) * nodes[k, j] + fu * nodes[k, j + 1] for k in (i, i + 1))
    return (1 - fv) * top + fv * bottom


@pytest.mark.parametrize("angle", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("together", [True, False])
def test_a_tile_equals_the_whole_and_carries_scale_area_and_offset(angle: float, together: bool) -> None:
    """Any tile is ``scale * area * resampled + offset``, area and offset linear between nodes; a tile's part the same
    to the last bit; where nothing is covered 0; one plane after another as all at once."""
    rng = np.random.default_rng(8)
    planes = rng.normal(100, 30, (3, 220, 360)).astype(np.float32)
    mapping = _leaning(angle) if angle else lambda x, y: (x + 7, y - 4)
    whole, codes = resample(planes, mapping, (180, 300))
    grid = position_grid(mapping, (180, 300))
    area = rng.uniform(0.7, 1.4, grid.shift.shape[:2]).astype(np.float32)
    offset = rng.normal(0, 20, (3, *area.shape)).astype(np.float32)
    padded = np.pad(planes, ((0, 0), (2, 3), (2, 3)), mode="reflect")
    source = np.concatenate([padded.ravel(), np.zeros(OVERREAD, np.float32)])

    def tile(top: int, left: int, height: int, width: int) -> np.ndarray:
        values, part = np.empty((3, height, width), np.float32), np.empty((height, width), np.uint8)
        for colour, count in ((0, 3),) if together else ((0, 1), (1, 1), (2, 1)):
            resample_plane(
                source, padded.shape[1:], (-2, -2), (220, 360), grid.shift, LAGRANGE, LANCZOS, (top, left), colour,
                count, np.float32(1.5), area, offset, values, part, True,
            )  # fmt: skip
        assert np.array_equal(part, codes[top : top + height, left : left + width])
        return values

    values = tile(0, 0, 180, 300)
    y, x = np.mgrid[0:180, 0:300]
    for c in range(3):
        scaled = 1.5 * _between_nodes_slow(area, y, x) * whole[c] + _between_nodes_slow(offset[c], y, x)
        np.testing.assert_allclose(values[c], np.where(codes == NOT_COVERED, 0, scaled), rtol=2e-6, atol=2e-4)
    for top, left, height, width in ((57, 31, 40, 90), (63, 65, 70, 190), (100, 127, 17, 3)):
        part = tile(top, left, height, width)
        assert np.array_equal(part, values[:, top : top + height, left : left + width])


def _leaning(angle: float, apart: float = 1.0):
    """A map that turns by an angle, and stretches a little as a lens does; rows may lie more than a pixel apart."""
    c, s = np.cos(angle), np.sin(angle)

    def mapping(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        u, v = x - 150.0, y - 90.0
        return 171.3 + c * u - s * v + 2e-5 * u * u, 104.7 + s * u + c * apart * v + 1e-5 * u * v

    return mapping


@pytest.mark.parametrize(
    ("angle", "apart", "tall"), [(0.0, 1, 8), (0.004, 1, 8), (-0.03, 1.006, 4), (0.03, 1.015, 2), (0.1, 1.04, 1)]
)
def test_two_passes_are_what_their_slow_statement_says(angle: float, apart: float, tall: int) -> None:
    """Along nearly level rows values are those of columns first, as the unit's middle lies, then along the row; and how
    many rows a unit has goes by how far they would lie beside it."""
    plane = np.random.default_rng(11).normal(size=(240, 360)).astype(np.float32)
    mapping = _leaning(angle, apart)
    values, codes = resample(plane[None], mapping, (180, 300))
    shift = position_grid(mapping, (180, 300)).shift
    assert {rows_of_units(shift, row, column) for row in range(3) for column in range(1, 4)} == {tall}
    wanted, reach = np.arange(64, 256, 5), np.arange(-20.0, 320.0)
    for row in (40, 77, 131):
        middle = row // tall * tall + (tall - 1) / 2
        x, _ = mapping(reach, np.full(340, float(row)))
        line_x, line_y = (
            np.mean([mapping(reach, np.full(340, row // tall * tall + r))[axis] for r in range(tall)], 0)
            for axis in (0, 1)
        )
        expected = stretch_slow(plane, x, (line_x, line_y + row - middle), wanted + 20)
        np.testing.assert_allclose(values[0, row, wanted], expected, atol=2e-3)
        assert (codes[row, wanted] != NOT_COVERED).all()


@pytest.mark.parametrize(("angle", "apart"), [(0.004, 1.003), (-0.03, 1.008), (0.04, 0.985), (0.11, 1)])
def test_rows_of_a_unit_lie_where_they_should(angle: float, apart: float) -> None:
    """No row of a unit is resampled from beside its place by more than is said: a slope shows it, which resampling
    keeps as it is."""
    plane = np.arange(240.0)[:, None] * np.ones(360) + 0.25 * np.arange(360.0)
    mapping = _leaning(angle, apart)
    values, codes = resample(plane[None].astype(np.float32), mapping, (180, 300))
    x, y = mapping(*np.meshgrid(np.arange(300.0), np.arange(180.0)))
    # by how much a kernel of three lobes itself misses a slope
    own = max(
        abs(lanczos3(np.arange(-2, 4) - t) @ np.arange(-2, 4) / lanczos3(np.arange(-2, 4) - t).sum() - t)
        for t in np.arange(0, 1, 0.01)
    )
    inner = (codes != NOT_COVERED) & (np.minimum(y, 239 - y) > 4) & (np.minimum(x, 359 - x) > 4)
    off = np.abs(values[0] - (y + 0.25 * x))[inner]
    assert off.max() < SHARED + 2 * own + 0.003


def test_short_weights_are_as_good_as_the_kernel() -> None:
    """The weights as polynomials are those of the kernel to 0.0025, sum to 1, and pass waves of 3.3 pixels and more as
    it does to 0.0032."""
    taps = np.arange(-2, 4)
    for place in np.arange(0, 1.0001, 0.01):
        exact = lanczos3(taps - place) / lanczos3(taps - place).sum()
        short = short_weights(place)
        assert np.abs(short - exact).max() < 0.0025
        assert short.sum() == pytest.approx(1, abs=1e-6)
        for waves in np.arange(0.02, 0.301, 0.02):
            turn = np.exp(2j * np.pi * waves * (taps - place))
            assert abs((short - exact) @ turn) < 0.0032


def test_two_passes_know_nothing_of_the_cut() -> None:
    """A tile cut anywhere has the whole's values to the last bit, three planes at once those of one alone."""
    planes = np.random.default_rng(12).normal(size=(3, 220, 360)).astype(np.float32)
    shape, mapping = (180, 300), _leaning(0.05)
    whole, codes = resample(planes, mapping, shape)
    grid = position_grid(mapping, shape)
    level, nothing = np.ones(grid.shift.shape[:2], np.float32), np.zeros((3, *grid.shift.shape[:2]), np.float32)
    padded = np.pad(planes, ((0, 0), (2, 3), (2, 3)), mode="reflect")
    source = np.concatenate([padded.ravel(), np.zeros(OVERREAD, np.float32)])
    for top, left, height, width in ((0, 0, 180, 300), (57, 31, 40, 90), (63, 65, 70, 190), (100, 127, 17, 3)):
        values, part = np.empty((3, height, width), np.float32), np.empty((height, width), np.uint8)
        resample_plane(
            source, padded.shape[1:], (-2, -2), (220, 360), grid.shift, LAGRANGE, LANCZOS, (top, left), 0, 3,
            np.float32(1), level, nothing, values, part, True,
        )  # fmt: skip
        assert np.array_equal(part, codes[top : top + height, left : left + width])
        assert np.array_equal(values, whole[:, top : top + height, left : left + width])


@pytest.mark.parametrize("seed", range(40))
def test_any_map_gives_the_direct_sum_and_any_cut_the_whole(seed: int) -> None:
    """Turned, stretched, bent and moved at random: where the frame covers, values of what is as smooth as stars are
    those of the kernel's 6 x 6 products to a twentieth of their scatter; a part is as in the whole to the last bit."""
    rng = np.random.default_rng(seed)
    (rows, columns), (high, wide) = rng.integers(90, 330, 2), rng.integers(60, 330, 2)
    angle = rng.choice([0, 0.002, 0.02, 0.05, 0.09, 0.115, 0.15, -0.03, -0.1, np.pi, np.pi / 2])
    tight = 1 + rng.uniform(-0.11, 0.11, 2) * rng.choice([0, 0.05, 0.5, 1])
    bend, moved = rng.choice([0, 1e-5, -3e-5, 2e-4]), rng.uniform(-30, 30, 2)

    def mapping(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        u, v = x - wide / 2, y - high / 2
        along, down = np.cos(angle) * u - np.sin(angle) * v, np.sin(angle) * u + np.cos(angle) * v
        return (
            columns / 2 + moved[0] + tight[0] * along + bend * u * v,
            rows / 2 + moved[1] + tight[1] * down + bend * (u * u - v * v),
        )

    plane = ndimage.gaussian_filter(rng.normal(size=(rows, columns)), 1.0)
    values, codes = resample(plane[None].astype(np.float32), mapping, (high, wide))
    x, y = mapping(*np.meshgrid(np.arange(wide, dtype=float), np.arange(high, dtype=float)))
    inside = (x >= 0) & (y >= 0) & (x <= columns - 1) & (y <= rows - 1)
    edge = np.minimum(np.minimum(x, columns - 1 - x), np.minimum(y, rows - 1 - y))
    assert (codes != NOT_COVERED)[edge > 0.01].all()
    padded, taps = np.pad(plane, 8, mode="reflect"), np.arange(-2, 4)
    ix, iy = np.floor(x[inside]).astype(int), np.floor(y[inside]).astype(int)
    across, down = lanczos3(taps[:, None] - (x[inside] - ix)), lanczos3(taps[:, None] - (y[inside] - iy))
    across, down = across / across.sum(axis=0), down / down.sum(axis=0)
    direct = sum(down[a] * across[b] * padded[iy + taps[a] + 8, ix + taps[b] + 8] for a in range(6) for b in range(6))
    assert np.abs(values[0][inside] - direct).max(initial=0) < plane.std() / 20
    grid = position_grid(mapping, (high, wide))
    level, nothing = np.ones(grid.shift.shape[:2], np.float32), np.zeros((1, *grid.shift.shape[:2]), np.float32)
    source = np.pad(plane[None].astype(np.float32), ((0, 0), (2, 3), (2, 3)), mode="reflect")
    source = np.concatenate([source.ravel(), np.zeros(OVERREAD, np.float32)])
    for _ in range(4):
        top, left = rng.integers(0, high - 3), rng.integers(0, wide - 3)
        height, width = rng.integers(1, high - top + 1), rng.integers(1, wide - left + 1)
        part, told = np.empty((1, height, width), np.float32), np.empty((height, width), np.uint8)
        resample_plane(
            source, (rows + 5, columns + 5), (-2, -2), (rows, columns), grid.shift, LAGRANGE, LANCZOS, (top, left),
            0, 1, np.float32(1), level, nothing, part, told, True,
        )  # fmt: skip
        assert np.array_equal(part[0], values[0, top : top + height, left : left + width])
        assert np.array_equal(told, codes[top : top + height, left : left + width])


def test_two_passes_are_as_good_as_the_direct_sum() -> None:
    """At the steepest slope they are used for noise comes out as from 6 x 6 pixels to 1 %, stars as wide to 0.3 %."""
    mapping, shape, rng = _leaning(0.11), (180, 300), np.random.default_rng(13)
    noise, field = rng.normal(size=(220, 360)), np.zeros((220, 360))
    for x in range(100, 260, 14):
        for y in range(66, 150, 14):
            add_star(field, x + rng.uniform(-0.5, 0.5), y + rng.uniform(-0.5, 0.5), 1.0, 2.0)
    planes = np.stack([noise, field]).astype(np.float32)
    inner = (slice(40, 136), slice(64, 256))
    two = resample(planes, mapping, shape)[0][:, inner[0], inner[1]]
    direct = np.empty(two.shape)
    for i, j in np.ndindex(two.shape[1:]):
        x, y = (float(v) for v in mapping(np.float64(j + 64), np.float64(i + 40)))
        ix, iy = int(x), int(y)
        across, down = lanczos3(np.arange(-2, 4) - (x - ix)), lanczos3(np.arange(-2, 4) - (y - iy))
        patch = planes[:, iy - 2 : iy + 4, ix - 2 : ix + 4]
        direct[:, i, j] = np.einsum("y,cyx,x->c", down, patch, across) / (across.sum() * down.sum())
    assert np.std(two[0] - direct[0]) > 0.01  # they are two kernels
    assert np.std(two[0]) == pytest.approx(np.std(direct[0]), rel=0.01)
    # the sum of squares of a star goes with 1 / size^2
    assert np.sum(two[1].astype(float) ** 2) == pytest.approx(np.sum(direct[1] ** 2), rel=0.006)
    assert two[1].sum() == pytest.approx(direct[1].sum(), rel=1e-3)


def test_variance_of_a_pixel_is_foretold() -> None:
    """Demosaiced and resampled white noise has the variance that the table states, for every place and colour."""
    rng = np.random.default_rng(9)
    table = interpolation_variance(response("RGGB"), PLACES)
    sigma = np.array([1.0, 2.0, 0.5])
    mosaic = rng.normal(size=(900, 900))
    for c in range(3):
        for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)):
            if PLACES[i, j] == c:
                mosaic[i::2, j::2] *= sigma[c]
    planes = demosaic(mosaic.astype(np.float32), "RGGB")
    for dx, dy in ((0.0, 0.0), (3 / 7, 5 / 7)):
        values, codes = resample(planes, lambda x, y, dx=dx, dy=dy: (x + dx, y + dy), (890, 890))
        for code in np.unique(codes[codes != NOT_COVERED]):
            for c in range(3):
                measured = values[c][codes == code].var()
                assert measured == pytest.approx(table[c, :, code] @ sigma**2, rel=0.03)


def test_lanczos_alone_hides_noise_as_published() -> None:
    """White noise comes out of Lanczos3 at 0.893 a pixel over all shifts (check-values.md, 7)."""
    alone = np.zeros((1, 2, 2, 5, 5), np.float32)
    alone[..., 2, 2] = 1
    table = interpolation_variance(alone, np.zeros((2, 2), int))[0, 0, : 4 * NOISE_PHASES**2]
    assert np.sqrt(table.mean()) == pytest.approx(0.893, abs=0.01)


@pytest.mark.parametrize("side", [8, 16])
def test_variance_of_block_means_is_foretold(side: int) -> None:
    """Means over blocks of demosaiced and resampled noise vary as computed: below 4, 2, 4, as edges leak."""
    rng = np.random.default_rng(10)
    table = block_variance(response("RGGB"), PLACES, side).sum(axis=1)
    squares, blocks = np.zeros(3), 0
    for _ in range(6):
        mosaic = rng.normal(size=(648, 648)).astype(np.float32)
        dx, dy = rng.uniform(0, 1, 2)
        values, _ = resample(demosaic(mosaic, "RGGB"), lambda x, y, dx=dx, dy=dy: (x + dx, y + dy))
        cut = values[:, 4:644, 4:644].reshape(3, 640 // side, side, 640 // side, side).mean(axis=(2, 4))
        squares += (cut**2).sum(axis=(1, 2)) * side**2
        blocks += cut[0].size
    np.testing.assert_allclose(squares / blocks, table, rtol=4 / np.sqrt(blocks / 2))
    assert (table < (4, 2, 4)).all()
