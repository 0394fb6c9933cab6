"""The page of one scene: what its template is filled with."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from pipeline.pages.advice import CAUTION, advise
from pipeline.pages.facts import clock, dark_facts, dark_sentence, made_facts, span, star_facts
from pipeline.pages.finished import colour_facts, colour_sentence
from pipeline.pages.frames import (
    ALL_COLUMNS,
    ASIDE_COLUMNS,
    by_hand_sentence,
    cells,
    columns,
    sky_shown,
    thumbs,
    time_plot,
    verdict_sentence,
)
from pipeline.pages.frametable import ASIDE
from pipeline.pages.ground import ground_facts, ground_sentence
from pipeline.pages.headline import lead, tiles, warnings
from pipeline.pages.noise import noise_plot, noise_sentence
from pipeline.pages.passing import streak_pictures, streak_rows, streak_sentence
from pipeline.pages.placed import pointing_notes
from pipeline.pages.render import REASON_MEANINGS, page
from pipeline.pages.weather import lost_sentence, raised_sentence
from pipeline.pages.words import count, file_size, link, sentence, unit_words
from pipeline.scene.records import SceneRecord

FILES = {
    "combined.tif": "16-bit RGB for your editor",
    "combined.fits": "linear, camera colours, with noise and coverage planes",
    "composite.tif": "sharp sky over sharp ground, for your editor",
    "composite.fits": "the same, linear, with its noise and the mask",
    "composite.jpg": "the same for the eye",
    "ground.tif": "the ground alone, to join by hand",
    "ground_mask.png": "where the ground lies",
    "star_trails.tif": "the star trails, gaps between the exposures filled",
    "star_trails.jpg": "a small picture of them",
    "star_trails.fits": "the star trails, linear",
    "preview.jpg": "for the eye",
    "frames.ecsv": "what was measured in every frame",
    "streaks.ecsv": "what passed through single frames: ends, width, brightness, kind",
    "scene.json": "this page's figures, for programs",
    "timings.json": "how long each step took",
}


def scene_page(
    record: SceneRecord,
    rows: list[dict[str, Any]],
    figures: dict[str, Any],
    sizes: Mapping[str, int | None],
) -> str:
    """The HTML of a scene's page.

    Parameters
    ----------
    record : SceneRecord
    rows : list of rows, as `frametable.frame_rows` gives them
    figures : the content of scene.json
    sizes : sizes in bytes of the files that stand beside the page; None for those that do not, negative to show none
    """
    reasons = figures.get("frames_set_aside") or {}
    aside = [row for row in rows if row.get("verdict") == ASIDE]
    advice = advise(figures, reasons, clock(record))
    streaks = streak_rows(rows)
    known = figures.get("frames_kept") is not None
    sky_unit = unit_words(record.verdicts.units.get("sky_e_s") or "adu / s")
    sky, sky_head = sky_shown(rows, sky_unit)
    stars_max = (figures["settings"].get("grade") or {}).get("stars_max") or math.inf
    first, last = span(record)
    dates = first is None or last is None or (last - first).total_seconds() > 86_400
    view = {
        "title": figures["title"],
        "scene": record.scene,
        "made": record.made,
        "pictures": record.pictures & {"combined.tif", "preview.jpg", "composite.jpg"},
        "failures": record.failures,
        "lead": lead(figures),
        "tiles": tiles(figures),
        "notes": warnings(figures) if known else [sentence(note) for note in figures["notes"]],
        "pointings": pointing_notes(figures),
        "verdict_sentence": f"{verdict_sentence(figures, aside)} {by_hand_sentence(rows)}".strip(),
        "lost_sentence": lost_sentence(figures.get("exposure_lost")),
        "events": [event["sentence"] for event in figures.get("sky_events") or []],
        "raised_sentence": raised_sentence(figures.get("sky_raised")),
        "events_clock": clock(record),
        "reasons": [(r, count(n, "frame"), REASON_MEANINGS.get(r, "")) for r, n in reasons.items()],
        "aside_columns": columns(ASIDE_COLUMNS, sky_head, clock(record)),
        "aside_rows": [cells(row, dates, sky, stars_max) for row in aside],
        "all_columns": columns(ALL_COLUMNS, sky_head, clock(record)),
        "all_rows": [cells(row, dates, sky, stars_max) for row in rows],
        "time_plot": time_plot(rows, figures, sky_unit, clock(record)),
        "thumbs": thumbs(record, aside),
        "streak_sentence": streak_sentence(streaks, len(figures.get("meteors") or []), len(streak_rows(aside))),
        "streak_pictures": streak_pictures(record, streaks),
        "mono": record.combined.get("COLORTYP") == "MONO",
        "noise_sentence": noise_sentence(figures),
        "noise_plot": noise_plot(figures),
        "star_facts": star_facts(record, figures),
        "dark_sentence": dark_sentence(figures),
        "dark_facts": dark_facts(figures),
        "ground_sentence": ground_sentence(figures.get("ground")),
        "ground_facts": ground_facts(figures.get("ground")),
        "colour_sentence": colour_sentence(record.finish),
        "colour_facts": colour_facts(record.finish),
        "files": [
            {"name": name, "href": link(name), "what": what, "size": file_size(sizes[name])}
            for name, what in FILES.items()
            if sizes.get(name) is not None
        ],
        "advice": advice,
        "no_advice": (
            "Nothing stands out: more nights like this one."
            if record.made
            else "The figures do not go far enough for advice."
        ),
        "caution": CAUTION if any(item.outdoors for item in advice) else None,
        "made_facts": made_facts(record, figures),
        "settings": json.dumps(figures["settings"], indent=1, sort_keys=True, ensure_ascii=True),
        "versions": json.dumps(figures["versions"], indent=1, sort_keys=True),
    }
    return page("scene.html.j2", view)
