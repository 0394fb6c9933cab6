"""Every setting: its type, default, range and meaning. The commented defaults and the schema under `config/` are
written from here (`python -m pipeline.config`) and a test holds them to it."""

from __future__ import annotations

import argparse
import itertools
import math
import os
import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, get_args

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from pipeline.errors import SettingsError
from pipeline.files import shown, write_json, write_text

TRIP_FILE = "trip.yaml"
_EXPONENT = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)[eE][-+]?\d+")


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _numbers(cls, value: object, info: ValidationInfo) -> object:
        """A number in quotes is text, and true is no 1; but 1e3, which is text by YAML 1.1, is a number."""
        annotation = cls.model_fields[info.field_name or ""].annotation
        kinds = {*get_args(annotation), annotation}
        if kinds & {int, float} and isinstance(value, str) and str not in kinds and _EXPONENT.fullmatch(value):
            return float(value)
        if kinds & {int, float} and isinstance(value, str | bool) and type(value) not in kinds:
            raise PydanticCustomError("number", "must be a whole number" if int in kinds else "must be a number")
        return value


class Site(_Section):
    """Where the camera stood; optional, for altitude and refraction."""

    latitude: float | None = Field(None, ge=-90, le=90, description="degrees, north positive")
    longitude: float | None = Field(None, ge=-180, le=180, description="degrees, east positive")
    utc_offset_hours: float | None = Field(
        None, ge=-14, le=14, description="what the camera's clock showed minus UTC, where the frames do not say"
    )


class HandScene(_Section):
    """A scene made by hand."""

    frames: list[str] = Field(
        default_factory=list, description="names or patterns (*, ?) of the frames that belong to it"
    )
    title: str | None = Field(None, description="what to call it on its page")
    mask: str | None = Field(None, description="picture of its ground (see ground.mask)")
    ground_from: str | None = Field(
        None, description="name of a scene of untracked frames of the same view, whose land is put under this one's sky"
    )


class Limits(_Section):
    """What the run may use."""

    memory_mb: int = Field(1200, ge=300, le=1_000_000, description="memory of the largest job, MB")
    scratch_mb: int | None = Field(
        None, ge=100, description="disk space for scratch, MB; the run stops before it starts where a scene cannot fit"
    )
    keep_mb: int = Field(
        4000,
        ge=0,
        description="the mosaics of the scene made last stay for another run where they take no more than this, MB",
    )
    frames_per_job: int = Field(
        16, ge=1, le=256, description="frames that one job decodes and grades (of darks, biases and flats a quarter)"
    )


class InventorySettings(_Section):
    """Sorting the card."""

    pause_min: float = Field(30.0, gt=0, description="a pause longer than this begins a new scene, minutes")
    overlap: float = Field(
        0.6, gt=0, le=1, description="share of the frame that every frame has in common with its scene's reference"
    )
    temperature_tolerance_c: float = Field(
        3.0,
        gt=0,
        description="darks within this of the lights' sensor temperature match, where both are known, degrees C",
    )
    exposure_tolerance: float = Field(
        0.03, gt=0, le=0.5, description="darks whose exposure differs by less than this share match"
    )


class GradeSettings(_Section):
    """Finding and measuring stars."""

    detection_sigma: float = Field(
        5.0, ge=2, le=50, description="a star rises this many standard deviations of the noise above its sky"
    )
    stars_max: int = Field(3000, ge=50, le=100_000, description="the brightest stars that are measured in a frame")


