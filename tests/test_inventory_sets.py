"""Darks, flats and biases: grouping them, and matching them with a scene."""

import pytest

from pipeline.card.beside import held_against
from pipeline.card.calibration_sets import CalibrationSet, group_darks, group_flats, set_prefix
from pipeline.card.matching import match_bias, match_darks, match_flat_dark, match_flats
from pipeline.plan import names_of
from tests.cards import clocked, frame, run

NIGHT = 86400.0


def dark_set(name="d", count=12, begin_s=9000.0, **facts):
    return CalibrationSet(name, "dark", tuple(run(count, begin_s=begin_s, kind="dark", **facts)))


def flat_set(name="f", count=12, **facts):
    return CalibrationSet(name, "flat", tuple(run(count, kind="flat", **{"exposure_s": 0.01, **facts})))


def match(lights, *sets):
    found = match_darks(lights, sets, 0.03, 3.0)
    return found.dark, found.why


def bias_set(name="b", count=12, **facts):
    return CalibrationSet(name, "bias", tuple(run(count, kind="bias", **{"exposure_s": 1 / 4000, **facts})))


def test_darks_are_grouped_by_what_makes_them_alike():
    """Body, ISO, exposure, size and night each make sets of their own."""
    frames = run(4, kind="dark")
    for other in (
        {"serial": "9"},
        {"iso": 800},
        {"exposure_s": 60.0},
        {"width": 3000},
        {"begin_s": NIGHT},
        {"gain": 5.0},
    ):
        assert [len(g) for g in group_darks(frames + run(3, kind="dark", **other), 0.03, 3.0)] in ([4, 3], [3, 4])
    assert len(group_darks(frames + run(3, begin_s=4000, kind="dark", exposure_s=30.2), 0.03, 3.0)) == 1


def test_darks_of_another_decade_hint_at_the_clock():
    """Of 700 nights before or after nothing is said; of 9,000 that the clock may have been reset."""
    for nights, told in ((700, False), (9000, True)):
        _, why = match(run(5), dark_set(begin_s=nights * NIGHT))
        assert "nights before or after" in why
        assert ("was the camera's clock reset?" in why) == told


def test_darks_are_grouped_by_temperature():
    """A sensor that warms from 10 to 24 degrees makes sets within twice the tolerance, in order of time."""
    frames = [frame for n in range(15) for frame in run(1, begin_s=n * 100.0, kind="dark", temperature_c=10.0 + n)]
    groups = group_darks(frames, 0.03, 3.0)
    assert [len(g) for g in groups] == [7, 7, 1]
    for group in groups:
        temperatures = [f.facts.temperature_c for f in group]
        assert max(temperatures) - min(temperatures) <= 6.0


def test_darks_of_two_temperatures_stay_apart():
    """Darks at 13 and at 9 degrees of one night, which warm as they are taken, are two sets, not one at 11."""
    frames = [
        frame
        for begin, first in ((0, 13.0), (2000, 9.0))
        for n in range(10)
        for frame in run(1, begin_s=begin + 62.0 * n, kind="dark", temperature_c=first + n / 10)
    ]
    groups = group_darks(frames, 0.03, 3.0)
    assert sorted(round(g[0].facts.temperature_c) for g in groups) == [9, 13]
    assert [len(g) for g in groups] == [10, 10]


def test_names_of_sets_tell_what_they_are():
    """Kind, night, exposure and ISO; flats by focal length and aperture; safe as file names."""
    assert set_prefix(run(1, kind="dark")) == "dark_2026-08-14_30s_iso1600"
    assert set_prefix(run(1, kind="bias", exposure_s=1 / 4000)) == "bias_2026-08-14_1-4000s_iso1600"
    assert set_prefix(run(1, kind="dark", exposure_s=2.5, iso=None)) == "dark_2026-08-14_2-5s"
    assert set_prefix(run(1, kind="bias", exposure_s=None, iso=None)) == "bias_2026-08-14"
    assert set_prefix(run(1, kind="flat")) == "flat_2026-08-14_24mm_f2-8"
    assert set_prefix(run(1, kind="dark", exposure_s=1200.0)) == "dark_2026-08-14_1200s_iso1600"
    assert set_prefix(run(1, kind="flat", f_number=150.0)) == "flat_2026-08-14_24mm_f150"


