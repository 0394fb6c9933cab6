"""The step summarise: the contract's tables and JSON, pages that escape, trips on which much went wrong."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from scipy.spatial.transform import Rotation

from pipeline import summarise
from pipeline.files import read_json, shown, write_json
from pipeline.pages.facts import dark_facts
from pipeline.pages.frametable import CONTRACT_COLUMNS, frame_rows
from pipeline.plan import DarkSet, Look, PlannedFrame, ScenePlan, read_scene, write_plan
from pipeline.run.night import _of_no_use
from pipeline.scene.records import file_names, read_scene_record
from pipeline.tables import read_table, table_from_rows, write_table

HOSTILE = [
    '<script>alert("x")</script>.dng',
    "' onerror='alert(1)",
    'a&amp;b "q" .dng',
    "new\nline.dng",
    "bytes\udcff.dng",
    "-rf {0} $(x) `y`.dng",
    "{{ 7*7 }}{% raw %}.dng",
    "\u202egnd.exe",
]
CONTRACT = [
    "frame",
    "file",
    "taken",
    "exposure_s",
    "iso",
    "f_number",
    "focal_mm",
    "temperature_c",
    "stars",
    "fwhm_px",
    "motion_px",
    "motion_angle_deg",
    "motion_expected_px",
    "lens_ellipticity",
    "sky_e_s",
    "sky_mag_arcsec2",
    "transparency",
    "cloud_fraction",
    "saturated_fraction",
    "streaks",
    "registration_rms_px",
    "verdict",
    "reasons",
]
CONTRACT_KEYS = [
    "scene",
    "reference_file",
    "frames_found",
    "frames_kept",
    "exposure_total_s",
    "pixel_scale_arcsec",
    "centre_ra_deg",
    "centre_dec_deg",
    "constellation",
    "title",
    "fwhm_px_frames",
    "fwhm_px_combined",
    "size_ratio",
    "registration_rms_px",
    "noise_frame",
    "noise_combined",
    "noise_expected",
    "noise_ratio",
    "noise_curve",
    "sky_mag_arcsec2",
    "motion_px",
    "motion_expected_px",
    "darks",
    "hot_pixels",
    "versions",
    "settings",
]


def frames(count: int, names: list[str] | None = None) -> tuple[PlannedFrame, ...]:
    return tuple(
        PlannedFrame(
            id=f"20260814T2215{n:02d}-{n:08x}",
            file=f"/raw/{(names or [])[n] if names and n < len(names) else f'frame {n}.dng'}",
            shown=shown((names or [])[n] if names and n < len(names) else f"frame {n}.dng"),
            kind="light",
            taken=f"2026-08-14T22:15:{n:02d}",
            utc=True,
            exposure_s=13.0,
            iso=3200,
            f_number=2.8,
            focal_mm=24.0,
        )
        for n in range(count)
    )


def verdict_rows(lights: tuple[PlannedFrame, ...], aside: dict[int, str]) -> list[dict[str, Any]]:
    return [
        {
            "frame": frame.id,
            "stars": 900 + n,
            "fwhm_px": 2.5 + 0.01 * n,
            "motion_px": 5.1,
            "motion_expected_px": 5.2,
            "sky_e_s": 41.0,
            "transparency": 0.99,
            "streaks": 1 if n == 0 else 0,
            "verdict": "set aside" if n in aside else "kept",
            "reasons": aside.get(n, ""),
            "margin": 1.7 if n in aside else 0.4,
            "detail": "motion 9.1 px, at most 6.4 px" if n in aside else "closest: 9 stars found; at least 8",
        }
        for n, frame in enumerate(lights)
    ]


def plant(
    project: Path, *, count: int = 8, aside: dict[int, str] | None = None, names: list[str] | None = None
) -> Path:
    """A project in which a scene `s-a` was made, one `s-b` failed, and nothing is known of one `s-c`."""
    lights = frames(count, names)
    scenes = [
        ScenePlan(
            "s-a", ("b1",), lights, dark_set="d1", dark_why="4 darks of the same night", look=Look(), notes=("a note",)
        ),
        ScenePlan("s-b", ("b2",), frames(3)),
        ScenePlan("s-c", ("b3",), frames(2)),
    ]
    write_plan(project / "work" / "plan", [], scenes, [DarkSet("d1", "dark", ("bd",), ())])
    (project / "trip.yaml").write_text("frames: [raw]\ncombine: {clip_sigma: 4.0}\n")
    here, results = project / "work" / "scenes" / "s-a", project / "results" / "s-a"
    columns = {**CONTRACT_COLUMNS, "margin": (float, None), "detail": (str, None)}
    columns["sky_e_s"] = (float, "electron / s")
    rows = verdict_rows(lights, {1: "trailed", 2: "cloud; bright sky"} if aside is None else aside)
    here.mkdir(parents=True)
    results.mkdir(parents=True)
    write_table(table_from_rows(rows, columns), here / "verdicts.ecsv")
    kept = [row["frame"] for row in rows if row["verdict"] == "kept"]
    attitude = Rotation.from_euler("zyx", [30, -20, 10], degrees=True)
    write_json(
        here / "geometry.json",
        {
            "reference": kept[0] if kept else None,
            "solved": True,
            "camera": {"focal_px": 24 / 4.39e-3, "centre_x": 149.5, "centre_y": 99.5, "width": 300, "height": 200},
            "frames": {
                name: {"attitude": attitude.as_quat(scalar_first=True).tolist(), "rms_px": 0.08, "flux_scale": 1.0}
                for name in kept[:-1]
            },
            "left_out": {kept[-1]: "4 of its 40 stars match"} if kept else {},
        },
    )
    write_json(
        here / "combine.json",
        {
            "noise_frame": 12.0,
            "noise_combined": 6.1,
            "noise_expected": 6.0,
            "noise_ratio": 6.1 / 6.0,
            "noise_curve": [[1, 12.0], [2, 8.5], [4, 6.1]],
            "fwhm_px_combined": 2.55,
            "size_ratio": 1.01,
            "frames": {name: {"weight": 1.0, "rejected_share": 0.004} for name in kept[:-1]},
            "bunit": "adu",
        },
    )
    write_json(here / "finish.json", {"space": "ITU-R BT.2020", "codes_per_sigma": [20.0, 21.0, 22.0]})
    write_table(
        table_from_rows(
            [{"frame": name, "dark_scale": 1.01, "dark_offset": 0.2} for name in kept],
            {"frame": (str, None), "dark_scale": (float, None), "dark_offset": (float, "adu")},
        ),
        here / "calibration.ecsv",
    )
    defects = np.zeros((20, 30), np.uint8)
    defects[3, 4:9] = 1
    fits.PrimaryHDU(defects).writeto(here / "defects.fits")
    header = fits.Header({"NFRAMES": 4, "EXPTIME": 13.0, "ISOSPEED": 3200, "CCD-TEMP": 11.5, "NLEFTOUT": 1})
    (project / "work" / "darks").mkdir()
    fits.PrimaryHDU(np.zeros((2, 2), np.float32), header).writeto(project / "work" / "darks" / "d1.fits")
    picture = fits.Header({"XPIXSZ": 4.39, "SATURATE": 15000.0})
    fits.PrimaryHDU(np.zeros((3, 2, 2), np.float32), picture).writeto(results / "combined.fits")
    for name in ("combined.tif", "preview.jpg"):
        (results / name).write_bytes(b"picture")
    write_json(
        project / "work" / "failures" / "register-s-b.json",
        {"step": "register", "name": "s-b", "scene": "s-b", "sentence": "s-b: <i>no</i> stars match"},
    )
    write_json(
        project / "work" / "timings" / "decode-b1.json",
        {
            "step": "decode",
            "name": "b1",
            "scene": None,
            "wall_s": 3.5,
            "begun": "2031-01-02T03:04:05+00:00",
            "units": 8,
        },
    )
    inventory = [
        *({"file": f.shown, "kind": "light", "scene": "s-a", "reason": "stars, 13 s"} for f in lights),
        {"file": "x.jpg", "kind": "companion", "reason": "beside its raw"},
    ]
    write_table(
        table_from_rows(
            inventory,
            dict.fromkeys(("file", "kind", "scene", "dark_set", "flat_set", "reason"), (str, None)),
            {"warnings": ["the clock stood still"]},
        ),
        project / "results" / "inventory.ecsv",
    )
    return project


def run_scene(project: Path, scene: str = "s-a") -> dict[str, Any]:
    plan = project / "work" / "plan" / "scenes" / f"{scene}.json"
    assert summarise.main(["scene", "--project", str(project), "--scene", str(plan)]) == 0
    content: dict[str, Any] = json.loads((project / "results" / scene / "scene.json").read_text())
    return content


def run_trip(project: Path) -> dict[str, Any]:
    assert summarise.main(["trip", "--project", str(project)]) == 0
    content: dict[str, Any] = json.loads((project / "results" / "trip.json").read_text())
    return content


class Page(HTMLParser):
    """What a browser would make of a page: its tags, links and text; unbalanced tags fail."""

    VOID = frozenset({"meta", "img", "br", "wbr", "hr", "link"})

    def __init__(self, path: Path) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.links: list[str] = []
        self.attributes: list[str] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))
        self.close()
        assert not self.open, f"not closed: {self.open}"
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        self.links += [value or "" for name, value in attrs if name in ("href", "src")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.words.append(data)


def test_the_page_of_a_monochrome_sensor_speaks_of_no_colours(tmp_path: Path) -> None:
    """Noise is measured in green where there is green; white balance and matrix are nothing that a single plane has."""
    project = plant(tmp_path)
    run_scene(project)
    page = project / "results" / "s-a" / "index.html"
    assert "16 px and more, green." in Page(page).text
    assert "white balance" in Page(page).text
    with fits.open(project / "results" / "s-a" / "combined.fits", mode="update") as hdus:
        hdus[0].header["COLORTYP"] = "MONO"
    write_json(project / "work" / "scenes" / "s-a" / "finish.json", {"mono": True, "codes_per_sigma": [20.0] * 3})
    run_scene(project)
    assert "16 px and more." in Page(page).text
    assert not re.search(r"\b(green|blue|white balance|colour matrix)\b", Page(page).text)


def test_frames_table_keeps_the_contract(tmp_path: Path) -> None:
    """The contract's columns in its order, one row a light, unknown figures masked, registration's word counted."""
    run_scene(plant(tmp_path))
    table = Table.read(tmp_path / "results" / "s-a" / "frames.ecsv", format="ascii.ecsv")
    assert table.colnames[: len(CONTRACT)] == CONTRACT
    assert len(table) == 8
    assert str(table["sky_e_s"].unit) == "electron / s"
    assert str(table["fwhm_px"].unit) == "pix"
    assert table["temperature_c"].mask.all()
    assert list(table["verdict"]) == ["kept", "set aside", "set aside", *["kept"] * 4, "set aside"]
    assert table["reasons"][7] == "not registered"
    assert table["detail"][7] == "4 of its 40 stars match"
    assert table["registration_rms_px"][0] == pytest.approx(0.08)
    assert table["registration_rms_px"].mask[1]
    assert list(table["file"][:1]) == ["frame 0.dng"]


def test_a_sky_with_the_pedestal_in_it_has_no_brightness(tmp_path: Path) -> None:
    """Where the camera's pedestal is left in the level, its magnitude is masked and not shown beside the warning."""
    project = plant(tmp_path)
    scene = project / "work" / "plan" / "scenes" / "s-a.json"
    record = replace(read_scene_record(project, scene), sky_zero={"magnitude": 21.0})
    assert frame_rows(record)[0]["sky_mag_arcsec2"] > 0
    record.calibration.meta["black_left"] = True
    rows = frame_rows(record)
    assert all(row.get("sky_mag_arcsec2") is None for row in rows)
    assert rows[0]["sky_e_s"] > 0


