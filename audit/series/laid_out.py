"""A sweep as a whole: where each frame looks, in which rows, and what is missing between them."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np

from audit.series.bend import Turned, unbent
from audit.series.directions import Matrix, area_overlap
from audit.series.framing import Group, Views
from audit.series.register import (
    BLOCK_DETAIL,
    BLOCK_PX,
    LEAST_EVIDENCE,
    Link,
    evidence,
    join,
    turned,
)
from audit.series.shot import Shot
from audit.series.view import View

Layout = Literal["horizontal", "vertical", "multi-row"]

LEAST_FOR_GAP = 4
"""Positions that a sweep needs before a break in it is called a gap (same source)."""

STRIP_SHARE = 0.3
BLANK_SHARE = 0.3
"""Strips that face each other over a break are blank if fewer of their blocks show detail."""

HOLE_STEPS = 1.55
HOLE_OVERLAP = 0.16
"""Neighbours in a row that lie this many usual steps apart and share less miss a frame between."""

ODD_STEP = 1.4
SURE_EVIDENCE = 4.0
"""A join whose step is so many times the others', or they are of it, is doubted if its evidence is
under so many times what a join needs: sweeps turn by regular steps (common practice, no source;
numbers measured on development trips, docs/methods/panorama.md)."""


class Joint(NamedTuple):
    """Two positions that were registered."""

    a: int
    b: int
    """Indexes into `Sweep.positions`."""
    link: Link


class Break(NamedTuple):
    """Two positions between which the picture does not go on."""

    a: int
    b: int
    blank: bool
    """The facing strips show nothing: whether they overlap cannot be verified."""
    missing: int
    """Frames that the usual step asks for between them; 0 where that cannot be told."""


@dataclass(slots=True, kw_only=True)
class Sweep:
    """Positions that were meant to make one picture.

    Attributes
    ----------
    positions : list of Group
        In order of time.
    shots : list of Shot
        The frame that stands for each position.
    joints : list of Joint
    breaks : list of Break
    possible : list of int
        Positions beyond a break that stand alone.
    rotations : dict
        Turn from the world of the largest joined part to each of its cameras, by index.
    layout : Layout
    bend : float
        Of the lens, see `unbent`; 0 where it was not fitted.
    """

    positions: list[Group]
    shots: list[Shot]
    joints: list[Joint] = field(default_factory=list)
    breaks: list[Break] = field(default_factory=list)
    possible: list[int] = field(default_factory=list)
    rotations: dict[int, Matrix] = field(default_factory=dict)
    layout: Layout = "horizontal"
    bend: float = 0.0

    @property
    def unlinked(self) -> list[int]:
        """Positions outside the largest joined part."""
        return [i for i in range(len(self.shots)) if i not in self.rotations]

    def step_aside_share(self, a: int, b: int, views: Views) -> tuple[float, float]:
        """Where b looks seen from a, as shares of the field: right and down."""
        return _shift_share(views.of(self.shots[a]), self.rotations[b] @ self.rotations[a].T)


def parts_of(count: int, joints: Sequence[Joint]) -> list[list[int]]:
    """Positions that hang together, largest part first."""
    label = list(range(count))
    for joint in joints:
        low, high = sorted((label[joint.a], label[joint.b]))
        label = [low if each == high else each for each in label]
    parts = [[i for i in range(count) if label[i] == each] for each in sorted(set(label))]
    return sorted(parts, key=lambda part: -len(part))


# ---------------------------------------------------------------- the whole


def complete(sweep: Sweep, views: Views) -> None:
    """Place all frames, join further neighbours, and find what is missing."""
    largest = parts_of(len(sweep.shots), sweep.joints)[0]
    sweep.rotations = placed(largest, sweep.joints)
    sweep.layout = _layout(sweep)
    _join_neighbours(sweep, views)
    _unbend(sweep, views)
    parts = parts_of(len(sweep.shots), sweep.joints)
    sweep.possible = sorted(part[0] for part in parts[1:] if len(part) == 1)
    sweep.breaks.extend(
        Break(a, b, _facing_blank(sweep, a, b, views), 0)
        for a, b in pairwise(range(len(sweep.shots)))
        if not _together(parts, a, b)
    )
    sweep.breaks.extend(_holes(sweep, views))


def _together(parts: Sequence[Sequence[int]], a: int, b: int) -> bool:
    return any(a in part and b in part for part in parts)


def placed(part: Sequence[int], joints: Sequence[Joint]) -> dict[int, Matrix]:
    """Turn from the first frame of a part to each of its frames."""
    out: dict[int, Matrix] = {part[0]: np.eye(3)}
    for _ in part:
        for joint in joints:
            if joint.a in out and joint.b not in out:
                out[joint.b] = joint.link.rotation @ out[joint.a]
            elif joint.b in out and joint.a not in out:
                out[joint.a] = joint.link.rotation.T @ out[joint.b]
    return out


def _shift_share(view: View | None, rotation: Matrix) -> tuple[float, float]:
    """Where the other camera looks, as shares of this one's field: right and down."""
    if view is None:
        return 0.0, 0.0
    sight = rotation.T @ np.array([0.0, 0.0, 1.0])
    across = math.atan2(sight[0], sight[2]) / (2 * math.atan(view.cols / 2 / view.focal_px))
    down = math.asin(max(-1.0, min(1.0, sight[1]))) / (2 * math.atan(view.high / 2 / view.focal_px))
    return across, down