def test_the_set_that_fits_is_taken_and_the_reason_says_it():
    """Same camera, ISO, size and exposure."""
    chosen, why = match(run(5), dark_set("other", iso=800), dark_set("right"))
    assert chosen.name == "right"
    assert why.startswith("12 darks of 30 s at ISO 1600, 6000 x 4000, camera Varno N1 20417, of the same night")


@pytest.mark.parametrize(
    ("darks", "words"),
    [
        ({"exposure_s": 60.0}, "12 darks of 60 s at ISO 1600.*these lights are 30 s at ISO 1600.*another exposure"),
        ({"iso": 800}, "ISO 800.*another ISO"),
        ({"gain": 100.0}, "another ISO or gain"),
        ({"width": 3000}, "3000 x 4000.*another image size"),
        ({"serial": "8"}, "Varno N1 8.*another camera"),
        ({"camera": "Varno Q2", "serial": None}, "Varno Q2.*another camera"),
        ({"temperature_c": 12.0}, "at 12 °C.*at 25 °C.*another sensor temperature"),
    ],
)
def test_why_none_fits(darks, words):
    """The sentence names what is there, what is needed, and what keeps them apart."""
    import re

    chosen, why = match(run(5, temperature_c=25.0), dark_set(**darks))
    assert chosen is None
    assert re.search(words, why)


def test_no_darks_at_all():
    """Flats and biases are no darks."""
    assert match(run(5), flat_set()) == (None, "no darks were found")


def test_the_nearest_temperature_then_the_nearest_night():
    """Among sets that fit, temperature decides, and then the date."""
    lights = run(5, temperature_c=20.0)
    near = dark_set("near", temperature_c=20.4, begin_s=5 * NIGHT)
    nearer_night = dark_set("night", temperature_c=22.5, begin_s=NIGHT)
    assert match(lights, nearer_night, near)[0].name == "near"
    # 2 ** (-2.5 / 6), dark current doubling every 6 degrees (check-values.md, 5)
    why = match(lights, nearer_night)[1]
    assert "2.5 °C from the lights' sensor temperature: the lights have about 0.75 times their dark signal" in why
    same = dark_set("same", temperature_c=20.3, begin_s=NIGHT)
    chosen, why = match(lights, near, same)
    assert chosen.name == "same"
    assert "of 1 night before or after" in why
    assert "0.3 °C from the lights'" in why
    assert "the nearest of 2 sets that fit" in why


def test_a_set_of_two_is_taken_only_where_there_is_no_other():
    """Few darks bring their own noise."""
    few, old = dark_set("few", count=2), dark_set("old", begin_s=30 * NIGHT)
    assert match(run(5), few, old)[0].name == "old"
    chosen, why = match(run(5), few)
    assert chosen.name == "few"
    assert "only 2 darks" in why


def test_a_body_without_a_serial_is_matched_by_its_model():
    """The sentence says that it was."""
    chosen, why = match(run(5, serial=None), dark_set(serial=None))
    assert chosen is not None
    assert "matched by its model" in why


def test_lights_that_the_camera_has_subtracted_get_no_dark():
    """A dark must not be subtracted twice."""
    chosen, why = match(run(5, camera_subtracted=True), dark_set())
    assert chosen is None
    assert "the camera has taken its own dark" in why


