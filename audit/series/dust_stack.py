"""The stack: frames of one body laid over each other, each place with its own weight."""

from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np

from audit.series.dust_sheet import WEIGHTS, Plane, SheetSize, contrast_table, per_pixel

SAME_SCENE = 0.3
"""Correlation of two neighbours' contrast from which they show one scene (project's choice)."""

LARGEST_STEP = 4.0
"""Contrast over spread that counts at most: one edge must not speak for many frames (tuned on
simulated frames)."""

STACKED = contrast_table(LARGEST_STEP)


class Member(NamedTuple):
    """A frame in a stack.

    Attributes
    ----------
    place : int
        Index of the frame.
    framing : int
        Equal for frames that show one scene in one framing.
    strength : float
        Expected depth of a spot, in units of that at f/16.
    """

    place: int
    framing: int
    strength: float


@dataclass(slots=True)
class Sums:
    """What some frames say together, by size."""

    evidence: list[Plane]
    """Sum of strength x contrast / spread^2."""
    weight: list[Plane]
    """By block: sum of strength^2 / spread^2."""

    @classmethod
    def like(cls, sizes: Sequence[SheetSize]) -> Self:
        """Nothing yet, in the shape of a frame."""
        return cls(
            [np.zeros(size.contrast.shape, np.float32) for size in sizes],
            [np.zeros(size.spread.shape, np.float32) for size in sizes],
        )

    def add(self, sizes: Sequence[SheetSize], strength: float) -> None:
        """Add one frame."""
        for size, evidence, weight in zip(sizes, self.evidence, self.weight, strict=True):
            by_block = WEIGHTS[size.spread]
            contrast = STACKED[size.contrast]
            contrast *= per_pixel(by_block * np.float32(strength), contrast.shape)
            evidence += contrast
            weight += np.float32(strength**2) * by_block**2

    def move_to(self, other: Self, share: float) -> None:
        """Hand over a share of all that is held, and hold nothing."""
        for mine, theirs in zip(
            (*self.evidence, *self.weight), (*other.evidence, *other.weight), strict=True
        ):
            mine *= np.float32(share)
            theirs += mine
            mine[...] = 0.0


class Stack:
    """The frames of one body and stored size, one vote a framing.

    Attributes
    ----------
    members : list of Member
    total : Sums or None
    votes : Counter of int
        Frames of each framing.
    """

    def __init__(self) -> None:
        self.members: list[Member] = []
        self.total: Sums | None = None
        self.votes: Counter[int] = Counter()
        self._open: Sums | None = None
        self._key: Hashable = None
        self._scene: Plane | None = None

    def add(self, place: int, sizes: Sequence[SheetSize], strength: float, key: Hashable) -> None:
        """Add one frame; a picture of another shape is left out."""
        if self.total is None or self._open is None:
            self.total, self._open = Sums.like(sizes), Sums.like(sizes)
        if sizes[0].contrast.shape != self.total.evidence[0].shape:
            return
        scene = STACKED[sizes[-1].contrast]
        if not self._goes_on(scene, key):
            self.close()
            self.votes[len(self.votes)] = 0
        framing = len(self.votes) - 1
        self._key, self._scene = key, scene
        self._open.add(sizes, strength)
        self.votes[framing] += 1
        self.members.append(Member(place, framing, strength))

    def close(self) -> None:
        """Give the framing that is open its vote."""
        if self.votes and self._open is not None and self.total is not None:
            self._open.move_to(self.total, 1 / self.votes[len(self.votes) - 1])

    def share(self, member: Member) -> float:
        """Part of the one vote of its framing."""
        return 1 / self.votes[member.framing]

    def _goes_on(self, scene: Plane, key: Hashable) -> bool:
        """Whether a frame shows the scene of the one before it."""
        if self._scene is None:
            return False
        return key == self._key or _likeness(scene, self._scene) > SAME_SCENE


def _likeness(a: Plane, b: Plane) -> float:
    """Correlation of two scenes: 0 for strangers, 1 for the same."""
    power = float((a * a).sum() * (b * b).sum()) ** 0.5
    return float((a * b).sum()) / power if power > 0 else 0.0