def test_scene_json_keeps_the_contract(tmp_path: Path) -> None:
    """Every key of the contract stands there with the planted figure, and what is unknown is null."""
    content = run_scene(plant(tmp_path))
    assert set(CONTRACT_KEYS) <= set(content)
    assert (content["frames_found"], content["frames_kept"]) == (8, 5)
    assert content["exposure_total_s"] == pytest.approx(65.0)
    assert content["fwhm_px_frames"] == pytest.approx(2.54)
    assert content["reference_file"] == "frame 0.dng"
    assert content["noise_ratio"] == pytest.approx(6.1 / 6.0)
    assert content["hot_pixels"] == 5
    assert content["sky_mag_arcsec2"] is None
    assert content["darks"]["number"] == 4
    assert content["darks"]["temperature_c"] == 11.5
    assert content["settings"]["combine"]["clip_sigma"] == 4.0
    assert content["versions"]["numpy"] == np.__version__
    assert content["frames_set_aside"] == {"trailed": 1, "cloud": 1, "bright sky": 1, "not registered": 1}
    assert content["pixel_scale_arcsec"] == pytest.approx(math.degrees(math.atan(4.39e-3 / 24)) * 3600)


def test_darks_of_two_temperatures_are_told_of(tmp_path: Path) -> None:
    """Both masters, both temperatures, what each frame took, and from where to where the sensor ran."""
    project = plant(tmp_path)
    path = project / "work" / "plan" / "scenes" / "s-a.json"
    plan = read_json(path)
    for n, frame in enumerate(plan["frames"]):
        frame["temperature_c"] = 12.0 - n
    write_json(path, plan | {"bias_set": "d0"})
    header = fits.Header({"NFRAMES": 6, "CCD-TEMP": 3.0, "IMAGETYP": "master dark", "BESIDE": "d1", "BSAPART": 46})
    fits.PrimaryHDU(np.zeros((2, 2), np.float32), header).writeto(project / "work" / "darks" / "d0.fits")
    table = read_table(project / "work" / "scenes" / "s-a" / "calibration.ecsv")
    table.meta |= {"dark_glow_scale": 0.62, "dark_glow_told": True, "dark_glow_adu": 33.0}
    write_table(table, project / "work" / "scenes" / "s-a" / "calibration.ecsv")
    told = run_scene(project)["darks"]
    assert (told["number"], told["set"], told["bias_set"], told["temperature_c"]) == (10, "d1", None, 11.5)
    assert told["held"] == [{"set": "d0", "against": "d1", "apart": 46, "why_not": None}]
    assert told["colder"] == {"set": "d0", "number": 6, "temperature_c": 3.0, "shares": [1.01, 1.01]}
    page = (project / "results" / "s-a" / "index.html").read_text().replace("\u202f", " ")
    for text in (
        "d1 and d0: 10 darks",
        "11.5 °C and 3.00 °C",
        "1.01 to 1.01 by frame",
        "0.62 (median), as both",
        "d0 against d1: 46 pixels",
        "5 °C to 12 °C",
    ):
        assert text in page, text