def test_flats_match_lens_focal_length_and_aperture():
    """A flat of another aperture or focal length is no flat of this scene; ISO and exposure do not matter."""
    flats = [flat_set("open"), flat_set("stopped", f_number=4.0), flat_set("wide", focal_mm=14.0, lens="14 mm f/2.8")]
    assert match_flats(run(5), flats)[0].name == "open"
    assert match_flats(run(5, f_number=4.0), flats)[0].name == "stopped"
    chosen, why = match_flats(run(5, f_number=8.0), flats)
    assert chosen is None
    assert "another aperture" in why
    assert match_flats(run(5), []) == (None, "no flats were found")
    red = flat_set("red", filter="RED")
    assert match_flats(run(5, filter="Red"), [*flats, red])[0].name == "red"
    assert match_flats(run(5), [*flats, red])[0].name == "open"
    chosen, why = match_flats(run(5, filter="Blue"), [red])
    assert chosen is None
    assert "filter RED" in why
    assert why.endswith("another filter")
    assert [len(g) for g in group_flats([*red.frames, *flats[0].frames])] == [12, 12]
    assert set_prefix(red.frames).endswith("_red")
    assert [len(g) for g in group_flats([f for s in flats for f in s.frames])] == [12, 12, 12]


def undated(name, kind, count, **facts):
    return CalibrationSet(name, kind, tuple(clocked(frame(None, kind, f"{name}{n}", **facts) for n in range(count))))


def test_sets_of_an_unknown_night_come_after_those_of_a_known_one():
    """However many they are, and of whatever kind: focus and dust of another night may be others."""
    lights = run(5)
    flats = [flat_set("dated", 10), undated("undated", "flat", 12, exposure_s=0.01)]
    assert match_flats(lights, flats)[0].name == "dated"
    assert match_flats(lights, flats[1:])[0].name == "undated"
    biases = [bias_set("dated", 30), undated("undated", "bias", 40, exposure_s=1 / 4000)]
    assert match_bias(lights[0], biases).name == "dated"
    short = [dark_set("dated", exposure_s=0.01), undated("undated", "dark", 40, exposure_s=0.01)]
    assert match_flat_dark(flats[0], short)[0].name == "dated"
    long = [dark_set("dated", 40, exposure_s=60.0), undated("undated", "dark", 44, exposure_s=60.0)]
    assert match_darks(lights, [*long, bias_set()], 0.03, 3.0).dark.name == "dated"


def test_darks_of_another_exposure_are_scaled_with_a_bias_and_refused_without():
    """With biases of the same camera and ISO the set that needs least is taken, and the sentence states its cost."""
    lights = run(5, temperature_c=20.0)
    long, short = dark_set("long", exposure_s=60.0, temperature_c=20.0), dark_set("short", exposure_s=8.0)
    chosen, why = match(lights, long, short)
    assert chosen is None
    assert "another exposure; with bias frames of this camera and ISO they could be scaled" in why
    found = match_darks(lights, [long, short, bias_set()], 0.03, 3.0)
    assert (found.dark.name, found.bias.name) == ("long", "b")
    assert "about 0.5 times, without its bias (12 biases of 1/4000 s" in found.why
    assert "its noise in a light is 0.14 times a dark's" in found.why
    assert match_darks(lights, [long, bias_set(iso=800)], 0.03, 3.0).dark is None
    # fifteen times is too much to ask of pixels that follow temperature each in its own way
    far = match_darks(lights, [dark_set(exposure_s=2.0, temperature_c=20.0), bias_set()], 0.03, 3.0)
    assert far.dark is None
    assert far.bias.name == "b"
    assert "12 biases of 1/4000 s" in far.why
    # another temperature is scaled just so
    cold = match_darks(lights, [dark_set("cold", temperature_c=12.0), bias_set()], 0.03, 3.0)
    assert cold.dark.name == "cold"
    assert "about 2.5 times" in cold.why


def cooling(*celsius):
    return [frame for n, c in enumerate(celsius) for frame in run(1, begin_s=66.0 * n, temperature_c=c)]


