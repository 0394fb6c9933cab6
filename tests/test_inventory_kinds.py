"""What a frame is taken for: looks at pixels, runs, sampling, verdicts."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.card.frame import Look
from pipeline.card.kinds import (
    LOOK_ALL_PIXELS,
    Sorter,
    at_steps,
    first_places,
    impression,
    level_said,
    night_value,
    runs_of,
    sample,
    standing_out,
)
from pipeline.card.looks import look_at
from tests.cards import clocked, frame, run

BLACK = (512.0, 512.0, 512.0, 512.0)
SATURATION = 16383.0

STARS = Look(level=0.02, spread=0.01, noise=0.001, smooth=1.0, stars=800, points=50)
DARK = Look(level=0.0001, spread=0.0001, noise=0.0005, smooth=1.0, stars=4, points=2000)
CLOUD = Look(level=0.03, spread=0.01, noise=0.0012, smooth=1.0, stars=0, points=20)
FLAT = Look(level=0.4, spread=0.1, noise=0.005, smooth=1.0, stars=0, points=5)
PICTURE = Look(level=0.1, spread=0.3, noise=0.006, smooth=0.1, stars=3000, points=1000)


def mosaic(level=40.0, noise=12.0, shape=(512, 768), seed=1, stars=0, fwhm=2.2, hot=0, vignetting=0.0):
    """A Bayer mosaic of a smooth sky with stars and hot pixels."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    r2 = ((x - shape[1] / 2) ** 2 + (y - shape[0] / 2) ** 2) / (shape[0] ** 2 + shape[1] ** 2) * 4
    light = level * (1 - vignetting * r2)
    s = fwhm / 2.3548
    for _ in range(stars):
        sx, sy = rng.uniform(5, shape[1] - 5), rng.uniform(5, shape[0] - 5)
        top, left = int(sy) - 5, int(sx) - 5
        box = np.s_[max(0, top) : top + 11, max(0, left) : left + 11]
        peak = noise * rng.uniform(8, 60)
        light[box] += peak * np.exp(-((x[box] - sx) ** 2 + (y[box] - sy) ** 2) / (2 * s * s))
    # sensitivity of red and blue against green
    for row, column in ((0, 0), (1, 1)):
        light[row::2, column::2] *= 0.6
    pixels = 512 + light + rng.normal(0, noise, shape)
    places = rng.integers(0, pixels.size, hot)
    pixels.flat[places] += noise * rng.uniform(5, 300, hot)
    return np.clip(np.rint(pixels), 0, 16383).astype(np.uint16)


def look(**settings):
    return look_at(mosaic(**settings), "RGGB", BLACK, SATURATION)


# ---- looking


def test_a_look_recovers_level_and_noise():
    """Level and noise above black come back as shares of the range."""
    seen = look(level=160.0, noise=20.0)
    span = SATURATION - 512
    assert seen.level * span == pytest.approx(160, abs=3)
    assert seen.noise * span == pytest.approx(20 / np.sqrt(2), rel=0.03)  # two greens a cell
    assert seen.smooth == 1.0


def test_stars_are_counted_and_hot_pixels_are_not():
    """Of 300 stars most are seen; of 1,000 hot pixels hardly any passes for one."""
    seen = look(stars=300)
    assert 220 <= seen.stars <= 310
    dark = look(level=0.0, hot=1000)
    assert dark.stars <= 5
    assert dark.points >= 800
    both = look(stars=300, hot=1000)
    assert 200 <= both.stars <= 310


@pytest.mark.parametrize("fwhm", [1.8, 2.5, 4.0, 8.0])
def test_sharp_and_blurred_stars_are_stars(fwhm):
    """From undersampled to badly out of focus, a field of stars is one."""
    assert impression(look(stars=300, fwhm=fwhm), 30.0) == "stars"


def test_impressions_of_rendered_frames():
    """Starry sky, dark, cloud, flat and a picture with detail each make their impression."""
    assert impression(look(stars=200), 30.0) == "stars"
    assert impression(look(level=0.0, hot=3000), 30.0) == "dark"
    assert impression(look(level=900.0, noise=30.0, vignetting=0.4), 30.0) == "blank"
    assert impression(look(level=7000.0, noise=60.0, vignetting=0.4), 0.01) == "even"
    rng = np.random.default_rng(3)
    # detail at all scales, as things have by daylight
    detail = sum(s * gaussian_filter(rng.normal(0, 800, (512, 768)), s) for s in (1.0, 2.0, 4.0, 8.0, 16.0)) + 4000
    picture = (512 + detail + rng.normal(0, 12, detail.shape)).astype(np.uint16)
    assert impression(look_at(picture, "RGGB", BLACK, SATURATION), 2.0) == "picture"


