"""Settings: one source, clear sentences."""

from pathlib import Path

import pytest
import yaml

from pipeline.config import SECTIONS, Trip, commented_defaults, load_trip, parse_trip
from pipeline.errors import SettingsError
from pipeline.files import read_json

ROOT = Path(__file__).parents[1]


def test_written_defaults_and_schema_are_those_of_the_code():
    """`config/` holds what `python -m pipeline.config` writes."""
    assert (ROOT / "config" / "defaults.yaml").read_text(encoding="utf-8") == commented_defaults()
    assert read_json(ROOT / "config" / "schema.json") == Trip.model_json_schema(by_alias=True)


def test_commented_defaults_are_a_trip_file_that_changes_nothing():
    """The commented defaults, read as a trip file, give the defaults."""
    assert parse_trip(commented_defaults()) == Trip()


def test_every_setting_says_what_it_means():
    """Every key of every section has a description."""
    for name in SECTIONS:
        info = Trip.model_fields["register_" if name == "register" else name]
        for key, setting in info.annotation.model_fields.items():
            assert setting.description, f"{name}.{key}"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("frmes: [a]", r"trip.yaml: frmes: unknown key; known here: frames, darks"),
        ("grade: {stars: 3}", r"grade.stars: unknown key; known here: .*stars_max"),
        (
            "grade: {detection_sigma: 1}",
            r"detection_sigma: must be at least 2 and at most 50 \(got 1\): a star rises this",
        ),
        (
            "site: {latitude: 95}",
            r"site.latitude: must be at least -90 and at most 90 \(got 95\): degrees, north positive",
        ),
        ("judge: {clear_min: 1}", r"judge.clear_min: must be above 0 and below 1 \(got 1\)"),
        ("register: {stars: 1e9}", r"register.stars: must be at least 20 and at most 10000 \(got 1000000000.0\)"),
        ("grade: {stars_max: many}", r"grade.stars_max: must be a whole number.* \(got 'many'\)"),
        ("judge: {mount: rail}", r"judge.mount: must be 'auto', 'tripod' or 'tracker' \(got 'rail'\)"),
        ("frames: raw", r"frames: must be a list \(got 'raw'\); in brackets: \[raw\]"),
        ("frames: []", r"^trip.yaml: frames: names no folder; name one that holds frames, as in 'frames: \[raw\]'$"),
        ("inventory: {overlap: .nan}", r"inventory.overlap: must be a finite number \(got nan\)"),
        ("scenes: {'../x': {}}", r"scenes.\.\./x: a scene's name becomes a folder"),
        ("scenes: {a: {frms: [x]}}", r"scenes.a.frms: unknown key; known here: frames, title"),
        ("frames: [a]\nframes: [b]", r"line 2: not valid YAML \(the key 'frames' stands twice\)"),
        ("frames: [a", r"line 1: not valid YAML"),
        ("limits: {keep_mb: !!int ''}", r"holds a number that cannot be"),
        ("combine: {star_trails: !!bool yes please}", r"holds a number that cannot be"),
        ("- a", r"^trip.yaml: holds a list; it must hold keys and their values, as in 'frames: \[raw\]'$"),
        ("raw", r"^trip.yaml: holds nothing but 'raw'; it must hold keys"),
        ("combine: {clip_sigma: 3,5}", r"line 1: .*\(clip_sigma: numbers take a point, not a comma: 3.5, not 3,5\)"),
        ("site: {longitude: 9, latitude: -47,08}", r"line 1: .*\(latitude: numbers take a point.*: -47.08, not -47,08"),
        ("site:\n  latitude: 47,5", r"trip.yaml: site.latitude: numbers take a point, not a comma: 47.5, not 47,5"),
        ("site: {1: 2}", r"site.1: a key must be a name \(got 1\)"),
        ("keep: [1]", r'keep.0: must be a string \(got 1\); YAML reads .* put it in quotes, "1"'),
        ("2026-08-14: x", r"^trip.yaml: 2026-08-14: unknown key; known here: frames"),
        ("site: {2026-08-14: 3}", r"site.2026-08-14: unknown key"),
        ("true: x", r"^trip.yaml: true: a key must be a name \(got true\)"),
        ("site: {utc_offset_hours: 2:00}", r"site.utc_offset_hours: must be a number \(got 2:00\); write 2$"),
        ("site: {utc_offset_hours: -3:30}", r"site.utc_offset_hours: .*\(got -3:30\); write -3.5$"),
        ("site: {latitude: 1:00}", r"site.latitude: must be a number \(got 1:00\); write 1$"),
        ("combine: {star_trails: maybe}", r"combine.star_trails: must be true or false \(got 'maybe'\)$"),
        ("combine: {star_trails: 3}", r"combine.star_trails: must be true or false \(got 3\)$"),
        ("site: {utc_offset_hours: 2026-08-14}", r"must be a number \(got '2026-08-14'\)$"),
    ],
)
def test_a_wrong_key_type_or_value_is_named_with_what_is_allowed(text, sentence):
    """The sentence names the key's path, the value and the rule."""
    with pytest.raises(SettingsError, match=sentence):
        parse_trip(text)


def test_a_trip_file_overrides_only_what_it_names():
    """Other keys of the same section keep their defaults."""
    trip = parse_trip(yaml.safe_dump({"combine": {"clip_sigma": 4.0}, "register": {"stars": 300}, "site": None}))
    assert trip.combine.clip_sigma == 4.0
    assert trip.register_.stars == 300
    assert trip.register_.rms_max_px == Trip().register_.rms_max_px
    assert trip.grade == Trip().grade


def test_numbers_with_an_exponent_are_numbers():
    """YAML 1.1 takes them for text where they have no point or no sign."""
    trip = parse_trip(
        "combine: {clip_sigma: 4e0}\nlimits: {memory_mb: 1e3, scratch_mb: 2.5E4}\nsite: {latitude: -4e+1}"
    )
    assert (trip.combine.clip_sigma, trip.limits.memory_mb, trip.limits.scratch_mb) == (4.0, 1000, 25000)
    assert trip.site.latitude == -40.0
    assert parse_trip("drop: [12e4]").drop == ["12e4"]


def test_a_missing_or_unreadable_trip_file_is_said(tmp_path):
    """No file, a folder in its place, and bytes that are no UTF-8."""
    with pytest.raises(SettingsError, match="there is no trip file; 'moonless start FOLDER' writes one"):
        load_trip(tmp_path)
    (tmp_path / "trip.yaml").write_bytes(b"frames: [\xff]")
    with pytest.raises(SettingsError, match="is not UTF-8 text"):
        load_trip(tmp_path)
    (tmp_path / "trip.yaml").unlink()
    (tmp_path / "trip.yaml").mkdir()
    with pytest.raises(SettingsError, match="cannot be read"):
        load_trip(tmp_path)


def test_dates_and_times_are_names_as_they_are_written():
    """YAML 1.1 would make a date of one and 150 of the other."""
    assert parse_trip("frames: [raw]\nkeep: [2026-08-14, 2:30]").keep == ["2026-08-14", "2:30"]