class JudgeSettings(_Section):
    """Which frames are set aside."""

    mount: Literal["auto", "tripod", "tracker"] = Field(
        "auto", description="what was meant; auto tells it from the stars"
    )
    motion_max: float = Field(
        0.88,
        gt=0,
        le=20,
        description="trailed: the stars move during the exposure by more than this many of the scene's star widths "
        "(FWHM) beyond what the sky's turning and the scene's usual frames explain",
    )
    focus_max: float = Field(
        1.3, gt=1, le=10, description="out of focus: star width over that of the scene's sharp frames, motion taken out"
    )
    fwhm_max_px: float = Field(25.0, gt=1, le=200, description="out of focus whatever the scene: star width, px")
    clear_min: float = Field(
        0.75,
        gt=0,
        lt=1,
        description="a part of the sky that lets through less than this share of what the frame's clearest parts do is "
        "clouded; so is one 5 % below transparency_min",
    )
    cloud_max: float = Field(0.22, gt=0, le=1, description="cloud: more than this share of the sky is clouded")
    transparency_min: float = Field(
        0.7, gt=0, lt=1, description="cloud: the whole sky lets through less than this share of starlight"
    )
    extinction: float = Field(
        0.17,
        ge=0,
        le=1,
        description="magnitudes that clear air takes at the zenith, taken out where site, time and direction are "
        "known; from 0.13 to 0.20 the stars of a field that sinks or rises are asked instead",
    )
    sky_max: float = Field(
        4.0,
        gt=1,
        le=1000,
        description="bright sky: its level over that of the scene's dark frames, whole or a fifth of it "
        "(a tenth, at twice that)",
    )
    overexposed: float = Field(
        0.8, gt=0, le=1, description="overexposed: sky level above black, as a share of saturation"
    )
    saturated_max: float = Field(0.15, gt=0, le=1, description="overexposed: share of saturated pixels")
    stars_min: int = Field(12, ge=3, le=10_000, description="few stars: fewer than this are found")


class DarkSettings(_Section):
    """Dark frames and defective pixels."""

    hot_sigma: float = Field(
        6.0,
        ge=3,
        description="a pixel of the master dark this many standard deviations of one dark frame above its like is hot "
        "and repaired; one less so is subtracted",
    )


class RegisterSettings(_Section):
    """Placing frames on one another."""

    stars: int = Field(800, ge=20, le=10_000, description="brightest stars of a frame that the fit uses")
    rms_max_px: float = Field(
        1.0, gt=0, description="a frame whose stars miss their places by more than this is not registered, px"
    )


class GroundSettings(_Section):
    """Land in the picture."""

    find: bool = Field(True, description="look for ground; without it, and without a mask, a scene is all sky")
    mask: str | None = Field(
        None,
        description="PNG of the size of combined.tif, white where there is ground, black where there is sky; relative "
        "to the project folder; for one scene of several: scenes: {NAME: {mask: FILE}}",
    )


class CombineSettings(_Section):
    """Making one picture of many."""

    clip_sigma: float = Field(
        3.0, ge=1.5, le=20, description="a value this many standard deviations off the others is rejected"
    )
    weights: Literal["sky", "stars"] = Field(
        "sky",
        description="what frames are weighted for: the least noise of the sky (sky), or the most from stars: frames of "
        "larger stars then count for less (stars)",
    )
    star_trails: bool = Field(
        False, description="of a scene from a tripod, also a picture of the star trails (star_trails.tif), gaps filled"
    )
    meteors: Literal["reject", "keep"] = Field(
        "reject",
        description="streaks that are taken for meteors: rejected like all that passes, or laid back over the picture "
        "in their place among the stars (keep)",
    )
    meteor_frames: list[str] = Field(
        default_factory=list,
        description="frames (names or patterns) whose streaks stay too where they are not told for meteors: those that "
        "could not be named, or if there are none what was taken for satellites; aircraft do not",
    )
    vignetting: Literal["keep", "stars"] = Field(
        "keep",
        description="where no flats are given: the lens's fall-off towards the corners stays as it is (keep), or is "
        "divided out as far as stars that cross the field show it (stars); the page says when they do not",
    )


class FinishSettings(_Section):
    """The pictures."""

    preview_px: int = Field(2000, ge=200, le=20_000, description="long side of the preview, px")