def test_the_colder_of_two_sets_is_told_of_alone_where_the_warmer_is_of_no_use(tmp_path: Path) -> None:
    """What each frame took off is theirs, scaled; the page said that nothing was subtracted."""
    project = plant(tmp_path)
    path = project / "work" / "plan" / "scenes" / "s-a.json"
    write_json(path, read_json(path) | {"bias_set": "d0"})
    darks = project / "work" / "darks"
    header = fits.Header({"NFRAMES": 6, "CCD-TEMP": 3.0, "IMAGETYP": "master dark", "OWNNOISE": 0.3})
    fits.PrimaryHDU(np.zeros((2, 2), np.float32), header).writeto(darks / "d0.fits")
    with fits.open(darks / "d1.fits", mode="update") as hdus:
        hdus[0].header["NFRAMES"] = 0
        hdus[0].header["UNUSABLE"] = "none of its 1 frames is usable; the first is shaded: light has come in"
    told = run_scene(project)["darks"]
    assert (told["used"], told["set"], told["number"], told["temperature_c"]) == (True, "d0", 6, 3.0)
    assert (told["colder"], told["bias_set"], told["own_noise"]) == (None, None, 0.3)
    page = (project / "results" / "s-a" / "index.html").read_text()
    assert "A master dark is subtracted" in page
    assert "Only the colder darks serve (d0), scaled to the lights" in page
    assert "light has come in" in page


