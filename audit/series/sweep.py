"""Finds sweeps: frames between which the camera was turned on, position by position.

A position is a group of one framing: one frame, or a bracket taken there. Neighbours in time are
registered; frames that overlap by a regular turn make a row, and rows that overlap make a set of
several rows. A frame that was meant to belong but cannot be joined stays in, and is named.
"""

import math
import statistics
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from audit.series.directions import area_overlap
from audit.series.framing import Group, Views, idle_s
from audit.series.laid_out import (
    LEAST_FOR_GAP,
    Joint,
    Sweep,
    complete,
    detail_share,
    parts_of,
    placed,
)
from audit.series.register import Link, join, join_near
from audit.series.shot import Shot, steps_apart
from audit.series.timeline import start_times_s
from audit.series.view import View

__all__ = ["Sweep", "middle_of", "same_settings", "sweeps"]


LONGEST_IDLE_S = 75.0
"""From one position to the next (project's choice; the camera is turned and levelled in less)."""

LEAST_STEP_SHARE = 0.25
LARGEST_ASIDE_SHARE = 0.38
"""A step of a sweep: at least this share of the field on, at most that share aside (tuned on
simulated trips: composing anew moves less, or moves aside as well)."""

PAIR_STEP_SHARE = 0.40
PAIR_ASIDE_SHARE = 0.08
PAIR_IDLE_S = 15.0
"""Two frames alone are a sweep only by a stricter rule, with one exposure (project's choice)."""

FOCAL_TOLERANCE = 0.15
"""A zoom that was nudged within a sweep; more is another picture (project's choice)."""

APERTURE_TOLERANCE_EV = 0.5
"""A third of a stop may be a program's choice; a frame at another aperture is another picture
(common practice, no source: the aperture is held over a sweep)."""

BREAK_CADENCES = 3.5
BREAK_IDLE_S = 14.0
"""A break within the larger of the two, with nothing changed, is still one sweep (tuned on
simulated trips)."""

ROW_TRIES = 6
"""Earlier positions that the first frame of a new row is tried against."""

MARKER_SHARE = 0.05
MARKER_EV = 1.0
"""A frame without detail and darker than the sweep by this is a marker (a hand, the lens
cap), no member (a habit of the trade, no source; the numbers are the project's choice)."""

CHANGE_CADENCES = 2.5
CHANGE_IDLE_S = 8.0
"""Changed settings after a longer pause begin another sweep (project's choice)."""

BESIDE_SHARE = 0.5
"""A frame that shares more with a sweep it does not follow is a trial shot (project's choice)."""

RETURN_SHARE = 0.75
"""A frame that shows this much of an earlier one begins another sweep (project's choice)."""


def sweeps(found: Sequence[Group], views: Views) -> list[Sweep]:
    """Find the sweeps among the groups of one body.

    Parameters
    ----------
    found : sequence of Group
        Groups of one framing, in order of time.
    views : Views

    Returns
    -------
    list of Sweep
        In order of time; no group is in two of them.
    """
    starts = start_times_s([member.shot for group in found for member in group])
    out: list[Sweep] = []
    growing: _Growing | None = None
    for group in found:
        if growing is None or not growing.takes(group):
            out.extend(growing.finished() if growing is not None else [])
            growing = _Growing(views, starts, group)
    out.extend(growing.finished() if growing is not None else [])
    return out


