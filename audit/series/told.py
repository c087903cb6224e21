"""Series that the camera itself declares: DNG ImageSequenceInfo is believed before any guess.

DNG 1.7.1, tag 52548: an id that all frames of a series share, a type in words, index and count.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from audit.records import SeriesKind
from audit.series.shot import Shot

WORDS: tuple[tuple[str, SeriesKind], ...] = (
    ("focus", "focus-bracket"),
    ("pano", "panorama"),
    ("stitch", "panorama"),
    ("exposure", "exposure-bracket"),
    ("hdr", "exposure-bracket"),
    ("bracket", "exposure-bracket"),
)
"""Words in the type and what they mean; the standard fixes no list (guess)."""

KEPT_WORDS = ("lapse", "noise", "merge", "stack", "shift")
"""Types whose frames are all needed, though they look alike (guess)."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the camera says of the series that a frame belongs to.

    Attributes
    ----------
    id : str
    type : str
    count : int or None
        Frames of the whole series; ``None`` where it is not said.
    """

    id: str
    type: str
    count: int | None

    @property
    def kind(self) -> SeriesKind | None:
        """The kind that the type names; ``None`` where it names none of ours."""
        text = self.type.casefold()
        return next((kind for word, kind in WORDS if word in text), None)

    @property
    def is_kept_whole(self) -> bool:
        """Whether all frames are needed for what the series is for."""
        text = self.type.casefold()
        return any(word in text for word in KEPT_WORDS)


def told_of(sequence: str | None) -> Told | None:
    """Read ``id/type/index/count``.

    >>> told_of("A1B2C3D4/focus bracket/0/9")
    Told(id='A1B2C3D4', type='focus bracket', count=9)
    """
    parts = (sequence or "").rsplit("/", 3)
    if len(parts) < 4:
        return None
    count = int(parts[3]) if parts[3].isdecimal() else 0
    return Told(parts[0], parts[1], count or None)


def told_sets(stream: Sequence[Shot]) -> tuple[list[list[Shot]], list[Shot]]:
    """Take the declared series out of one body's frames.

    Parameters
    ----------
    stream : sequence of Shot
        In order of time.

    Returns
    -------
    sets : list of list of Shot
        Two frames and more that share an id, each in order of time.
    rest : list of Shot
        All others.
    """
    by_id: dict[str, list[Shot]] = {}
    for shot in stream:
        told = told_of(shot.exposure.sequence)
        if told is not None:
            by_id.setdefault(told.id, []).append(shot)
    sets = [members for members in by_id.values() if len(members) > 1]
    taken = {shot.place for members in sets for shot in members}
    return sets, [shot for shot in stream if shot.place not in taken]


def incomplete_note(members: Sequence[Shot]) -> list[str]:
    """Say how many frames are missing of those that the camera counted."""
    told = told_of(members[0].exposure.sequence)
    if told is None or told.count is None or told.count <= len(members):
        return []
    return [f"Incomplete: the camera counted {told.count} frames, {len(members)} are here."]