def _layout(sweep: Sweep) -> Layout:
    """By the extent of the directions: a second row lies half a field away from the first."""
    steps = [
        (abs(joint.link.shift_x_share), abs(joint.link.shift_y_share)) for joint in sweep.joints
    ]
    across = sum(x >= y for x, y in steps)
    if across == len(steps):
        return "horizontal"
    if across == 0:
        return "vertical"
    return "multi-row"


def _join_neighbours(sweep: Sweep, views: Views) -> None:
    """Make exact the joins that the places of the frames predict, rows beside rows above all."""
    known = {(joint.a, joint.b) for joint in sweep.joints}
    for a in sorted(sweep.rotations):
        for b in sorted(sweep.rotations):
            if a >= b or (a, b) in known or (b, a) in known:
                continue
            one, two = views.of(sweep.shots[a]), views.of(sweep.shots[b])
            if one is None or two is None:
                continue
            turn = sweep.rotations[b] @ sweep.rotations[a].T
            across, down = _shift_share(one, turn)
            if min(abs(across), abs(down)) > 0.4 or area_overlap(one, two, turn) < 0.1:
                continue
            link = join(one, two, start=turn)
            if link is not None:
                sweep.joints.append(Joint(a, b, link))


def _unbend(sweep: Sweep, views: Views) -> None:
    """Make all turns exact for a lens that bends, where the focal length is known."""
    joints, pairs = [], []
    for joint in sweep.joints:
        one, two = views.of(sweep.shots[joint.a]), views.of(sweep.shots[joint.b])
        if one is not None and two is not None and not joint.link.focal_assumed:
            joints.append(joint)
            pairs.append(Turned(one, two, joint.link.rotation))
    if len(joints) < len(sweep.joints) or not joints:
        return
    sweep.bend, rotations = unbent(pairs)
    sweep.joints = [
        joint._replace(link=turned(pair.a, pair.b, joint.link, rotation))
        for joint, pair, rotation in zip(joints, pairs, rotations, strict=True)
    ]
    sweep.rotations = placed(sorted(sweep.rotations), sweep.joints)


def _holes(sweep: Sweep, views: Views) -> list[Break]:
    """Neighbours along a row that lie too far apart for the sweep's usual step."""
    out = []
    rows = lines_of(sweep, views)
    steps = [step for row in rows for step in _steps(sweep, row, views)]
    if len(steps) < LEAST_FOR_GAP - 1:
        return []
    usual = statistics.median(steps)
    for row in rows:
        for (a, b), step in zip(pairwise(row), _steps(sweep, row, views), strict=True):
            one, two = views.of(sweep.shots[a]), views.of(sweep.shots[b])
            if one is None or two is None or step < HOLE_STEPS * usual:
                continue
            if area_overlap(one, two, sweep.rotations[b] @ sweep.rotations[a].T) < HOLE_OVERLAP:
                out.append(Break(min(a, b), max(a, b), False, max(1, round(step / usual) - 1)))
    return out


