"""What is found of one series, before it becomes a record of the report."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from audit.records import FindingCode, Panorama, Series, SeriesKind
from audit.series.shot import Shot

Excuses = Mapping[int, Mapping[FindingCode, str]]
"""Sentences that excuse findings, by the caller's number of the frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSeries:
    """Frames that were meant together.

    Attributes
    ----------
    kind : SeriesKind
    shots : tuple of Shot
        In order of time.
    order : tuple of Shot
        Best first.
    best : Shot or None
        The one frame to keep; ``None`` where the frames are kept together.
    notes : tuple of str
    excuses : Excuses
    panorama : Panorama or None
    spare : mapping of int to str
        Repeats that are not the best one, by the caller's number, and what the best has over each.
    """

    kind: SeriesKind
    shots: tuple[Shot, ...]
    order: tuple[Shot, ...]
    best: Shot | None = None
    notes: tuple[str, ...] = ()
    excuses: Excuses = field(default_factory=dict)
    panorama: Panorama | None = None
    spare: Mapping[int, str] = field(default_factory=dict)


def sharpest_first(shots: Sequence[Shot]) -> tuple[Shot, ...]:
    """Order frames of one framing by energy, then edge width; those without figures last, by time.

    Energy orders frames of one scene better than edge widths do (docs/methods/sharpness.md).
    """

    def key(shot: Shot) -> tuple[bool, float, float]:
        width_px = shot.edge_width_px
        return (
            shot.energy is None,
            -(shot.energy or 0.0),
            float("inf") if width_px is None else width_px,
        )

    return tuple(sorted(shots, key=key))


def series_record(found: FoundSeries, number: int) -> Series:
    """Write a series as the report has it.

    Parameters
    ----------
    found : FoundSeries
    number : int
        From 1.
    """
    return Series(
        id=f"S{number:02d}",
        kind=found.kind,
        files=tuple(shot.name for shot in found.shots),
        folders=tuple(shot.row.folder for shot in found.shots),
        best=None if found.best is None else found.best.name,
        order=tuple(shot.name for shot in found.order),
        notes=tuple(note for note in found.notes if note),
        panorama=found.panorama,
    )


def named(shot: Shot) -> str:
    """A frame in a sentence: its name without the folders above it."""
    return shot.name.rpartition("/")[2]


def listed(words: Sequence[str]) -> str:
    """Join words as a sentence does.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