class _Growing:
    """Positions that may yet turn out to be a sweep."""

    def __init__(self, views: Views, starts: dict[int, float], first: Group) -> None:
        self.views = views
        self.starts = starts
        self.positions = [first]
        self.shots = [middle_of(first)]
        self.joints: list[Joint] = []
        self.row_start = 0

    def takes(self, group: Group) -> bool:
        """Add a position where it goes on from what is there; say whether it did."""
        last = len(self.shots) - 1
        idle = self._idle_s(group)
        shot = _nearest(group, self.shots[last])
        if idle is None or idle > LONGEST_IDLE_S or not _alike(self.shots[last], shot):
            return False
        if not _same_aperture(self.shots[last], shot):
            return False
        unchanged = same_settings(self.shots[last], shot)
        if not unchanged and idle > self._limit_s(CHANGE_CADENCES, CHANGE_IDLE_S):
            return False
        link = self._next(last, shot)
        if link is None:
            return self._takes_after_break(group, shot, idle, unchanged=unchanged)
        return _is_step(link) and self._adds(group, shot, last, link)

    def finished(self) -> list[Sweep]:
        """Make sweeps of what was gathered."""
        self._join_backwards()
        parts = parts_of(len(self.shots), self.joints)
        if len(parts[0]) >= LEAST_FOR_GAP - 1 and len(self.shots) >= LEAST_FOR_GAP:
            return [self._sweep(self._members(parts))]
        return self._blank_at_one_end(parts) or [
            self._sweep(part) for part in sorted(parts) if self._is_sweep(part)
        ]

    def _blank_at_one_end(self, parts: Sequence[list[int]]) -> list[Sweep]:
        """Two frames of a clear step, and a third whose side towards them shows nothing.

        It kept time and settings: that it is none of the sweep is as little proven as that it is.
        """
        if [len(part) for part in parts] != [2, 1] or not self._is_strict_pair(*parts[0]):
            return []
        if len(self._members(parts)) < len(self.shots):
            return []
        sweep = self._sweep(range(len(self.shots)))
        return [sweep] if all(each.blank for each in sweep.breaks) else []

    def _next(self, last: int, shot: Shot) -> Link | None:
        """Join a frame to the last one: anywhere in its field, else where the step before leads."""
        link = _registered(self.views, self.shots[last], shot)
        step = next((joint.link for joint in reversed(self.joints) if joint.b == last), None)
        if link is not None or step is None:
            return link
        return _registered(self.views, self.shots[last], shot, step)

    def _join_backwards(self) -> None:
        """Join frames to the ones after them that only the step after those can prove."""
        for at in reversed(range(len(self.shots) - 2)):
            step = next((j.link for j in self.joints if (j.a, j.b) == (at + 1, at + 2)), None)
            parts = parts_of(len(self.shots), self.joints)
            if step is None or any(at in part and at + 1 in part for part in parts):
                continue
            link = _registered(self.views, self.shots[at], self.shots[at + 1], step)
            if link is not None:
                self.joints.append(Joint(at, at + 1, link))

    def _takes_after_break(self, group: Group, shot: Shot, idle: float, *, unchanged: bool) -> bool:
        """Add a position that does not overlap the last one: a new row, or a break."""
        close = idle <= self._limit_s(BREAK_CADENCES, BREAK_IDLE_S)
        if not (close and unchanged and len(group) == len(self.positions[-1])):
            return False
        for at in self._row_heads():
            link = _registered(self.views, self.shots[at], shot)
            if link is not None and _is_step(link):
                self.row_start = len(self.shots)
                return self._adds(group, shot, at, link)
        self.positions.append(group)
        self.shots.append(shot)
        return True

    def _adds(self, group: Group, shot: Shot, at: int, link: Link) -> bool:
        """Add a joined position, unless it looks where the sweep has been before."""
        joint = Joint(at, len(self.shots), link)
        if self._is_return(joint):
            return False
        self.joints.append(joint)
        self.positions.append(group)
        self.shots.append(shot)
        return True

    def _is_return(self, joint: Joint) -> bool:
        part = next(p for p in parts_of(len(self.shots), self.joints) if joint.a in p)
        rotations = placed(part, self.joints)
        there = joint.link.rotation @ rotations[joint.a]
        one = self.views.of(self.shots[joint.a])
        return one is not None and any(
            area_overlap(one, one, there @ rotations[i].T) > RETURN_SHARE for i in part
        )

    def _idle_s(self, group: Group) -> float | None:
        return idle_s(self.positions[-1][-1].shot, group[0].shot, self.starts)

    def _limit_s(self, cadences: float, least_s: float) -> float:
        """Longest pause that still goes on: so many usual pauses, but never under ``least_s``."""
        pauses = [
            idle_s(one[-1].shot, two[0].shot, self.starts) or 0.0
            for one, two in pairwise(self.positions)
        ]
        return max(cadences * statistics.median(pauses), least_s) if pauses else least_s

    def _row_heads(self) -> list[int]:
        """Where a new row may lie beside: the last row's first frame, then ever later ones."""
        if len(self.shots) < LEAST_FOR_GAP - 1:
            return []
        return list(range(self.row_start, len(self.shots) - 1))[:ROW_TRIES]

    def _members(self, parts: Sequence[list[int]]) -> list[int]:
        """All positions, less those that only show again what the largest part shows."""
        out = set(parts[0])
        for part in parts[1:]:
            if self._belongs(part, parts[0]):
                out.update(part)
        return sorted(out)

    def _belongs(self, part: Sequence[int], largest: Sequence[int]) -> bool:
        """Whether frames that do not follow on from the largest part are still of the sweep."""
        if len(part) == 1 and self._is_marker(part[0], largest):
            return False
        for mine in sorted({part[0], part[-1]}):
            for other in (i for i in largest if abs(i - mine) > 1):
                link = _registered(self.views, self.shots[other], self.shots[mine])
                if link is not None:
                    self.joints.append(Joint(other, mine, link))
                    return len(part) > 1 or link.overlap < BESIDE_SHARE
        return True

    def _is_marker(self, alone: int, part: Sequence[int]) -> bool:
        """A hand or a cap before the lens: no detail, and darker than the sweep."""
        view = self.views.of(self.shots[alone])
        if view is None:
            return True
        if detail_share(view, slice(None), slice(None)) >= MARKER_SHARE:
            return False
        others = [other for i in part if (other := self.views.of(self.shots[i])) is not None]
        usual = statistics.median(_high_light(other) for other in others)
        return math.log2(usual / _high_light(view)) > MARKER_EV

    def _is_sweep(self, part: Sequence[int]) -> bool:
        if len(part) == 2:
            return self._is_strict_pair(part[0], part[1])
        return len(part) > 2

    def _is_strict_pair(self, a: int, b: int) -> bool:
        """Two frames alone: a clear step straight to one side, at once, nothing else changed."""
        link = next(joint.link for joint in self.joints if (joint.a, joint.b) == (a, b))
        aside, main = sorted((abs(link.shift_x_share), abs(link.shift_y_share)))
        idle = idle_s(self.positions[a][-1].shot, self.positions[b][0].shot, self.starts)
        return (
            main >= PAIR_STEP_SHARE
            and aside <= PAIR_ASIDE_SHARE
            and idle is not None
            and idle <= PAIR_IDLE_S
            and same_settings(self.shots[a], self.shots[b])
        )

    def _sweep(self, members: Sequence[int]) -> Sweep:
        at = {old: new for new, old in enumerate(members)}
        sweep = Sweep(
            positions=[self.positions[i] for i in members],
            shots=[self.shots[i] for i in members],
            joints=[
                Joint(at[joint.a], at[joint.b], joint.link)
                for joint in self.joints
                if joint.a in at and joint.b in at
            ],
        )
        complete(sweep, self.views)
        return sweep