def test_why_few_darks_are_not_held_against_others_is_told() -> None:
    """Of darks whose master was held against nothing the page gives the reason, not a number of pixels."""
    held = {"set": "d0", "against": "d1", "apart": None, "why_not": "none of those frames is usable"}
    darks = dict.fromkeys(("used", "colder", "why", "lights_temperature_c", "left_out_why", "bias_set"))
    none = {"used": False, "why": None, "left_out_why": {}}
    facts = dict(dark_facts({"darks": {**darks, "held": [held]}, "flats": none}))
    assert facts["few darks held against more"] == "not d0 against d1: none of those frames is usable"


def test_frames_set_aside_keep_their_heads_in_a_narrow_window(tmp_path: Path) -> None:
    """Where a row becomes a list each value carries its column's name (common practice); the longer table does not."""
    project = plant(tmp_path)
    run_scene(project)
    page = (project / "results" / "s-a" / "index.html").read_text()
    assert page.count('<td class="why" data-name="measured, and the limit">') == 3
    assert page.count("data-name=") == 3 * 9


def test_a_dark_left_out_is_called_by_its_file() -> None:
    """By its folder as well where two cards count alike, by its id where even that does not tell."""
    files = ("a/D1.dng", "b/D1.dng", "a/D2.dng", "x/c/D3.dng", "y/c/D3.dng")
    frames = [PlannedFrame(f"i{n}", f"/card/{file}", file[-6:], "dark") for n, file in enumerate(files)]
    assert list(file_names(frames).values()) == ["a/D1.dng", "b/D1.dng", "D2.dng", "i3", "i4"]


