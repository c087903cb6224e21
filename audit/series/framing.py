"""Frames that follow each other and look the same way: the groups of which series are made.

A frame is compared with one member of the group before it, the one nearest in exposure, so that the
cost is one pair a frame whatever the length of a series.
"""

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from audit.series.register import Link, join, looks_elsewhere, same_framing
from audit.series.shot import Shot, steps_apart
from audit.series.timeline import start_times_s
from audit.series.view import View

LONGEST_IDLE_S = 90.0
"""From the end of one exposure to the start of the next inside a series: a filter is screwed on in
less (project's choice; the trial's too)."""

FOCAL_TOLERANCE = 0.02
"""A zoom that was not touched may be written with another rounding (project's choice)."""

BRACKET_IDLE_S = 2.0
BRACKET_STEP_THIRDS = 3
"""A lost frame of an automatic bracket follows within this time, at least this far in exposure
(common practice, no source: cameras bracket at two frames a second and faster)."""

LOST_SHARE = 0.5
"""A frame with more of its pixels lost cannot prove where it looks (project's choice)."""

VIEWS_KEPT = 24
"""Prepared pictures kept at once, some 3 MB each (project's choice)."""


class Views:
    """Prepared pictures, made when they are asked for; only the last ones are kept."""

    def __init__(self) -> None:
        self._kept: OrderedDict[int, View | None] = OrderedDict()
        self.pairs = 0
        """Pairs that were registered."""

    def of(self, shot: Shot) -> View | None:
        """Prepared picture of a frame; ``None`` where there is none."""
        if shot.place not in self._kept:
            self._kept[shot.place] = shot.view()
            if len(self._kept) > VIEWS_KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(shot.place)
        return self._kept[shot.place]

    def fields(self, shot: Shot) -> tuple[float, float]:
        """Tangents of the half fields, down and across; those of 45 degrees without a picture."""
        view = self.of(shot)
        if view is None:
            return 1.0, 1.0
        return view.high / 2 / view.focal_px, view.cols / 2 / view.focal_px

    def same_framing(self, first: Shot, second: Shot) -> Link | None:
        """Register two frames that may look the same way."""
        one, two = self.of(first), self.of(second)
        if one is None or two is None:
            return None
        self.pairs += 1
        return same_framing(one, two)

    def is_turned(self, first: Shot, second: Shot) -> bool:
        """Whether it is proven that the camera was turned from one frame to the other."""
        one, two = self.of(first), self.of(second)
        if one is None or two is None or _is_lost(one) or _is_lost(two):
            return False
        self.pairs += 1
        link = join(one, two)
        return link is not None and looks_elsewhere(link)


def _is_lost(view: View) -> bool:
    return 1.0 - float(view.usable.mean()) > LOST_SHARE


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A frame of a group, and how it lies to the group's first one.

    Attributes
    ----------
    shot : Shot
    rotation : (3, 3) array
        Direction in this camera from the direction in the first one.
    zoom : float
        Focal length over that of the first frame: focus breathes.
    brightness_ev : float or None
        Light that was measured against the first frame.
    idle_s : float or None
        From the end of the exposure before; ``None`` for the first frame and without times.
    """

    shot: Shot
    rotation: NDArray[np.float64]
    zoom: float
    brightness_ev: float | None
    idle_s: float | None
    fields: tuple[float, float]
    """Tangents of the half fields of the frame, down and across."""

    def seen_at(
        self, down: NDArray[np.float64], across: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where this frame shows what the group's first frame shows.

        Parameters
        ----------
        down : (rows,) array
        across : (cols,) array
            Places on the first frame, as shares of its height and width from its middle.

        Returns
        -------
        down, across : (rows, cols) arrays
            Shares of this frame's height and width from its middle.
        """
        tan_down, tan_across = self.fields
        y, x = np.meshgrid(2 * tan_down * down, 2 * tan_across * across, indexing="ij")
        seen = np.stack([x, y, np.ones_like(x)], axis=-1) @ self.rotation.T
        ahead = np.maximum(seen[..., 2], 1e-6) / self.zoom
        return seen[..., 1] / ahead / (2 * tan_down), seen[..., 0] / ahead / (2 * tan_across)


Group = tuple[Placed, ...]