class Trip(_Section):
    """A trip file."""

    frames: list[str] = Field(
        default_factory=lambda: ["raw"],
        min_length=1,
        description="folders, searched through; relative to the project folder or absolute",
    )
    darks: list[str] = Field(
        default_factory=list, description="further folders of darks, kept from other nights or trips"
    )
    flats: list[str] = Field(default_factory=list, description="folders of flats")
    roles: dict[str, Literal["light", "dark", "flat", "bias", "ignore"]] = Field(
        default_factory=dict, description="what the files of a folder are, by hand; wins over what their pixels show"
    )
    site: Site = Field(default_factory=Site)
    scenes: dict[str, HandScene] = Field(
        default_factory=dict, description="scenes made by hand: a folder name, its frames, a title"
    )
    keep: list[str] = Field(default_factory=list, description="frames (names or patterns) kept whatever their grade")
    drop: list[str] = Field(default_factory=list, description="frames (names or patterns) set aside by hand")
    limits: Limits = Field(default_factory=Limits)
    inventory: InventorySettings = Field(default_factory=InventorySettings)
    grade: GradeSettings = Field(default_factory=GradeSettings)
    judge: JudgeSettings = Field(default_factory=JudgeSettings)
    dark: DarkSettings = Field(default_factory=DarkSettings)
    register_: RegisterSettings = Field(default_factory=RegisterSettings, alias="register")
    ground: GroundSettings = Field(default_factory=GroundSettings)
    combine: CombineSettings = Field(default_factory=CombineSettings)
    finish: FinishSettings = Field(default_factory=FinishSettings)

    def section(self, step: str) -> dict[str, Any]:
        """The settings of one step as plain values."""
        return getattr(self, "register_" if step == "register" else step).model_dump()


SECTIONS = ("inventory", "grade", "judge", "dark", "register", "ground", "combine", "finish")