def test_what_decoding_found_of_no_use_is_told_in_one_place(tmp_path: Path) -> None:
    """A light and a dark that the card's sorting took for sound: counts, page, trip.json and terminal agree."""
    project = plant(tmp_path, aside={1: "unreadable", 2: "trailed"})
    light, dark = frames(8)[1], replace(frames(10)[9], shown="dark 9.dng", kind="dark")
    sound = replace(frames(9)[8], shown="dark 8.dng", kind="dark")
    plan = read_scene(project / "work" / "plan" / "scenes" / "s-a.json")
    write_plan(project / "work" / "plan", [], [plan], [DarkSet("d1", "dark", ("bd",), (sound, dark))])
    why = Table({"frame": [sound.id, dark.id], "why": ["", "could not be decoded: ends early"]})
    fits.append(project / "work" / "darks" / "d1.fits", np.array(why), fits.Header({"EXTNAME": "FRAMES"}))
    columns = dict.fromkeys(("file", "folder", "kind", "state", "id", "scene", "dark_set", "reason"), (str, None))
    rows = [{"file": f.shown, "folder": "raw", "kind": "light", "id": f.id, "scene": "s-a"} for f in plan.frames]
    rows += [{"file": f.shown, "folder": "raw", "kind": "dark", "id": f.id, "dark_set": "d1"} for f in (sound, dark)]
    write_table(table_from_rows(rows, columns), project / "results" / "inventory.ecsv")
    darks = run_scene(project)["darks"]
    assert darks["why"] == "4 darks of the same night; 1 of them is left out"
    content = run_trip(project)
    assert content["files"] == {"light": 7, "dark": 1, "unreadable": 2}
    assert content["unusable"] == [
        {"file": light.shown, "folder": "raw", "kind": "light", "why": "motion 9.1 px, at most 6.4 px"},
        {"file": "dark 9.dng", "folder": "raw", "kind": "dark", "why": "ends early"},
    ]
    text = Page(project / "results" / "index.html").text
    assert "10 files: 7 light, 1 dark, 2 unreadable." in text
    assert "of 2 files that they are of no use was found only when the frames were decoded" in text
    assert "dark 9.dng unreadable ends early" in text
    assert _of_no_use(project / "results" / "trip.json") == [
        "2 files could not be used:",
        f"  {light.shown} (light): motion 9.1 px, at most 6.4 px",
        "  dark 9.dng (dark): ends early",
    ]


def test_centre_and_constellation(tmp_path: Path) -> None:
    """The centre is where scipy's rotation says the middle of the reference looks; astropy names its constellation."""
    from astropy.coordinates import SkyCoord, get_constellation

    content = run_scene(plant(tmp_path))
    look = Rotation.from_euler("zyx", [30, -20, 10], degrees=True).inv().apply([0, 0, 1])
    assert content["centre_ra_deg"] == pytest.approx(math.degrees(math.atan2(look[1], look[0])) % 360, abs=1e-5)
    assert content["centre_dec_deg"] == pytest.approx(math.degrees(math.asin(look[2])), abs=1e-5)
    where = get_constellation(SkyCoord(content["centre_ra_deg"], content["centre_dec_deg"], unit="deg"))
    assert content["constellation"] == where
    assert content["title"] == f"{where}, 14 August 2026, 24\u202fmm"


