"""From a frame's measured figures to its verdict: each reason with the value that made it and its limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pipeline.config import JudgeSettings

SMALL_SCENE = 4  # frames; below, what is usual in a scene is a guess
LOOSE = 2.0  # how much wider the limits against the scene are there: twice the allowed excess
REFERENCE = 0.25  # quantile of the scene that counts as good: right as long as a quarter of the frames is
SHAPE_STARS = 6  # stars below which a frame's shapes decide nothing
# Frames below which a quarter of them is fewer than two, so that no quantile parts sharp from soft: the sharpest that
# is believed says what the lens can do, and what is wider by the loose limit is none of the sharp frames. It is
# believed by so many stars (or half of what the others have), no star being narrower than a pixel's own width.
FEW, SURE_STARS, PIXEL_WIDTH = 8, 30, 0.68
LENGTH_KNOWN = 0.32  # of a trail: what lengths good to 5 % leave of it, squares taken off (1.05^2 - 1, the root)
FAINT_ALONE = 0.5  # transparency below which cloud is believed of a frame whose star images are spoiled as well
FAR_OFF = -0.5  # margin of `trailed` beyond which fluxes, shared out along the path, say nothing of clouds
# Times the scene's star width from which on a frame's fluxes say nothing of clouds: under a planted clear sky they were
# right to 1 % at 2.2 times, to 4 % at 3.1; at 3.6 a clear field read as dimmed over half of it, at 5.7 over all.
TOO_WIDE = 2.5
CLOUD_SURE = 0.25  # standard deviations beyond its limit: more would keep clouded frames of sparse fields
GLARE_SHARE = 0.2  # of the field, for light at the limit that does not fall on all of it; of brighter light less
DARK_SHARE = 0.2  # of the scene's sky, and
STARS_SHARE = 0.3  # of the scene's stars: a frame darker than both is underexposed
UNLIKE, BY_HAND = "different camera or settings", "by hand"
NOT_JUDGED = ("unreadable", "damaged", UNLIKE)  # reasons of frames that were not held against any limit
CLOSEST = "closest: "  # before what came closest to its limit, of a frame that is kept
CLOUDS = {"haze", "broken cloud", "passing cloud", "cloud"}  # of `judging.weather.CAUSES`
# Every reason for which a frame can be set aside, gravest first; `register` gives "not registered".
REASONS = (
    "unreadable",
    "damaged",
    "trailed",
    "out of focus",
    "cloud",
    "bright sky",
    "underexposed",
    "overexposed",
    "few stars",
    "not registered",
    UNLIKE,
    BY_HAND,
)


@dataclass
class Figures:
    """What was measured of one frame; None where it could not be."""

    frame: str
    status: str = "ok"
    detail: str = ""
    stars: int | None = None
    fwhm_px: float | None = None  # as the contract defines it, motion left in
    width_px: float | None = None  # motion taken out
    narrow_px: float | None = None  # across their longest axis, of the quarter of stars that is narrowest there
    shape_stars: int = 0
    motion_px: float | None = None
    motion_angle_deg: float | None = None
    motion_expected_px: float | None = None
    excess_px: float | None = None  # beyond what is expected and what is usual in the scene
    doubled: bool = False  # the stars are drawn twice, `excess_px` apart
    lens_ellipticity: float | None = None
    sky: float | None = None  # ADU/s, or ADU where the exposure is not known
    sky_adu: float | None = None
    noise_adu: float | None = None
    room_adu: float | None = None
    glare: float | None = None  # share of the field whose sky is far above the scene's there
    glare_times: float = 1.0  # and how far above the limit, on average
    transparency: float | None = None
    cloud_fraction: float | None = None
    cloud_error: float = 0.0  # standard deviation of the clouded share
    clear_limit: float | None = None  # transparency below which a place counts as clouded
    clear_least: float | None = None  # of the places where cloud is thickest
    saturated_fraction: float | None = None
    streaks: int | None = None
    streak_list: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True)
class Usual:
    """What is usual among the good frames of a scene; None where there is none to say."""

    frames: int
    width_px: float | None
    sky: float | None
    stars: float | None
    narrow_px: float | None = None


@dataclass(frozen=True)
class Finding:
    """One figure held against its limit. `margin` is the room left, as a share of the limit; negative beyond it."""

    reason: str
    margin: float
    sentence: str


@dataclass(frozen=True)
class Verdict:
    """`verdict` is `kept` or `set aside`; `margin` that of the closest call; `detail` says it in a sentence."""

    verdict: str
    reasons: tuple[str, ...]
    margin: float | None
    detail: str
    findings: tuple[Finding, ...] = field(default=(), repr=False)


def usual(figures: Sequence[Figures], settings: JudgeSettings) -> Usual:
    """What the good quarter of the frames shows."""
    good = [f for f in figures if f.status == "ok"]
    sharp = in_focus(good, settings)
    narrow = [f.narrow_px for f in sharp if f.narrow_px is not None]
    skies = [f.sky for f in good if f.sky is not None]
    stars = [f.stars for f in good if f.stars is not None]
    return Usual(
        frames=len(good),
        width_px=usual_width(sharp),
        sky=float(np.quantile(skies, REFERENCE)) if skies else None,
        stars=float(np.quantile(stars, 1 - REFERENCE)) if stars else None,
        narrow_px=float(np.quantile(narrow, REFERENCE)) if narrow else None,
    )


def in_focus(figures: Sequence[Figures], settings: JudgeSettings) -> list[Figures]:
    """The frames that say how wide a scene's stars are in focus: of few frames those near the sharpest alone."""
    known = [f for f in figures if f.width_px is not None and f.shape_stars >= SHAPE_STARS]
    if len(known) >= FEW or not known:
        return known
    enough = min(SURE_STARS, float(np.median([f.shape_stars for f in known])) / 2)
    believed = [
        width
        for f in known
        if (width := f.width_px or 0.0) > PIXEL_WIDTH
        and f.shape_stars >= enough
        and not f.doubled
        and (f.excess_px or 0.0) <= width
    ]
    if not believed:
        return known
    most = (1 + LOOSE * (settings.focus_max - 1)) * min(believed)
    return [f for f in known if (f.width_px or 0.0) <= most]