def test_darks_of_two_temperatures_serve_lights_that_cool_from_one_to_the_other():
    """Lights from 25 to 15 degrees: sets at 24 and 13 together, biases or not; the sentence says what was done."""
    lights = cooling(25.0, 22.0, 19.0, 17.0, 15.0)
    warm, cold = dark_set("warm", 10, temperature_c=24.0), dark_set("cold", 10, temperature_c=13.0, begin_s=NIGHT)
    for more in ([], [bias_set()], [dark_set("far", 40, temperature_c=2.0)], [dark_set("few", 2, temperature_c=16.0)]):
        found = match_darks(lights, [warm, cold, *more], 0.03, 3.0)
        assert (found.dark.name, found.bias.name) == ("warm", "cold")
    assert "at 24 °C" in found.why
    assert "10 darks at 13 °C, of 1 night before or after, for lights whose sensor was at 25 to 15 °C" in found.why
    # (2 ** (12 / 6) - 1) / (2 ** (11 / 6) - 1) and (2 ** (2 / 6) - 1) / (2 ** (11 / 6) - 1): check-values.md, 5
    assert "about 1.17 to 0.10" in found.why
    # a set half way fits, but not the first and the last: all take their share of the two
    middle = match_darks(lights, [warm, cold, dark_set("middle", temperature_c=19.0)], 0.03, 3.0)
    assert (middle.dark.name, middle.bias.name) == ("warm", "cold")
    assert "12 darks at 19 °C, between these, are not taken: the two leave no more" in middle.why
    # two that hardly differ would bring more noise than they spare: the nearest alone
    alike = [dark_set("12", 10, temperature_c=12.0), dark_set("14", 10, temperature_c=14.0)]
    assert match_darks(cooling(16.0, 14.0, 13.0, 10.5), alike, 0.03, 3.0).bias is None
    # of one temperature the lights need one set
    assert match_darks(cooling(24.5, 23.0), [warm, cold], 0.03, 3.0).bias is None


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("biases", [0, 1])
def test_one_or_two_darks_serve_beside_more(number, biases):
    """Lights of 21 to 18 degrees between 30 darks at 13 and one or two at 24, either way round: both sets are taken,
    and the sentence says what the few are held against; lights that one set fits all along take that alone."""
    lights, more = cooling(21.0, 20.0, 19.0, 18.0), [bias_set()] * biases
    for many_at, few_at in ((13.0, 24.0), (24.0, 13.0)):
        many, few = dark_set("many", 30, temperature_c=many_at), dark_set("few", number, temperature_c=few_at)
        found = match_darks(lights, [many, few, *more], 0.03, 3.0)
        assert {found.dark.name, found.bias.name} == {"many", "few"}
        of, it = ("1 dark", "it") if number == 1 else ("2 darks", "them")
        assert (
            f"only {of} at {few_at:.0f} °C: what single pixels of {it} show is held against 30 at {many_at:.0f} °C"
            in (found.why)
        )
        alone = match_darks(cooling(many_at, many_at + 1), [many, few], 0.03, 3.0)
        assert (alone.dark.name, alone.bias) == ("many", None)
    # of three or more there is less to say, and nothing where none are more
    few = [dark_set("a", 2, temperature_c=24.0), dark_set("b", 2, temperature_c=13.0)]
    why = match_darks(lights, few, 0.03, 3.0).why
    assert "only 2 darks at 24 °C: their noise goes into the picture, and there are no more to tell hits in them" in why
    assert "only 2 darks at 13 °C: what single pixels of them show is held against 2 at 24 °C" in why


def test_sets_of_one_or_two_darks_do_not_stand_before_larger_ones():
    """Where two larger sets reach as far, they serve, though the small one is nearer; where they do not, it does."""
    warm, cold = dark_set("warm", 10, temperature_c=24.0), dark_set("cold", 10, temperature_c=13.0)
    few = dark_set("few", 2, temperature_c=17.0)
    found = match_darks(cooling(23.0, 20.0, 18.0), [warm, cold, few], 0.03, 3.0)
    assert (found.dark.name, found.bias.name) == ("warm", "cold")
    far = dark_set("far", 2, temperature_c=29.0)
    found = match_darks(cooling(28.0, 27.0, 26.0, 18.0), [warm, cold, far], 0.03, 3.0)
    assert (found.dark.name, found.bias.name) == ("far", "cold")


