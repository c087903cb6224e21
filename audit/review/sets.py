"""Frames in sets, one decision each: the series of the report, and single frames, in order of time.

While frames are still being measured nobody knows the series. Until then frames of one camera that
follow each other without a pause stand together: their decisions are theirs and stay, whatever
sets they end up in.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import count

from audit.records import AuditedFrame, Report, Series

MOST_IN_A_SET = 60
"""Frames of one page; a longer series is shown in parts (project's choice)."""

PAUSE_S = 90.0
"""A longer pause between two starts ends a set that is not known better; series end after the same
time (`audit.series.framing`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameSet:
    """Frames that are looked at together.

    Attributes
    ----------
    frames : tuple of int
        Numbers of the frames in order of time; the first one names the set.
    series : Series or None
    part, parts : int
        Which part of a long series this is, from 1.
    is_final : bool
        Whether the series are known; else frames stand together by time alone.
    """

    frames: tuple[int, ...]
    series: Series | None = None
    part: int = 1
    parts: int = 1
    is_final: bool = True


def sets_of(report: Report, numbers: Mapping[tuple[int, str], int]) -> tuple[FrameSet, ...]:
    """Sets of a whole report.

    Parameters
    ----------
    report : Report
    numbers : mapping of (folder, file) to int
        Number of each frame.
    """
    rows = {numbers[row.folder, row.file]: row for row in report.frames}
    found: list[FrameSet] = []
    taken: set[int] = set()
    for series in report.series:
        folders = series.folders or (0,) * len(series.files)
        members = [numbers[key] for key in zip(folders, series.files, strict=True)]
        taken.update(members)
        found.extend(_parts(members, series))
    found.extend(FrameSet(frames=(number,)) for number in rows.keys() - taken)
    return tuple(sorted(found, key=lambda each: _order(rows[each.frames[0]])))


def sets_so_far(rows: Mapping[int, AuditedFrame]) -> tuple[FrameSet, ...]:
    """Sets of the frames that are measured so far, by pauses alone."""
    found: list[list[int]] = []
    for number in sorted(rows, key=lambda each: _order(rows[each])):
        if found and _follows(rows[found[-1][-1]], rows[number]):
            found[-1].append(number)
        else:
            found.append([number])
    return tuple(part for members in found for part in _parts(members, None, is_final=False))


def _parts(
    members: Sequence[int], series: Series | None, *, is_final: bool = True
) -> Iterable[FrameSet]:
    parts = -(-len(members) // MOST_IN_A_SET)
    for part, first in zip(count(1), range(0, len(members), MOST_IN_A_SET), strict=False):
        frames = tuple(members[first : first + MOST_IN_A_SET])
        yield FrameSet(frames=frames, series=series, part=part, parts=parts, is_final=is_final)


def _order(row: AuditedFrame) -> tuple[str, int, str]:
    """By the camera's clock; frames without a time come last, by name."""
    taken = None if row.exposure is None else row.exposure.taken_at
    return taken or "~", row.folder, row.file


def _follows(before: AuditedFrame, after: AuditedFrame) -> bool:
    one, two = before.exposure, after.exposure
    if one is None or two is None or one.taken_at is None or two.taken_at is None:
        return False
    if (one.make, one.model, one.body_serial) != (two.make, two.model, two.body_serial):
        return False
    try:
        idle = datetime.fromisoformat(two.taken_at) - datetime.fromisoformat(one.taken_at)
    except (TypeError, ValueError):
        return False
    return idle.total_seconds() <= PAUSE_S