@pytest.mark.parametrize("crowding", [0.002, 0.05, 0.2])
def test_the_most_crowded_sky_is_no_picture_by_daylight(crowding):
    """Stars at every fifth pixel leave no block smooth; real pictures with detail have no such tail to the bright side.

    Planted: numbers rise tenfold for two and a half magnitudes (common practice for the Milky Way), vignetting of 0.4.
    """
    rng = np.random.default_rng(3)
    shape = (512, 768)
    light = np.zeros(shape)
    number = int(crowding * light.size)
    np.add.at(light, tuple(rng.integers(0, n, number) for n in shape), 2500 / rng.uniform(0.002, 1, number))
    y, x = np.mgrid[: shape[0], : shape[1]]
    r2 = ((x - 384) ** 2 + (y - 256) ** 2) / (384**2 + 256**2)
    light = (gaussian_filter(light, 1.0) + 900) * (1 - 0.4 * r2)
    pixels = np.clip(rng.normal(512 + light, np.sqrt(100 + light / 2)), 0, 16383).astype(np.uint16)
    seen = look_at(pixels, "RGGB", BLACK, SATURATION)
    assert impression(seen, 60.0) == "stars"
    assert seen.stars > 100


def test_detail_without_stars_is_a_picture():
    """Texture of land, bright on dark and dark on bright alike, is none, however many points it has."""
    rng = np.random.default_rng(4)
    texture = gaussian_filter(rng.normal(0, 1, (512, 768)), 1.2) * 900 + 1500
    pixels = np.clip(rng.normal(512 + np.maximum(texture, 0), 25), 0, 16383).astype(np.uint16)
    assert impression(look_at(pixels, "RGGB", BLACK, SATURATION), 10.0) == "picture"


def test_a_mono_sensor_and_tiny_pictures_are_looked_at_too():
    """No colours, or hardly any pixels: no error."""
    assert look_at(mosaic(stars=200), "MONO", BLACK, SATURATION).stars > 100
    assert look_at(np.full((8, 8), 600, np.uint16), "RGGB", BLACK, SATURATION).stars == 0
    assert look_at(np.zeros((64, 64), np.uint16), "RGGB", BLACK, SATURATION).stars == 0
    assert look_at(np.full((100, 130), 16383, np.uint16), "RGGB", BLACK, SATURATION).level > 0.99


def test_offsets_of_rows_and_columns_are_the_sensor_s():
    """A banded sensor of one colour with hot columns: its stars are counted, its dark is one (planted)."""
    columns = 12 * np.sin(2 * np.pi * np.arange(768) / 25) + 40 * np.isin(np.arange(768), (100, 333, 700))
    rows = np.random.default_rng(5).normal(0, 5, (512, 1))
    looks = {
        kind: look_at(np.rint(mosaic(**settings) + columns + rows).astype(np.uint16), "MONO", BLACK, SATURATION)
        for kind, settings in {"stars": {"stars": 300}, "dark": {"level": 0.0, "hot": 300}}.items()
    }
    assert {impression(seen, 60.0) for seen in looks.values()} == {"stars", "dark"}
    assert looks["stars"].stars >= 180
    assert looks["dark"].stars <= 10


def test_the_same_pixels_give_the_same_look():
    """Nothing in a look depends on the call."""
    pixels = mosaic(stars=100)
    assert look_at(pixels, "RGGB", BLACK, SATURATION) == look_at(pixels.copy(), "RGGB", BLACK, SATURATION)


def test_short_exposures_never_are_stars():
    """Fine detail by daylight passes for a star field; its exposure gives it away."""
    assert impression(STARS, 1 / 640) == "picture"
    assert impression(STARS, None) == "stars"


def test_a_view_by_night_is_a_light_though_its_stars_are_bars():
    """Exposed for a middling grey, f/16 and 1/100 s at ISO 100 in full sun are EV 15 (the rule of sunny 16, common
    practice). Land by night before stars drawn out to bars, 120 s at f/2.8 and ISO 400, is a light; a street of lamps
    (EV 4), a room (EV 6) and the same detail by day are not."""
    assert night_value(frame(exposure_s=0.01, f_number=16.0, iso=100), 0.12) == pytest.approx(15, abs=0.4)
    assert night_value(frame(exposure_s=0.01, f_number=16.0, iso=None), 0.12) == np.inf
    kinds = {}
    for name, exposure, f_number, iso in (
        ("night", 120.0, 2.8, 400),
        ("street", 1.0, 4.0, 100),
        ("room", 0.3, 4.0, 100),
    ):
        frames = clocked([frame(30.0 * n, exposure_s=exposure, f_number=f_number, iso=iso) for n in range(2)])
        kinds[name] = set(sorted_kinds(frames, [PICTURE] * 2))
    assert kinds == {"night": {"light"}, "street": {"other"}, "room": {"other"}}


# ---- runs and sampling