def usual_width(sharp: Sequence[Figures]) -> float | None:
    """How wide the stars of the frames in focus (`in_focus`) are, px; None where there is none."""
    widths = [f.width_px for f in sharp if f.width_px is not None]
    return float(np.quantile(widths, REFERENCE)) if widths else None


def _above(reason: str, value: float, limit: float, sentence: str) -> Finding:
    return Finding(reason, 1 - value / limit, sentence)


def _below(reason: str, value: float, limit: float, sentence: str) -> Finding:
    return Finding(reason, value / limit - 1, sentence)


def _apart(value: float, limit: float, unit: str = "", decimals: int = 0) -> tuple[str, str]:
    """A value and its limit as printed: up to two more decimals where the two would read alike."""
    for more in range(3):
        said = f"{value:.{decimals + more}f}{unit}", f"{limit:.{decimals + more}f}{unit}"
        if said[0] != said[1]:
            break
    return said


def _percents(value: float, limit: float) -> tuple[str, str]:
    return _apart(100 * value, 100 * limit, " %")


def _loose(limit: float, scene: Usual) -> float:
    """A limit against the scene's usual, wider where the scene is small."""
    return limit if scene.frames >= SMALL_SCENE else 1 + LOOSE * (limit - 1)


def findings(f: Figures, scene: Usual, settings: JudgeSettings) -> list[Finding]:
    """Hold every figure of a frame against its limit."""
    out = [*_shape_findings(f, scene, settings), *_sky_findings(f, scene, settings)]
    if f.stars is not None:
        out.append(
            _below("few stars", f.stars, settings.stars_min, f"{f.stars} stars found; at least {settings.stars_min}")
        )
    return out