def test_times_stand_in_timings_only(tmp_path: Path) -> None:
    """Wall seconds and dates of processing are in timings.json and in no other file."""
    run_scene(plant(tmp_path))
    folder = tmp_path / "results" / "s-a"
    timings = json.loads((folder / "timings.json").read_text())
    assert timings["steps"] == {"decode": 3.5}
    for path in folder.iterdir():
        if path.name != "timings.json":
            assert b"2031" not in path.read_bytes()


def test_same_input_same_bytes(tmp_path: Path) -> None:
    """Writing scene and trip twice, in two places, gives the same bytes."""
    held = []
    for name in ("one", "two"):
        project = plant(tmp_path / name)
        for _ in range(2):
            run_scene(project)
            run_trip(project)
        names = [f"s-a/{n}" for n in ("frames.ecsv", "scene.json", "index.html")] + ["trip.json", "index.html"]
        held.append({n: (project / "results" / n).read_bytes() for n in [*names, "s-b/not-made.html"]})
    assert held[0] == held[1]


def test_hostile_names_are_harmless(tmp_path: Path) -> None:
    """Names full of markup, quotes, newlines and templates appear as text; no tag or handler comes of them."""
    project = plant(tmp_path, names=HOSTILE)
    run_scene(project)
    run_trip(project)
    for path in (project / "results" / "s-a" / "index.html", project / "results" / "index.html"):
        page = Page(path)
        assert "script" not in page.tags
        assert "i" not in page.tags
        assert not [name for name in page.attributes if name.startswith("on")]
        assert all(link.startswith(("./", "../", "data:image/jpeg;base64,")) for link in page.links)
    text = Page(project / "results" / "s-a" / "index.html").text
    assert '<script>alert("x")</script>.dng' in text
    assert "new\\x0aline.dng" in text
    assert "bytes\\xff.dng" in text
    assert "{{ 7*7 }}" in text


def test_page_is_self_contained_and_says_what_matters(tmp_path: Path) -> None:
    """No script, no outside address; verdicts with measured figure and limit, noise, darks, colour, advice, caution."""
    run_scene(plant(tmp_path))
    path = tmp_path / "results" / "s-a" / "index.html"
    page = Page(path)
    html = path.read_text(encoding="utf-8")
    assert not re.search(r"(?:src|href)=[\"']?(?:https?:)?//", html)
    assert "@import" not in html
    assert "url(" not in html
    for text in (
        "5 of 8\u202fframes were combined",
        "motion 9.1 px, at most 6.4 px",
        "not registered",
        "4 of its 40 stars match",
        "One frame has a noise of 12.0\u202fADU",
        "4\u202fdarks",
        "ITU-R BT.2020",
        "A note.",
        "combine.clip_sigma 4.0",
        "do not go alone",
    ):
        assert text.replace("\u202f", " ") in page.text, text
    assert page.tags.count("svg") >= 2


def test_failed_scenes_come_first_and_say_why(tmp_path: Path) -> None:
    """The trip lists what was not made before what was, with the sentence; each such scene has a page of its own."""
    project = plant(tmp_path)
    run_scene(project)
    content = run_trip(project)
    assert [(s["scene"], s["made"]) for s in content["scenes"]] == [("s-a", True), ("s-b", False), ("s-c", False)]
    assert content["scenes_made"] == 1
    assert content["scenes"][1]["failures"][0]["sentence"] == "s-b: <i>no</i> stars match"
    assert content["files"] == {"light": 8, "companion": 1}
    assert content["warnings"] == ["the clock stood still"]
    page = Page(project / "results" / "index.html").text
    assert page.index("s-b: <i>no</i> stars match") < page.index("5 of 8 frames kept")
    assert "the clock stood still" in page
    failed = Page(project / "results" / "s-b" / "not-made.html").text
    assert "could not be made" in failed
    assert "s-b: <i>no</i> stars match" in failed
    # an index.html, or timings, would tell the engine that the scene is done
    assert sorted(p.name for p in (project / "results" / "s-b").iterdir()) == [
        "frames.ecsv",
        "not-made.html",
        "scene.json",
    ]