def test_a_run_ends_at_a_pause_or_other_settings():
    """Frames of the same settings without a pause are a run."""
    frames = run(5) + run(5, begin_s=5000) + run(3, exposure_s=10.0)
    assert sorted(len(r) for r in runs_of(clocked(frames))) == [3, 5, 5]


def test_sizes_that_stand_out():
    """One file of a hundred that is a tenth smaller stands out; a slow drift does not."""
    sizes = [1000.0 + n for n in range(100)]
    sizes[40] = 900
    assert standing_out(sizes, 0.03) == [40]
    assert standing_out([None, None], 0.1) == []
    assert standing_out([5.0], 0.1) == []


def test_frames_that_stand_out_together_are_told_by_their_first_and_last():
    """Of darks after the lights and of one covered frame the steps count, not every frame; noise of dark previews does
    not."""
    sizes = [1000.0] * 16 + [700.0] * 4
    assert standing_out(sizes, 0.03) == [16, 17, 18]
    assert at_steps(sizes, [16, 17, 18], 0.03) == {15, 16}
    assert at_steps([10.0, 10.0, 7.0, 10.0], [2], 0.03) == {1, 2, 3}
    assert at_steps([0.004, 0.012, 0.008], [0, 1, 2], 0.25, 0.05) == set()
    assert first_places(20, [15, 16]) == [0, 7, 15, 16, 19]


def test_darks_after_a_few_large_lights_cost_five_looks():
    """Sixteen lights and eight darks of 24 megapixels without a pause: the ends, the border, and one in the middle."""
    frames = clocked([frame(n * 17, size=19_000_000 if n < 16 else 14_000_000) for n in range(24)])
    card = Card({f.id: STARS if n < 16 else DARK for n, f in enumerate(frames)})
    kinds = card.sort(frames)
    assert [kinds[f.id] for f in frames] == ["light"] * 16 + ["dark"] * 8
    assert card.asked == {frames[n].id for n in (0, 7, 15, 16, 23)}


@pytest.mark.parametrize("border", [1, 2, 57, 150, 199])
def test_every_border_is_found_with_few_looks(border):
    """Where frames change from one thing to another, the very frame is found."""
    looked = []

    def seen(n):
        looked.append(n)
        return "dark" if n >= border else "stars"

    known = sample(first_places(200, []), seen)
    assert len(looked) == len(set(looked)) <= 16
    kinds = [known[min(known, key=lambda k: abs(k - n))] for n in range(200)]
    assert all((kinds[n] == "dark") == (n >= border) for n in known)
    assert {border - 1, border} <= set(known)


# ---- verdicts


class Card:
    """Looks by frame, and what was asked for."""

    def __init__(self, looks, broken=None, previews=None):
        self.looks, self.broken_by, self.previews = looks, broken or {}, previews or {}
        self.asked = set()

    def look(self, one):
        self.asked.add(one.id)
        return self.looks.get(one.id)

    def sort(self, frames):
        sorter = Sorter(
            lambda many: None,
            self.look,
            lambda one: self.broken_by.get(one.id),
            lambda one: self.previews.get(one.id),
        )
        return {k: v.kind for k, v in sorter.sort(frames).items()}


def sorted_kinds(frames, looks, **more):
    kinds = Card({f.id: x for f, x in zip(frames, looks, strict=True)}, **more).sort(frames)
    return [kinds[f.id] for f in frames]


@pytest.mark.parametrize(
    ("one", "facts", "kind"),
    [
        (STARS, {}, "light"),
        (DARK, {}, "dark"),
        (DARK, {"exposure_s": 1 / 4000}, "bias"),
        (DARK, {"exposure_s": None, "image_type": "bias"}, "bias"),
        (FLAT, {"exposure_s": 1 / 60}, "flat"),
        (CLOUD, {}, "other"),
        (CLOUD, {"image_type": "light"}, "light"),
        (CLOUD, {"image_type": "dark"}, "dark"),
        (PICTURE, {"exposure_s": 0.5}, "other"),
        (PICTURE, {"exposure_s": 1 / 250}, "other"),
        (PICTURE, {"exposure_s": 60.0, "image_type": "light"}, "light"),
        (PICTURE, {"exposure_s": 1 / 250, "image_type": "light"}, "other"),
        # a header is a hint, the pixels win
        (STARS, {"image_type": "dark"}, "light"),
        (DARK, {"image_type": "light"}, "dark"),
    ],
)
def test_a_lone_frame(one, facts, kind):
    """What a single frame is taken for, by its look, its exposure and its header."""
    assert sorted_kinds(clocked([frame(0, **facts)]), [one]) == [kind]


def test_darks_taken_right_after_the_lights_are_found():
    """Same settings, no pause: the cap went on after 30 frames."""
    frames = run(40)
    assert sorted_kinds(frames, [STARS] * 30 + [DARK] * 10) == ["light"] * 30 + ["dark"] * 10