def _high_light(view: View) -> float:
    """Level that nine tenths of a frame stay below, full scale 1."""
    return float(np.quantile(view.linear, 0.9)) + 1e-4


def _registered(views: Views, one: Shot, two: Shot, step: Link | None = None) -> Link | None:
    """Join two frames: anywhere in the field, or only about where a known step leads."""
    first, second = views.of(one), views.of(two)
    if first is None or second is None:
        return None
    views.pairs += 1
    return join(first, second) if step is None else join_near(first, second, step)


# ---------------------------------------------------------------- rules


def _is_step(link: Link) -> bool:
    """Whether a link is the regular turn of a sweep."""
    aside, main = sorted((abs(link.shift_x_share), abs(link.shift_y_share)))
    return main > LEAST_STEP_SHARE and aside < LARGEST_ASIDE_SHARE


def _alike(one: Shot, two: Shot) -> bool:
    """Same format and nearly the same focal length."""
    if one.size_px != two.size_px:
        return False
    focal_one, focal_two = (
        shot.exposure.focal_mm or shot.exposure.focal_35mm_mm for shot in (one, two)
    )
    if not focal_one or not focal_two:
        return focal_one == focal_two
    return abs(math.log(focal_one / focal_two)) <= FOCAL_TOLERANCE


def _same_aperture(one: Shot, two: Shot) -> bool:
    """Whether the aperture was held; automatic sweeps change the time or the ISO."""
    first, second = one.exposure.aperture_n, two.exposure.aperture_n
    if not first or not second:
        return True
    return abs(2 * math.log2(first / second)) <= APERTURE_TOLERANCE_EV


def same_settings(one: Shot, two: Shot) -> bool:
    """Whether time, aperture, sensitivity and focal length were held."""
    first, second = one.exposure, two.exposure
    return (
        first.shutter_s == second.shutter_s
        and first.aperture_n == second.aperture_n
        and first.iso == second.iso
        and first.focal_mm == second.focal_mm
    )


def middle_of(group: Group) -> Shot:
    """The frame that stands for a position: of a bracket the middle exposure."""
    by_light = sorted((member.shot for member in group), key=lambda shot: shot.exposure_thirds or 0)
    return by_light[(len(by_light) - 1) // 2]


def _nearest(group: Group, other: Shot) -> Shot:
    """Of a position, the frame nearest in exposure to another's; the middle one among equals."""
    middle = middle_of(group)
    return min(
        (middle, *(member.shot for member in group)), key=lambda shot: steps_apart(shot, other)
    )