def test_failures_are_of_what_the_plan_still_has(tmp_path: Path) -> None:
    """A failed batch of darks is its scene's; that of a batch which no plan has any more is nobody's."""
    project = plant(tmp_path / "p")
    for name in ("bd", "gone"):
        failure = {"step": "decode", "name": name, "scene": None, "sentence": f"{name} failed"}
        write_json(project / "work" / "failures" / f"decode-{name}.json", failure)
    content = run_trip(project)
    told = {scene["scene"]: [f["sentence"] for f in scene["failures"]] for scene in content["scenes"]}
    assert told["s-a"] == ["bd failed"]
    assert content["failures"] == []


def test_the_trips_page_shows_the_composite_where_there_is_one(tmp_path: Path) -> None:
    """Of a scene with land the trip's page shows the picture in which the land is sharp."""
    project = plant(tmp_path)
    run_scene(project)
    page = project / "results" / "index.html"
    run_trip(project)
    assert 'src="./s-a/preview.jpg"' in page.read_text()
    (project / "results" / "s-a" / "composite.jpg").write_bytes(b"picture")
    run_trip(project)
    assert 'src="./s-a/composite.jpg"' in page.read_text()


def test_mended_scene_loses_its_page_of_failure(tmp_path: Path) -> None:
    """Once the scene is made, the page that said why not goes away and the trip says so."""
    project = plant(tmp_path)
    write_json(
        project / "work" / "failures" / "finish-s-a.json",
        {"step": "finish", "name": "s-a", "scene": "s-a", "sentence": "disk full"},
    )
    run_scene(project)
    assert run_trip(project)["scenes"][0]["made"] is False
    assert "earlier run" in Page(project / "results" / "s-a" / "not-made.html").text
    (project / "work" / "failures" / "finish-s-a.json").unlink()
    run_scene(project)
    assert run_trip(project)["scenes"][0]["made"] is True
    assert not (project / "results" / "s-a" / "not-made.html").exists()


@pytest.mark.parametrize(
    "gone", ["work/scenes", "work/darks", "work/failures", "results/inventory.ecsv", "work/plan", "trip.yaml"]
)
def test_trip_survives_missing_pieces(tmp_path: Path, gone: str) -> None:
    """Whatever a failed run left out, the trip's page is written and well formed."""
    import shutil

    project = plant(tmp_path)
    path = project / gone
    shutil.rmtree(path) if path.is_dir() else path.unlink()
    run_trip(project)
    Page(project / "results" / "index.html")


@pytest.mark.parametrize(
    "broken", ["verdicts.ecsv", "geometry.json", "combine.json", "finish.json", "calibration.ecsv", "defects.fits"]
)
def test_scene_survives_broken_pieces(tmp_path: Path, broken: str) -> None:
    """A file cut in the middle counts as missing: its figures are null, the page is written."""
    project = plant(tmp_path)
    path = project / "work" / "scenes" / "s-a" / broken
    path.write_bytes(path.read_bytes()[:23])
    content = run_scene(project)
    assert set(CONTRACT_KEYS) <= set(content)
    Page(project / "results" / "s-a" / "index.html")
    missing = {"verdicts.ecsv": "frames_kept", "geometry.json": "reference_file", "combine.json": "noise_combined"}
    if broken in missing:
        assert content[missing[broken]] is None


def test_empty_project(tmp_path: Path) -> None:
    """A project in which nothing was found gets a page that says so."""
    content = run_trip(tmp_path)
    assert content["scenes"] == []
    assert "No scene was found" in Page(tmp_path / "results" / "index.html").text