def _shape_findings(f: Figures, scene: Usual, settings: JudgeSettings) -> list[Finding]:
    out: list[Finding] = []
    if f.shape_stars < SHAPE_STARS or f.width_px is None:
        return out
    width = scene.width_px if scene.width_px is not None else f.width_px
    if f.excess_px is not None:
        factor = settings.motion_max * (1.0 if scene.frames >= SMALL_SCENE else 1.5)
        # of long trails, which the sky explains, the little that is not known of them counts for nothing
        limit = max(factor * width, LENGTH_KNOWN * (f.motion_expected_px or 0.0))
        drawn, most = _apart(f.excess_px, limit, " px", 1)
        said = f"stars drawn out by {drawn} that the sky's turning does not explain; limit {most}"
        if f.doubled:
            said = f"stars drawn twice, {drawn} apart; limit {most}"
        out.append(_above("trailed", f.excess_px, limit, said))
    if scene.frames > 1:
        limit = _loose(settings.focus_max, scene)
        ratio, across = f.width_px / width, ""
        # the size of stars that a kick drew out or doubled is the kick's: only across it does focus show
        if any(h.margin < 0 for h in out) and f.narrow_px is not None and scene.narrow_px is not None:
            ratio, across = min(ratio, f.narrow_px / scene.narrow_px), " across their trails"
        times, most = _apart(ratio, limit, decimals=2)
        said = f"stars {times} times as wide{across} as in the scene's sharp frames; limit {most}"
        # the room is counted above 1, where the sharp frames are
        out.append(Finding("out of focus", (limit - ratio) / (limit - 1) if ratio > 1 else 1.0, said))
    wide, most = _apart(f.width_px, settings.fwhm_max_px, " px", 1)
    said = f"stars {wide} wide; limit {most}"
    out.append(_above("out of focus", f.width_px, settings.fwhm_max_px, said))
    return out


def _sky_findings(f: Figures, scene: Usual, settings: JudgeSettings) -> list[Finding]:
    out: list[Finding] = []
    if f.cloud_fraction is not None:
        # a frame is not lost to what may be the measure's scatter: its weight is less in any case
        sure = max(f.cloud_fraction - CLOUD_SURE * f.cloud_error, 0.0)
        good_to = f", give or take {100 * f.cloud_error:.0f} %," if f.cloud_error >= 0.005 else ""
        below = settings.clear_min if f.clear_limit is None else f.clear_limit
        clouded, most = _percents(f.cloud_fraction, settings.cloud_max)
        said = (
            f"{clouded} of the sky{good_to} lets through less than {100 * below:.0f} % of the starlight; limit {most}"
        )
        out.append(_above("cloud", sure, settings.cloud_max, said))
    if f.transparency is not None:
        through, least = _percents(f.transparency, settings.transparency_min)
        said = f"{through} of the starlight comes through; at least {least} must"
        out.append(_below("cloud", f.transparency, settings.transparency_min, said))
    if f.sky is not None and scene.sky is not None and scene.sky > 0 and scene.frames > 1:
        limit, ratio = _loose(settings.sky_max, scene), f.sky / scene.sky
        times, most = _apart(ratio, limit, decimals=1)
        said = f"sky {times} times as bright as the scene's; limit {most}"
        out.append(_above("bright sky", ratio, limit, said))
        if f.glare is not None and scene.frames >= SMALL_SCENE:
            glare_max = GLARE_SHARE / f.glare_times
            lit, most = _percents(f.glare, glare_max)
            said = (
                f"{lit} of the field is lit to {settings.sky_max:g} times the scene's sky and more; "
                f"limit {most} for light as bright as this"
            )
            out.append(_above("bright sky", f.glare, glare_max, said))
        dark = scene.frames >= SMALL_SCENE and f.stars is not None and scene.stars is not None
        if dark and ratio < DARK_SHARE and (f.stars or 0) < STARS_SHARE * (scene.stars or 0):
            said = f"sky {100 * ratio:.0f} % of the scene's, and {f.stars} stars where {scene.stars:.0f} are usual"
            out.append(_below("underexposed", ratio, DARK_SHARE, said))
    if f.sky_adu is not None and f.room_adu is not None and f.room_adu > 0:
        share = max(f.sky_adu, 0.0) / f.room_adu
        full, most = _percents(share, settings.overexposed)
        said = f"sky at {full} of saturation; limit {most}"
        out.append(_above("overexposed", share, settings.overexposed, said))
        few = f.stars is not None and f.stars < settings.stars_min
        if few and f.noise_adu is not None and f.sky_adu < f.noise_adu / 2:
            said = f"sky {f.sky_adu:.1f} ADU above black under a noise of {f.noise_adu:.1f} ADU, {f.stars} stars"
            out.append(Finding("underexposed", -1.0, said))
    if f.saturated_fraction is not None:
        full, most = _percents(f.saturated_fraction, settings.saturated_max)
        said = f"{full} of the pixels are saturated; limit {most}"
        out.append(_above("overexposed", f.saturated_fraction, settings.saturated_max, said))
    return out


