"""The files as a whole, looked at before the card is formatted.

Nothing here is proof. A gap in the numbers may be a frame that was deleted on purpose, so it is a
question; and what was never written leaves no trace at all.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from audit.records import CardNote, Exposure, Frame, Reading, Skipped, Unread

HIGHEST_NUMBER = 9999
"""File numbers run from 0001 to 9999 and then begin again (DCF 2.0, CIPA DC-009, 3.2.3; from
memory)."""

LARGEST_GAP = 200
"""More numbers missing in a row are another shoot or another day's folder (guess)."""

NAMED_GAPS = 8
"""Gaps that one sentence names; the rest is counted."""

NAMED_FILES = 6
"""Files that one sentence names."""

TWINS_APART_S = 120.0
"""A camera writes a raw file and its twin seconds apart; FAT keeps even seconds (guess)."""

_NUMBERED = re.compile(r"^(.*?)(\d{4})$")

Result = Reading | Unread
_Series = tuple[int, str, str]
"""Folder, body and the name before the number."""


def card_notes(
    frames: Sequence[Frame], results: Mapping[int, Result], skipped: Sequence[Skipped]
) -> tuple[CardNote, ...]:
    """What about the files as a whole should be looked at.

    Parameters
    ----------
    frames : sequence of Frame
    results : mapping of int to Reading or Unread
        By the frame's place.
    skipped : sequence of Skipped

    Returns
    -------
    tuple of CardNote
    """
    return (
        *_unread_places(skipped),
        *_empty_files(frames, skipped),
        *_missing_numbers(frames, results, skipped),
        *_twins_apart(frames),
        *_same_content(frames, results),
    )


def _unread_places(skipped: Sequence[Skipped]) -> Iterator[CardNote]:
    for skip in skipped:
        if skip.reason.startswith(("cannot be listed", "cannot be read")):
            yield CardNote(
                kind="unread-place",
                message=f"{skip.file} {skip.reason}: what lies there was not looked at.",
                folder=skip.folder,
                files=(skip.file,),
            )


def _empty_files(frames: Sequence[Frame], skipped: Sequence[Skipped]) -> Iterator[CardNote]:
    empty: dict[int, list[str]] = defaultdict(list)
    for frame in frames:
        if frame.size_bytes == 0:
            empty[frame.folder].append(frame.file)
    for skip in skipped:
        if skip.reason == "empty file":
            empty[skip.folder].append(skip.file)
    for folder, files in empty.items():
        count = f"{len(files)} files hold" if len(files) > 1 else "A file holds"
        yield CardNote(
            kind="empty-file",
            message=f"{count} nothing at all ({_named(files)}): copy again before you format.",
            folder=folder,
            files=tuple(files),
        )


def _missing_numbers(
    frames: Sequence[Frame], results: Mapping[int, Result], skipped: Sequence[Skipped]
) -> Iterator[CardNote]:
    """Gaps in the file numbers of each body; other files of the same folders fill them, too."""
    series: dict[_Series, dict[int, str]] = defaultdict(dict)
    for index, frame in enumerate(frames):
        if (found := _NUMBERED.match(_split(frame.file)[1])) and int(found[2]) > 0:
            body = _body(getattr(results.get(index), "exposure", None))
            series[frame.folder, body, found[1]][int(found[2])] = frame.file
    others = defaultdict(set)
    for skip in skipped:
        if found := _NUMBERED.match(_split(skip.file)[1]):
            others[skip.folder].add(int(found[2]))
    for (folder, _, stem), numbers in series.items():
        gaps = _gaps(sorted(numbers.keys() | others[folder]) if len(numbers) > 2 else [])
        gaps = [gap for gap in gaps if _touches(gap, numbers)]
        if gaps:
            yield _gap_note(folder, stem, numbers, gaps)


def _touches(gap: tuple[int, int], numbers: Mapping[int, str]) -> bool:
    """Whether a gap lies between frames of this series, and not among foreign files."""
    return _before(gap[0]) in numbers or _after(gap[1]) in numbers


def _gap_note(
    folder: int, stem: str, numbers: Mapping[int, str], gaps: Sequence[tuple[int, int]]
) -> CardNote:
    spans = [f"{a:04d}" if a == b else f"{a:04d} to {b:04d}" for a, b in gaps]
    more = f" and {len(spans) - NAMED_GAPS} more gaps" if len(spans) > NAMED_GAPS else ""
    missing = sum((b - a) % HIGHEST_NUMBER + 1 for a, b in gaps)
    count = f"{missing} numbers are" if missing > 1 else "One number is"
    beside = {numbers[n] for a, b in gaps for n in (_before(a), _after(b)) if n in numbers}
    return CardNote(
        kind="missing-numbers",
        message=(
            f"{count} missing among {stem or 'the files'}...:"
            f" {', '.join(spans[:NAMED_GAPS])}{more}."
            " Deleted in the camera, or on another card?"
        ),
        folder=folder,
        files=tuple(sorted(beside)),
    )


def _gaps(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """First and last missing number of each gap, the counter taken as a circle.

    The widest gap is where the shoot began and ended, and is none.
    """
    found = []
    for low, high in zip(numbers, [*numbers[1:], *numbers[:1]], strict=True):
        missing = (high - low - 1) % HIGHEST_NUMBER
        found.append((missing, _after(low), _before(high)))
    widest = max(found, default=(0, 0, 0))
    return [
        (first, last)
        for missing, first, last in found
        if 0 < missing <= LARGEST_GAP and (missing, first, last) != widest
    ]


def _after(number: int) -> int:
    return number % HIGHEST_NUMBER + 1


def _before(number: int) -> int:
    return (number - 2) % HIGHEST_NUMBER + 1


def _twins_apart(frames: Sequence[Frame]) -> Iterator[CardNote]:
    for frame in frames:
        for name, mtime_ns in zip(frame.companions, frame.companion_mtimes_ns, strict=False):
            apart_s = abs(mtime_ns - frame.mtime_ns) / 1e9
            if apart_s > TWINS_APART_S:
                yield CardNote(
                    kind="twins-apart",
                    message=(
                        f"{frame.file} and {name} were written {_duration(apart_s)} apart."
                        " Are they the same exposure, or was one of them edited?"
                    ),
                    folder=frame.folder,
                    files=(frame.file, name),
                )


def _same_content(frames: Sequence[Frame], results: Mapping[int, Result]) -> Iterator[CardNote]:
    alike: dict[str, list[Frame]] = defaultdict(list)
    for index, result in sorted(results.items()):
        if isinstance(result, Reading) and result.content_hash is not None:
            alike[result.content_hash].append(frames[index])
    for group in alike.values():
        if len(group) > 1:
            files = [frame.file for frame in group]
            yield CardNote(
                kind="same-content",
                message=f"{_named(files)} hold the same, byte for byte.",
                folder=group[0].folder,
                files=tuple(files),
            )


def _body(exposure: Exposure | None) -> str:
    if exposure is None:
        return ""
    return "/".join(part or "" for part in (exposure.make, exposure.model, exposure.body_serial))


def _split(file: str) -> tuple[str, str]:
    """Folder and name without its suffix."""
    place, _, name = file.rpartition("/")
    stem, dot, _ = name.rpartition(".")
    return place, stem if dot else name


def _named(files: Sequence[str]) -> str:
    shown = ", ".join(files[:NAMED_FILES])
    return shown if len(files) <= NAMED_FILES else f"{shown} and {len(files) - NAMED_FILES} more"


def _duration(seconds: float) -> str:
    for size_s, unit in ((86_400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.0f} {unit}"
    return f"{seconds:.0f} s"