def test_of_three_sets_the_middle_one_tells_the_outer_ones_pixels():
    """Few darks at 8 and at 24 degrees are held against many at 16, and not against one another; many are not held."""
    cold, middle, warm = (
        dark_set(n, k, temperature_c=c) for n, k, c in (("c", 3, 8.0), ("m", 40, 16.0), ("w", 8, 24.0))
    )
    sets = [cold, middle, warm, bias_set()]
    assert [getattr(held_against(s, sets, 0.03), "name", None) for s in sets] == ["m", None, "m", None]
    found = match_darks(cooling(22.0, 16.0, 10.0), sets, 0.03, 3.0)
    assert (found.dark.name, found.bias.name) == ("w", "c")
    assert "3 darks at 8 °C: what single pixels of them show is held against 40 at 16 °C" in found.why
    # other bodies, ISOs and exposures tell nothing; nor do hardly more
    for others in ({"serial": "9"}, {"iso": 800}, {"exposure_s": 60.0}, {"count": 5}):
        assert held_against(cold, [cold, dark_set("o", **{"count": 40, "temperature_c": 16.0, **others})], 0.03) is None


def test_no_two_sets_are_held_against_one_another():
    """Of one number the colder are held against the warmer, whatever is known of them; a ring would never be made."""
    sets = [dark_set(f"s{n}", 1 + n % 2, temperature_c=c) for n, c in enumerate((9.0, 20.0, None, 14.0, 9.0, None))]
    against = {s.name: getattr(held_against(s, sets, 0.03), "name", None) for s in sets}
    for name in against:
        seen = []
        while name is not None:
            assert name not in seen
            seen.append(name)
            name = against[name]
    assert list(against.values()).count(None) == 1


def nights(*celsius, count=10, **facts):
    """Lights of one night after another, and each night's own darks, a little colder at the night's end."""
    lights = [f for n, c in enumerate(celsius) for f in run(count, begin_s=n * NIGHT, temperature_c=c, **facts)]
    return lights, [dark_set(f"d{n}", 8, 9000.0 + n * NIGHT, temperature_c=c) for n, c in enumerate(celsius)]


@pytest.mark.parametrize("celsius", [(20.0, 17.0), (17.0, 20.0), (20.0, 16.0), (20.0, 8.0), (20.0, 14.0, 8.0)])
@pytest.mark.parametrize("biases", [0, 1])
def test_lights_of_several_nights_take_each_what_its_own_temperature_asks_for(celsius, biases):
    """A scene made by hand of warm and cold nights: the warmest darks and the coldest, even within the tolerance."""
    lights, darks = nights(*celsius)
    found = match_darks(lights, [*darks, *[bias_set()] * biases], 0.03, 3.0)
    assert (found.dark.temperature_c, found.bias.temperature_c) == (max(celsius), min(celsius))
    assert f"of the night of 10 of these {len(lights)} lights" in found.why
    # of one night there is nothing to share
    assert match_darks(lights[:10], darks, 0.03, 3.0).dark.name == "d0"
    assert match_darks(lights[:10], darks, 0.03, 3.0).bias is None


def test_a_set_that_fits_half_of_the_lights_is_not_refused():
    """Where other darks are too near to these to serve beside them, those that are left fit their own half, and it is
    said."""
    lights, (warm, _) = nights(20.0, 12.0)
    near = dark_set("near", 8, 9000.0 + NIGHT, temperature_c=18.0)
    found = match_darks(lights, [warm, near], 0.03, 3.0)
    assert (found.dark.name, found.bias) == ("near", None)
    # 2 ** (2 / 6) and 2 ** (-6 / 6), dark current doubling every 6 degrees (check-values.md, 5)
    assert "at 20 to 12 °C: they have about 1.3 to 0.5 times their dark signal" in found.why
    assert "8 darks at 20 °C are nearer to 10 of the lights, but left out for the noise" in found.why
    # where they fit but a third they are refused
    assert match_darks(lights[5:], [warm], 0.03, 3.0).lacking == "another sensor temperature"