def overexposed(f: Figures, settings: JudgeSettings) -> bool:
    """Whether a frame's sky as a whole is as near saturation as sets it aside."""
    return bool(f.sky_adu is not None and f.room_adu and f.sky_adu > settings.overexposed * f.room_adu)


def decide(f: Figures, scene: Usual, settings: JudgeSettings) -> Verdict:
    """The verdict of one frame by its figures; the lists by hand are laid over it afterwards (`judging.byhand`).

    Parameters
    ----------
    f : its figures
    scene : what is usual
    """
    if f.status != "ok":
        reason = f.status if f.status in NOT_JUDGED else "unreadable"
        return Verdict("set aside", (reason,), None, f.detail or f"the frame is {reason}")
    held = findings(f, scene, settings)
    beyond = _explained([h for h in held if h.margin < 0], f, scene)
    # of a frame that is set aside the room is that of what it is set aside for
    closest = min(beyond or held, key=lambda h: h.margin) if held else None
    margin = None if closest is None else round(max(-9.0, min(1.0, closest.margin)), 3)
    reasons = tuple(reason for reason in REASONS if any(h.reason == reason for h in beyond))
    sentences = [min((h for h in beyond if h.reason == reason), key=lambda h: h.margin).sentence for reason in reasons]
    if reasons:
        return Verdict("set aside", reasons, margin, "; ".join(sentences), tuple(held))
    return Verdict("kept", (), margin, f"{CLOSEST}{closest.sentence}" if closest else "", tuple(held))


def _explained(beyond: list[Finding], f: Figures, scene: Usual) -> list[Finding]:
    """Leave out what another finding explains.

    Drawn-out stars, or far blurred ones, are found less often and measured fainter: that alone is no cloud. Where
    anything else is wrong, few stars are its consequence.
    """
    reasons = {h.reason for h in beyond}
    clear = f.transparency is None or f.transparency > FAINT_ALONE
    far_off = any(h.reason == "trailed" and h.margin < FAR_OFF for h in beyond)
    spoiled = "trailed" in reasons or ("out of focus" in reasons and far_blurred(f, scene))
    if spoiled and (clear or far_off):
        beyond = [h for h in beyond if h.reason != "cloud"]
    if {h.reason for h in beyond} - {"few stars"}:
        beyond = [h for h in beyond if h.reason != "few stars"]
    if any(h.reason == "underexposed" for h in beyond):
        beyond = [h for h in beyond if h.reason != "cloud"]
    return beyond


def far_blurred(f: Figures, scene: Usual) -> bool:
    """Whether a frame's stars are so wide that their light is not what it was."""
    return f.width_px is not None and scene.width_px is not None and f.width_px > TOO_WIDE * scene.width_px


def fluxes_tell(f: Figures, verdict: Verdict, scene: Usual) -> bool:
    """Whether a frame's transparency is the sky's: not where stars are blurred far, nor where it would say cloud and
    what spoiled the stars explains as much (`_explained`); a jump shares out the light of every star."""
    blurred = {"trailed", "out of focus"} & set(verdict.reasons)
    if not blurred:
        return True
    said = any(h.reason == "cloud" and h.margin < 0 for h in verdict.findings)
    return not (far_blurred(f, scene) or (said and "cloud" not in verdict.reasons))


def of_dew(row: Mapping[str, Any]) -> bool:
    """Whether a frame (a row of verdicts.ecsv) that is set aside for `cloud` was dimmed by dew, and by no cloud."""
    causes = set(str(row.get("cause") or "").split("; "))
    return "cloud" in str(row.get("reasons") or "").split("; ") and "dew" in causes and not causes & CLOUDS