def test_the_page_of_one_frame_does_not_contradict_itself(tmp_path: Path) -> None:
    """It is not placed on itself to a thousandth of a pixel, and its noise is not unknown while a plane holds it."""
    geometry = plant(project := tmp_path, count=1, aside={}) / "work" / "scenes" / "s-a" / "geometry.json"
    told = json.loads(geometry.read_text())
    told["frames"] = {told["reference"]: {"attitude": [1, 0, 0, 0], "rms_px": 0.001, "flux_scale": 1.0}}
    geometry.write_text(json.dumps({**told, "left_out": {}}))
    combine = geometry.with_name("combine.json")
    noise = dict.fromkeys(("noise_frame", "noise_combined", "noise_expected", "noise_ratio"))
    vignetting = {"refused": "only 0 stars are seen in 3 frames and more"}
    combine.write_text(json.dumps({**json.loads(combine.read_text()), **noise, "vignetting": vignetting}))
    run_scene(project)
    text = Page(project / "results" / "s-a" / "index.html").text
    assert "One frame" in text or "one frame" in text
    for wrong in (
        "noise of this scene is not known",
        "frames placed to",
        "only 0 stars",
        "star by star",
        "minutes after",
    ):
        assert wrong not in text


@pytest.mark.parametrize(("count", "aside", "text"), [(1, {}, "could"), (2, {0: "cloud", 1: "cloud"}, "None of 2")])
def test_one_frame_and_none(tmp_path: Path, count: int, aside: dict[int, str], text: str) -> None:
    """A scene of one frame, and one with none left, are told as such without dividing by zero."""
    run_scene(plant(tmp_path, count=count, aside=aside))
    assert text in Page(tmp_path / "results" / "s-a" / "index.html").text


def test_results_of_no_scene_are_named(tmp_path: Path) -> None:
    """A folder of an earlier run that the plan no longer knows is named on the trip's page and left alone."""
    project = plant(tmp_path)
    write_json(project / "results" / "old <b>" / "scene.json", {})
    content = run_trip(project)
    assert content["results_of_no_scene"] == ["old <b>"]
    assert (project / "results" / "old <b>" / "scene.json").is_file()
    Page(project / "results" / "index.html")


def test_figures_that_are_not_numbers(tmp_path: Path) -> None:
    """NaN in a step's JSON is unknown, not written on."""
    project = plant(tmp_path)
    (project / "work" / "scenes" / "s-a" / "combine.json").write_text('{"noise_frame": NaN, "noise_curve": [[1, NaN]]}')
    content = run_scene(project)
    assert content["noise_frame"] is None
    assert "NaN" not in (project / "results" / "s-a" / "scene.json").read_text()


def test_step_needs_a_project(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --project, or with a plan that cannot be read: one sentence, status 1."""
    assert summarise.main(["trip"]) == 1
    assert "needs --project" in capsys.readouterr().err
    assert summarise.main(["scene", "--project", str(tmp_path), "--scene", str(tmp_path / "x.json")]) == 1
    assert "cannot be read as the plan of a scene" in capsys.readouterr().err


def test_thumbnails_are_held_in_the_page(tmp_path: Path) -> None:
    """A small picture that grading offers of a set aside frame stands in the page itself."""
    project = plant(tmp_path)
    frame = frames(8)[1].id
    (project / "work" / "thumbs").mkdir()
    (project / "work" / "thumbs" / f"{frame}.jpg").write_bytes(b"jpeg")
    record = read_scene_record(project, project / "work" / "plan" / "scenes" / "s-a.json")
    assert list(record.thumbs) == [frame]
    run_scene(project)
    page = Page(project / "results" / "s-a" / "index.html")
    assert "data:image/jpeg;base64,anBlZw==" in page.links


def test_trip_goes_on_without_a_scene_that_cannot_be_shown(tmp_path: Path) -> None:
    """A step's file full of the wrong things costs that scene its page, never the trip its own."""
    project = plant(tmp_path)
    wrong = {"frames": {frames(8)[0].id: {"weight": ["x"]}}}
    write_json(project / "work" / "scenes" / "s-a" / "combine.json", wrong)
    content = run_trip(project)
    assert content["scenes"][0]["page"] is None
    assert "cannot be shown" in content["scenes"][0]["failures"][-1]["sentence"]
    assert "cannot be shown" in Page(project / "results" / "index.html").text


@pytest.mark.parametrize("name", ["combine.json", "geometry.json", "finish.json"])
def test_nulls_are_unknown(tmp_path: Path, name: str) -> None:
    """A step's file in which every figure is null makes a page that says what is not known."""
    project = plant(tmp_path)
    path = project / "work" / "scenes" / "s-a" / name
    write_json(path, dict.fromkeys(json.loads(path.read_text())))
    run_scene(project)
    Page(project / "results" / "s-a" / "index.html")