def test_without_temperatures_the_darks_of_other_nights_are_said_to_be_left_out():
    """No file tells which of two nights was the warmer one."""
    lights, darks = nights(None, None)
    found = match_darks(lights, darks, 0.03, 3.0)
    assert (found.dark.name, found.bias) == ("d0", None)
    assert "8 darks of the other lights' nights left out, as no file tells which were the warmer ones" in found.why


def test_two_sets_too_near_one_another_serve_no_lights_far_from_both():
    """Their difference is hardly more than its noise: with biases one is scaled, without it is said what is lacking."""
    lights = cooling(12.0, 11.0, 10.0)
    near = [dark_set("a", temperature_c=24.0), dark_set("b", temperature_c=20.0)]
    found = match_darks(lights, near, 0.03, 3.0)
    assert (found.dark, found.bias, found.lacking) == (None, None, "another sensor temperature")
    assert "these lights are 30 s at ISO 1600 at 12 to 10 °C" in found.why
    assert match_darks(lights, [*near, bias_set()], 0.03, 3.0).bias.name == "b"
    # a little beyond two that differ enough: the share is below nothing
    beyond = match_darks(lights, [near[0], dark_set("c", temperature_c=16.0)], 0.03, 3.0)
    assert (beyond.dark.name, beyond.bias.name) == ("a", "c")


def test_a_bias_goes_with_darks_that_fit():
    """With a bias the fitting dark is scaled without it; camera-subtracted lights get neither."""
    found = match_darks(run(5), [dark_set("right"), bias_set("far", begin_s=9 * NIGHT), bias_set("near")], 0.03, 3.0)
    assert (found.dark.name, found.bias.name) == ("right", "near")
    assert "scaled to each light without its bias" in found.why
    found = match_darks(run(5, camera_subtracted=True), [dark_set(), bias_set()], 0.03, 3.0)
    assert (found.dark, found.bias) == (None, None)
    assert match_bias(run(1)[0], [bias_set(serial="9")]) is None


def test_what_is_taken_off_flats():
    """Darks of about their exposure and of their ISO first, then a bias, else the header's black level."""
    flats = flat_set(exposure_s=0.02, iso=100)
    own, far = dark_set("own", exposure_s=0.025, iso=100), dark_set("far", exposure_s=1.0, iso=100)
    bias = bias_set(iso=100)
    assert match_flat_dark(flats, [far, bias, own])[0].name == "own"
    chosen, why = match_flat_dark(flats, [far, bias, bias_set("other", iso=1600)])
    assert chosen.name == "b"
    assert why.startswith("less 12 biases of 1/4000 s at ISO 100")
    assert match_flat_dark(flats, [far])[1].startswith("less the header's black level")


def test_why_no_flat_fits():
    """The sentence names both lenses and apertures, and what keeps them apart."""
    chosen, why = match_flats(run(5), [flat_set(lens="35 mm f/2", focal_mm=35.0)])
    assert chosen is None
    assert why == (
        "no flats fit: 12 flats of 35 mm f/2 at 35 mm, f/2.8, 6000 x 4000, camera Varno N1 20417, "
        "but these lights are of 24 mm f/2.8 at 24 mm, f/2.8, 6000 x 4000, camera Varno N1 20417: another lens"
    )
    assert "another image size" in match_flats(run(5), [flat_set(width=3000)])[1]
    assert "another camera" in match_flats(run(5), [flat_set(serial="9")])[1]


def test_what_a_scene_needs_reaches_as_far_as_its_masters_are_made_with():
    """Flats less few darks, which are held against more: the jobs of all are the scene's."""
    sets = {
        "flat": {"batches": ["f"], "dark_set": "few"},
        "few": {"batches": ["w"], "dark_set": "many"},
        "many": {"batches": ["m"], "dark_set": None},
        "other": {"batches": ["o"], "dark_set": "few"},
    }
    scene = {"batches": ["s"], "dark_set": None, "bias_set": None, "flat_set": "flat"}
    found = names_of({"scenes": {"scene": scene}, "sets": sets}, "scene")
    assert found == {"scene", "s", "flat", "f", "few", "w", "many", "m"}