def groups(stream: Sequence[Shot], views: Views) -> list[Group]:
    """Cut the frames of one body into groups of one framing.

    Parameters
    ----------
    stream : sequence of Shot
        One body's frames in order of time.
    views : Views

    Returns
    -------
    list of tuple of Placed
        In order of time; a frame that stands alone is a group of one.
    """
    found: list[list[Placed]] = []
    starts = start_times_s(stream)
    before: Shot | None = None
    for shot in stream:
        idle = None if before is None else idle_s(before, shot, starts)
        placed = None if before is None else _joined(found[-1], shot, idle, views)
        if placed is None:
            found.append([_alone(shot, views)])
        else:
            found[-1].append(placed)
        before = shot
    return [tuple(members) for members in found]


def placed_anyway(shots: Sequence[Shot], views: Views) -> Group:
    """Make a group of frames that are known to belong together.

    Parameters
    ----------
    shots : sequence of Shot
        In order of time.
    views : Views

    Returns
    -------
    tuple of Placed
        A frame that cannot be registered is taken to look where the frame before it looks.
    """
    starts = start_times_s(shots)
    group = [_alone(shots[0], views)]
    for before, shot in pairwise(shots):
        idle = idle_s(before, shot, starts)
        placed = _registered(group, shot, idle, views)
        lost = replace(group[-1], shot=shot, brightness_ev=None, idle_s=idle)
        group.append(placed or lost)
    return tuple(group)


def idle_s(before: Shot, after: Shot, starts: dict[int, float]) -> float | None:
    """Time between two exposures, start to start less the exposure; ``None`` without times."""
    if before.start_s is None or after.start_s is None:
        return None
    return starts[after.place] - starts[before.place] - (before.exposure.shutter_s or 0.0)


def _alone(shot: Shot, views: Views) -> Placed:
    return Placed(
        shot=shot,
        rotation=np.eye(3),
        zoom=1.0,
        brightness_ev=0.0,
        idle_s=None,
        fields=views.fields(shot),
    )


def _joined(group: list[Placed], shot: Shot, idle: float | None, views: Views) -> Placed | None:
    """Place a frame in a group, or ``None`` if it does not look the same way."""
    before = group[-1]
    if idle is not None and idle > LONGEST_IDLE_S:
        return None
    if not _comparable(before.shot, shot):
        return None
    placed = _registered(group, shot, idle, views)
    if placed is None and _is_told_by_camera(group, shot, idle, views):
        return replace(before, shot=shot, brightness_ev=None, idle_s=idle)
    return placed


def _registered(group: list[Placed], shot: Shot, idle: float | None, views: Views) -> Placed | None:
    """Register a frame to the member nearest in exposure, the last of those."""
    nearest = min(reversed(group), key=lambda member: steps_apart(member.shot, shot))
    link = views.same_framing(nearest.shot, shot)
    if link is None:
        return None
    return Placed(
        shot=shot,
        rotation=link.rotation @ nearest.rotation,
        zoom=nearest.zoom * link.zoom,
        brightness_ev=_sum(nearest.brightness_ev, link.brightness_ev),
        idle_s=idle,
        fields=nearest.fields,
    )


def _comparable(first: Shot, second: Shot) -> bool:
    """Whether two frames can be of one framing by what the camera wrote."""
    one, two = first.exposure, second.exposure
    if first.size_px != second.size_px or bool(one.composite) != bool(two.composite):
        return False
    # A raw file and a developed one are measured on other scales.
    if first.row.format != second.row.format:
        return False
    if one.focal_mm is None or two.focal_mm is None:
        return one.focal_mm == two.focal_mm
    return abs(one.focal_mm / two.focal_mm - 1) <= FOCAL_TOLERANCE


def _is_told_by_camera(group: list[Placed], shot: Shot, idle: float | None, views: Views) -> bool:
    """Whether a frame that cannot be registered goes on in an automatic bracket.

    It may be too bright, too dark or too plain. The camera's word holds unless the picture proves
    that it was turned, or the exposure is one that the bracket has already.
    """
    before = group[-1].shot
    if not (before.exposure.auto_bracket and shot.exposure.auto_bracket):
        return False
    if idle is None or idle > BRACKET_IDLE_S:
        return False
    if any(steps_apart(member.shot, shot) < BRACKET_STEP_THIRDS for member in group):
        return False
    return not views.is_turned(before, shot)


def _sum(first: float | None, second: float | None) -> float | None:
    return None if first is None or second is None else first + second