def odd_steps(sweep: Sweep, views: Views) -> list[Joint]:
    """Find joins that the sweep's other steps contradict, and that little proves.

    Parameters
    ----------
    sweep : Sweep
    views : Views

    Returns
    -------
    list of Joint
        Along rows; none where a row has a hole, whose steps differ rightly.
    """
    if sweep.breaks:
        return []
    joints = {frozenset((joint.a, joint.b)): joint for joint in sweep.joints}
    found = []
    rows = [(row, _steps(sweep, row, views)) for row in lines_of(sweep, views)]
    for row, steps in rows:
        for at, pair in enumerate(pairwise(row)):
            joint = joints.get(frozenset(pair))
            others = [*steps[:at], *steps[at + 1 :]]
            if joint is None or not others or steps[at] <= 0:
                continue
            ratio = statistics.median(others) / steps[at]
            is_odd = max(ratio, 1 / ratio) > ODD_STEP
            if is_odd and evidence(joint.link) < SURE_EVIDENCE * LEAST_EVIDENCE:
                found.append(joint)
    return found


def lines_of(sweep: Sweep, views: Views) -> list[list[int]]:
    """Placed frames row by row (in a vertical sweep: one column), in order of direction."""
    axis = 1 if sweep.layout == "vertical" else 0
    first = min(sweep.rotations)
    places = {
        i: _shift_share(views.of(sweep.shots[first]), sweep.rotations[i] @ sweep.rotations[first].T)
        for i in sweep.rotations
    }
    lines: list[list[int]] = []
    for i in sorted(places, key=lambda i: places[i][1 - axis]):
        if lines and abs(places[i][1 - axis] - _mean(places, lines[-1], 1 - axis)) < 0.3:
            lines[-1].append(i)
        else:
            lines.append([i])
    if sweep.layout != "multi-row":
        lines = [sorted(sweep.rotations)]
    return [sorted(line, key=lambda i: places[i][axis]) for line in lines]


def _mean(places: dict[int, tuple[float, float]], line: Sequence[int], axis: int) -> float:
    return statistics.fmean(places[i][axis] for i in line)


def _steps(sweep: Sweep, line: Sequence[int], views: Views) -> list[float]:
    return [math.hypot(*sweep.step_aside_share(a, b, views)) for a, b in pairwise(line)]


# ---------------------------------------------------------------- blank strips


def _facing_blank(sweep: Sweep, a: int, b: int, views: Views) -> bool:
    """Whether the strips at which two frames should meet show nothing to join by."""
    one, two = views.of(sweep.shots[a]), views.of(sweep.shots[b])
    if one is None or two is None:
        return True
    across, down = _heading(sweep, a)
    return any(
        detail_share(view, *_strip(view, across * sign, down * sign)) < BLANK_SHARE
        for view, sign in ((one, 1), (two, -1))
    )


def _heading(sweep: Sweep, at: int) -> tuple[float, float]:
    """Step of the sweep just before a position, else after it."""
    near = [j.link for j in sweep.joints if j.b <= at] or [j.link for j in sweep.joints]
    return near[-1].shift_x_share, near[-1].shift_y_share


def _strip(view: View, across: float, down: float) -> tuple[slice, slice]:
    """Rows and columns of the half-size picture on the side that is headed for."""
    rows, cols = view.levels[1].feature.shape
    if abs(across) >= abs(down):
        width = round(cols * STRIP_SHARE)
        return slice(None), slice(cols - width, cols) if across > 0 else slice(0, width)
    height = round(rows * STRIP_SHARE)
    return slice(rows - height, rows) if down > 0 else slice(0, height), slice(None)


def detail_share(view: View, rows: slice, cols: slice) -> float:
    """Share of blocks with detail in a part of the half-size picture."""
    part = view.levels[1].feature[rows, cols]
    high, wide = (side // BLOCK_PX for side in part.shape)
    cut = part[: high * BLOCK_PX, : wide * BLOCK_PX] ** 2
    blocks = cut.reshape(high, BLOCK_PX, wide, BLOCK_PX).mean(axis=(1, 3))
    return float((blocks > BLOCK_DETAIL).mean()) if blocks.size else 0.0