def test_cloud_between_lights_is_a_light():
    """A frame without stars but with sky belongs to its run, also where it is darker than the rest."""
    dim = Look(level=0.014, spread=0.01, noise=0.0009, smooth=1.0, stars=0, points=10)
    assert sorted_kinds(run(5), [STARS, CLOUD, dim, STARS, STARS]) == ["light"] * 5


def test_a_covered_frame_between_lights_is_a_dark():
    """A forgotten cap is no cloud."""
    assert sorted_kinds(run(5), [STARS, STARS, DARK, STARS, STARS]) == ["light"] * 2 + ["dark"] + ["light"] * 2


def test_darks_of_a_camera_whose_black_is_not_known_are_told_by_the_lights_of_the_same_settings():
    """A pedestal of 2.5 % looks like a faint sky; the lights of the same settings are brighter and noisier."""
    pedestal = Look(level=0.025, spread=0.0001, noise=0.0002, smooth=1.0, stars=2, points=100)
    sky = Look(level=0.06, spread=0.01, noise=0.0008, smooth=1.0, stars=400, points=10)
    frames = run(3) + run(3, begin_s=8000)
    assert sorted_kinds(clocked(frames), [sky] * 3 + [pedestal] * 3) == ["light"] * 3 + ["dark"] * 3


def test_large_runs_are_sampled_and_small_ones_are_not():
    """A long run of 24-megapixel frames costs few looks; the rest is what its neighbours are."""
    frames = run(300)
    assert sum(f.pixels for f in frames) > LOOK_ALL_PIXELS
    card = Card({f.id: STARS for f in frames})
    assert set(card.sort(frames).values()) == {"light"}
    assert len(card.asked) <= 9
    small = run(300, width=400, height=300)
    card = Card({f.id: STARS for f in small})
    card.sort(small)
    assert len(card.asked) == 300


def test_in_a_large_run_darks_at_its_end_and_covered_frames_of_another_size_are_found():
    """The border to the darks and a covered frame whose file is smaller are found without looking at all."""
    frames = [frame(n * 32, size=25_000_000 if n == 77 or n >= 180 else 30_000_000 + n) for n in range(200)]
    frames = clocked(frames)
    looks = {f.id: DARK if n == 77 or n >= 180 else STARS for n, f in enumerate(frames)}
    card = Card(looks)
    kinds = card.sort(frames)
    assert [n for n, f in enumerate(frames) if kinds[f.id] == "dark"] == [77, *range(180, 200)]
    assert len(card.asked) < 40


def test_a_broken_frame_is_what_its_run_is():
    """Nothing can be seen of it, but its neighbours tell; alone it is unreadable."""
    frames = run(5)
    broken = {frames[2].id: "cut short"}
    assert sorted_kinds(frames, [STARS, STARS, None, STARS, STARS], broken=broken) == ["light"] * 5
    assert sorted_kinds(frames[2:3], [None], broken=broken) == ["unreadable"]


def test_a_damaged_frame_does_not_mislead():
    """A frame of zeros among lights looks like a dark; its damage says that it is none."""
    frames = run(5)
    damaged = {frames[0].id: "all pixels are zero"}
    zero = Look(0.0, 0.0, 0.0, 1.0, 0, 0)
    assert sorted_kinds(frames, [zero, STARS, STARS, STARS, STARS], broken=damaged) == ["light"] * 5


def test_pictures_by_daylight_are_not_decoded():
    """Short exposures with bright previews, one or two of a kind, are other without a look."""
    frames = clocked([frame(n * 1000, exposure_s=1 / (100 + 10 * n)) for n in range(8)])
    card = Card({f.id: PICTURE for f in frames}, previews={f.id: 0.4 for f in frames})
    assert set(card.sort(frames).values()) == {"other"}
    assert not card.asked


@pytest.mark.parametrize("sigma", [0.3, 0.45, 0.6, 0.8, 1.0, 1.4])
def test_a_quiet_sensor_s_dark_is_smooth(sigma: float) -> None:
    """Whole numbers about as far apart as the noise is wide still read as noise, not as things in the picture."""
    rng = np.random.default_rng(6)
    pixels = np.round(rng.normal(512.3, sigma, (600, 900))).astype(np.uint16)
    look = look_at(pixels, "RGGB", (512.0,) * 4, 16383.0)
    assert look.smooth == 1.0
    assert look.stars == 0


@pytest.mark.parametrize(("level", "said"), [(1.0, "100 %"), (0.96, "96 %"), (0.5, "50 %"), (0.034, "3.4 %")])
def test_a_level_is_said_in_plain_digits(level: float, said: str) -> None:
    """A white frame is 100 % of the way to white, not 1e+02 %."""
    assert level_said(level) == f"level {said} of the way from black to white"
    assert level_said(0.0) == "level at black"