def load_trip(project: str | os.PathLike[str] | None) -> Trip:
    """Read and check `trip.yaml` of a project folder; the defaults where `project` is None.

    Raises
    ------
    SettingsError
        With the file, the key's path, the value and what is allowed.
    """
    if project is None:
        return Trip()
    path = Path(project) / TRIP_FILE
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise SettingsError(f"{shown(path)}: there is no trip file; 'moonless start FOLDER' writes one") from None
    except OSError as error:
        raise SettingsError(f"{shown(path)}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{shown(path)}: is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    return parse_trip(text, shown(path))


class _UniqueKeys(yaml.SafeLoader):
    """YAML in which a key given twice is an error, not a silent loss; and a decimal comma, which parts keys."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        seen = set()
        for (key, value), (after, nothing) in itertools.pairwise(node.value):
            parts = (value.value, after.value) if nothing.value == "" else ()
            if parts and all(isinstance(part, str) and re.fullmatch(r"[-+]?\d+", part) for part in parts):
                raise yaml.constructor.ConstructorError(
                    None, None, f"{key.value}: {_comma_said(','.join(parts))}", after.start_mark
                )
        for key_node, _ in node.value:
            key = self.construct_object(key_node, deep=True)
            if isinstance(key, str) and key in seen:
                raise yaml.constructor.ConstructorError(
                    None, None, f"the key {key!r} stands twice", key_node.start_mark
                )
            if isinstance(key, str):
                seen.add(key)
        return super().construct_mapping(node, deep)


def _as_written(loader: _UniqueKeys, node: yaml.ScalarNode) -> str:
    """The text of a value, for what YAML 1.1 would turn into something else that nobody means: a date, or 2:00 into
    120."""
    return str(loader.construct_scalar(node))


def _whole(loader: _UniqueKeys, node: yaml.ScalarNode) -> int | str:
    return _as_written(loader, node) if ":" in node.value else loader.construct_yaml_int(node)


def _broken(loader: _UniqueKeys, node: yaml.ScalarNode) -> float | str:
    return _as_written(loader, node) if ":" in node.value else loader.construct_yaml_float(node)


_UniqueKeys.add_constructor("tag:yaml.org,2002:timestamp", _as_written)
_UniqueKeys.add_constructor("tag:yaml.org,2002:int", _whole)
_UniqueKeys.add_constructor("tag:yaml.org,2002:float", _broken)


def parse_trip(text: str, name: str = TRIP_FILE) -> Trip:
    """Check the text of a trip file.

    Raises
    ------
    SettingsError
        As `load_trip`.
    """
    try:
        content = yaml.load(text, _UniqueKeys)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f", line {mark.line + 1}" if mark is not None else ""
        problem = _plainly(error)
        raise SettingsError(f"{name}{where}: not valid YAML ({problem})") from error
    except RecursionError:
        raise SettingsError(f"{name}: is nested too deeply; a trip file has three levels at most") from None
    except (ValueError, KeyError, IndexError) as error:  # what YAML takes for a number, or is told is one, and is none
        why = "more digits than any number here has" if "digits" in str(error) else error
        raise SettingsError(
            f"{name}: holds a number that cannot be ({why}); put quotes about what is meant as text"
        ) from None
    if content is None:
        content = {}
    if not isinstance(content, Mapping):
        what = "a list" if isinstance(content, list) else f"nothing but {shown(repr(content))[:60]}"
        raise SettingsError(f"{name}: holds {what}; it must hold keys and their values, as in 'frames: [raw]'")
    # a section written without a value ("site:") means its defaults
    content = {key: value for key, value in content.items() if value is not None}
    try:
        trip = Trip.model_validate(content)
    except ValidationError as error:
        raise SettingsError("; ".join(_sentence(name, item) for item in error.errors())) from None
    for scene in trip.scenes:
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}", scene):
            raise SettingsError(
                f"{name}: scenes.{shown(scene)}: a scene's name becomes a folder and may hold "
                "letters a-z, digits, '.', '_' and '-', and begins with a letter or digit; "
                "put any other text into its 'title'"
            )
        if scene.casefold() in ("index.html", "trip.json", "inventory.ecsv"):
            raise SettingsError(f"{name}: scenes.{scene}: is the name of a file in results/; give the scene another")
    return trip


def _plainly(error: yaml.YAMLError) -> str:
    """What the YAML reader complains of, in words for who wrote the file."""
    problem = str(getattr(error, "problem", None) or getattr(error, "reason", None) or error)
    if "'\\t'" in problem:
        return "a tab stands where only spaces may; indent with spaces"
    if isinstance(error, yaml.reader.ReaderError) and "special characters" in problem:
        return f"it holds a control character (number {error.character}); take it out"
    if "constructor for the tag" in problem:
        return "a value that begins with ! means a command, and none is followed; put it in quotes"
    return problem


def _comma_said(number: str) -> str:
    return f"numbers take a point, not a comma: {number.replace(',', '.')}, not {number}"


def _from_sixties(text: str) -> float:
    """`3:30` is 3.5."""
    parts = [int(part) for part in text.lstrip("-+").split(":")]
    value = sum(part / 60**n for n, part in enumerate(parts))
    return -value if text.startswith("-") else value


def _sentence(name: str, item: Any) -> str:
    parts = [str(part) for part in item["loc"] if part != "[key]"]
    if item["type"] == "invalid_key":
        parts[-1] = yaml.safe_dump(item["input"]).split()[0]
    path = ".".join(map(shown, parts))
    if item["type"] == "extra_forbidden":
        known = _known_keys(item["loc"][:-1])
        return f"{name}: {path}: unknown key; known here: {', '.join(known)}"
    if item["type"] == "model_type":
        item = item | {"msg": "must hold keys and values"}
    if item["type"] in _ENDS:
        info = _field(item["loc"])
        what = f": {info.description}" if info.description else ""
        return f"{name}: {path}: must be {' and '.join(_ends(info))} (got {item['input']}){what}"
    if item["type"] == "too_short" and item["loc"] == ("frames",):
        return f"{name}: {path}: names no folder; name one that holds frames, as in 'frames: [raw]'"
    if item["msg"] == "must be a number" and re.fullmatch(r"[-+]?\d+,\d+", str(item["input"])):
        return f"{name}: {path}: {_comma_said(item['input'])}"
    if item["msg"] == "must be a number" and re.fullmatch(r"[-+]?\d{1,3}(:\d\d){1,2}", str(item["input"])):
        return f"{name}: {path}: must be a number (got {item['input']}); write {_from_sixties(item['input']):g}"
    # as the file has it: true and null, not Python's words
    words = item["input"] is None or isinstance(item["input"], bool)
    value = yaml.safe_dump(item["input"]).split()[0] if words else repr(item["input"])
    value = value if len(value) <= 60 else value[:57] + "..."
    rule = (
        item["msg"]
        .replace("Input should be", "must be")
        .replace("Keys should be strings", "a key must be a name")
        .replace("List should", "must")
        .replace(" item after validation, not 0", " item")
        .replace("a valid dictionary", "keys and values")
        .replace("a valid integer", "a whole number")
        .replace("a valid boolean, unable to interpret input", "true or false")
        .replace("a valid boolean", "true or false")
        .replace("a valid ", "a ")
    )
    hint = ""
    if (
        item["type"] == "number"
        and isinstance(item["input"], str)
        and re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)", item["input"])
    ):
        hint = "; take the quotes away"
    elif item["type"] == "string_type" and isinstance(item["input"], int | float):
        hint = f'; YAML reads names like this as numbers: put it in quotes, "{item["input"]}"'
    elif item["type"] == "list_type" and isinstance(item["input"], str):
        hint = f"; in brackets: [{shown(item['input'])}]"
    return f"{name}: {path}: {rule} (got {shown(value)}){hint}"


# Pydantic's words for a number beyond one end of its range; both ends are told.
_ENDS = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")


def _field(location: tuple[Any, ...]) -> Any:
    """The setting at a key's path."""
    model: Any = Trip
    for part in location:
        info = next(info for key, info in model.model_fields.items() if part in (key, info.alias))
        model = info.annotation
    return info


def _known_keys(location: tuple[Any, ...]) -> list[str]:
    model: Any = Trip
    for part in location:
        for key, info in model.model_fields.items():
            if part in (key, info.alias):
                model = HandScene if key == "scenes" else info.annotation
                break
    return [info.alias or key for key, info in model.model_fields.items()]


def commented_defaults() -> str:
    """The text of `config/defaults.yaml`: every key with its default and what it means."""
    lines = [
        "# Every setting with its default. Copy into trip.yaml only what you want to change.",
        "# Written by 'python -m pipeline.config' from pipeline/config.py; do not edit.",
    ]
    for key, info in Trip.model_fields.items():
        name = info.alias or key
        default = info.get_default(call_default_factory=True)
        lines.append("")
        if isinstance(default, BaseModel):
            lines.append(f"# {(type(default).__doc__ or '').strip().splitlines()[0]}")
            lines.append(f"{name}:")
            for sub, sub_info in type(default).model_fields.items():
                lines.append(f"  # {sub_info.description}{_range(sub_info)}")
                lines.append(f"  {sub}: {_yaml(sub_info.get_default(call_default_factory=True))}")
        else:
            lines.append(f"# {info.description}")
            lines.append(f"{name}: {_yaml(default)}")
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """A text as YAML reads it, whatever stands in it: newlines, quotes, bytes that are no UTF-8."""
    return yaml.safe_dump(text, default_style='"', width=math.inf, allow_unicode=True).strip()


def _yaml(value: Any) -> str:
    return yaml.safe_dump(value, default_flow_style=True).strip().removesuffix("...").strip()


def _ends(info: Any) -> list[str]:
    """The ends of a number's range in words: `at least 1.5`, `at most 20`."""
    words = {"Ge": "at least {}", "Gt": "above {}", "Le": "at most {}", "Lt": "below {}"}
    return [
        words[type(m).__name__].format(
            next(iter(vars(m).values())) if hasattr(m, "__dict__") and vars(m) else getattr(m, type(m).__name__.lower())
        )
        for m in info.metadata
        if type(m).__name__ in words
    ]


def _range(info: Any) -> str:
    parts = _ends(info)
    return f" ({', '.join(parts)})" if parts else ""


def main() -> int:
    """Write `config/defaults.yaml` and `config/schema.json`."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.config", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "config")
    folder = parser.parse_args().out
    write_text(folder / "defaults.yaml", commented_defaults())
    write_json(folder / "schema.json", Trip.model_json_schema(by_alias=True))
    return 0


if __name__ == "__main__":
    sys.exit(main())
