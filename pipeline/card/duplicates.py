"""Files that stand for a frame that is there already, and files that go along with one."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence

from pipeline.card.frame import CardFrame

# Pictures that cameras and people keep beside raw frames, and notes that programs write there.
PICTURES = frozenset({".jpg", ".jpeg", ".jpe", ".heic", ".heif", ".hif", ".png", ".webp", ".gif", ".thm", ".bmp"})
OTHER_FILES = frozenset(
    {
        *(".xmp", ".xml", ".txt", ".csv", ".ecsv", ".json", ".yaml", ".yml", ".md", ".html", ".log", ".ini", ".db"),
        *(".mov", ".mp4", ".avi", ".mts", ".m4v", ".mkv", ".wav", ".mp3", ".lrv", ".pdf", ".zip", ".gz", ".tar"),
        *(".py", ".sh", ".exe", ".dat", ".bak", ".tmp", ".part", ".ctg", ".gpx", ".nmea"),
    }
)
RAW_FILES = frozenset(
    {
        *(".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".dng", ".erf", ".fff", ".gpr", ".iiq", ".k25", ".kdc"),
        *(".mef", ".mos", ".mrw", ".nef", ".nrw", ".orf", ".ori", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2"),
        *(".srf", ".srw", ".x3f", ".fit", ".fits", ".fts"),
    }
)


OTHER_BYTES = "same body, time and settings (other bytes: a copy cut short or converted) as"
SAME_PIXELS = "same time, settings and pixels (other bytes: a copy whose notes were changed) as"


def suffix(path: str) -> str:
    """The last suffix of a file's name, in small letters."""
    return os.path.splitext(path)[1].lower()


def companions(others: Iterable[str], frames: Iterable[str]) -> dict[str, str]:
    """Which files go along with which frame: in the same folder, of the same stem, or named after the whole name.

    Parameters
    ----------
    others, frames : paths

    Returns
    -------
    dict
        Path of the companion to path of the frame.
    """
    by_stem: dict[str, str] = {}
    for path in sorted(frames):
        by_stem.setdefault(path.lower(), path)
        by_stem.setdefault(os.path.splitext(path)[0].lower(), path)
    found = {}
    for path in others:
        frame = by_stem.get(os.path.splitext(path)[0].lower())
        if frame is not None and frame != path:
            found[path] = frame
    return found


def duplicates(
    frames: Sequence[CardFrame], hashes: Mapping[str, str], pixels: Callable[[CardFrame], str | None]
) -> dict[str, tuple[str, str]]:
    """Files that hold a frame which another file holds as well.

    The same content is the same frame. So is other content of the same body, time and settings where it is sure: one
    body cannot begin two exposures within the time that one of them takes, so equal times are one exposure, if the
    clock was read to fractions of a second or the files bear the same name (whole seconds could meet by chance when a
    clock was put back). Where that does not make it sure the pixels do. Of those the largest file stays, as one that
    was cut short is smaller; of equal ones the one of the plainest name, as the others are the copies, and the user's
    notes and trip file name the original.

    Parameters
    ----------
    frames : in order of search
    hashes : mapping of path to the hash of the content
    pixels : gives the hash of a frame's decoded pixels, None where it has none; asked where nothing else tells

    Returns
    -------
    dict
        Path of the duplicate to (path of the file that stays, why).
    """
    result: dict[str, tuple[str, str]] = {}
    same: dict[str, list[CardFrame]] = defaultdict(list)
    for frame in frames:
        same[hashes[frame.path]].append(frame)
    moments: dict[tuple[object, ...], list[list[CardFrame]]] = defaultdict(list)
    for equal in same.values():
        copies = _plainest_first(equal)
        result |= {frame.path: (copies[0].path, "same content as") for frame in copies[1:]}
        facts = copies[0].facts
        long_enough = (facts.exposure_s or 0.0) >= (0.01 if facts.subsecond else 1.0)
        if facts.taken is not None and long_enough:
            key = (facts.serial, facts.taken, facts.exposure_s, facts.sensitivity, facts.f_number)
            moments[key].append(copies)
    for groups in moments.values():
        kept: list[list[CardFrame]] = []
        by_name = [f.path for f in _plainest_first([copies[0] for copies in groups])]
        for copies in sorted(groups, key=lambda c: (-c[0].size, by_name.index(c[0].path))):
            stays, why = next((k for k in kept if _surely_one(copies, k)), None), OTHER_BYTES
            as_large = [k for k in kept if _size(k) == _size(copies)]
            if stays is None and as_large and (own := pixels(copies[0])) is not None:
                stays, why = next((k for k in as_large if pixels(k[0]) == own), None), SAME_PIXELS
            if stays is None:
                kept.append(copies)
            else:
                result |= {frame.path: (stays[0].path, why) for frame in copies}
    return result


def _surely_one(some: Sequence[CardFrame], others: Sequence[CardFrame]) -> bool:
    """Whether files of equal serial, time and settings can only be of one exposure."""
    facts = some[0].facts
    return facts.serial is not None and (facts.subsecond or bool(_stems(some) & _stems(others)))


def _size(copies: Sequence[CardFrame]) -> tuple[int, int]:
    return copies[0].facts.width, copies[0].facts.height


def _plainest_first(copies: Sequence[CardFrame]) -> list[CardFrame]:
    """Copies of one frame, the one of the plainest name first; in order of search where names do not tell.

    Who copies a file or a folder adds to its name: `IMG_1 copy`, `IMG_1 (1)`, `Copy of IMG_1`, `backup/` before a path.
    So what others add to comes first, by the file's name and then by its folder; within a folder the shorter name is
    the plainer one. Folders named in the trip file are taken in their order. No camera writes a name that cannot be
    printed as it is, nor a link: the file that it leads to is the frame.
    """
    first, *others = copies
    if not others:
        return [first]
    names = [_stem(frame) for frame in copies]
    folders = [os.path.dirname(frame.shown).lower() for frame in copies]

    def rank(place: int) -> tuple[bool, bool, bool, int, int, int, int, int]:
        frame = copies[place]
        return (
            os.path.islink(frame.path),
            (frame.folder, frame.role) != (first.folder, first.role),
            "\\" in frame.shown,
            sum(_adds(names[place], name) for name in names),
            sum(_adds(folders[place], folder) for folder in folders),
            folders.index(folders[place]),
            len(names[place]),
            place,
        )

    return [copies[place] for place in sorted(range(len(copies)), key=rank)]


def _adds(name: str, plain: str) -> bool:
    return name != plain and (name.startswith(plain) or name.endswith(plain))


def _stem(frame: CardFrame) -> str:
    return os.path.splitext(os.path.basename(frame.path))[0].lower()


def _stems(copies: Sequence[CardFrame]) -> set[str]:
    return {_stem(frame) for frame in copies}
