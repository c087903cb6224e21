"""Joins two frames by the turn of the camera between them.

A turn about the entrance pupil moves a rectilinear picture by a rule with three unknowns, whatever
the scene. The search goes over all shifts of two coarse spherical grids at once, by Fourier
transform; the best few are made exact by least squares on ever finer pictures. Patches of the
overlap then vote whether the join is proven (docs/methods/registration.md).
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from audit.series.directions import Matrix, angle_between, area_overlap, projected
from audit.series.placing import (
    PEAK_APART_PX,
    Place,
    agreement,
    likelihood_of,
    raced,
    ranked,
    refined,
    search,
)
from audit.series.view import Level, Plane, View, packed_planes, sample

SAME_SHIFT_SHARE = 0.06
SAME_ROLL_DEG = 3.0
"""Within these, two frames count as one framing (tuned on simulated trips)."""

SURE_NCC = 0.6
"""Frames of one framing that agree less must not fit better elsewhere (project's choice)."""

NEAR_STEP_SHARE = 0.15
"""How far from a known step the next one of a sweep is looked for, of the long field (project's
choice)."""

START_ROLLS_RAD = (0.0, math.radians(6), math.radians(-6))
"""Turns about the line of sight that are tried: a camera pitched up by 15 degrees and turned by 25
sees its neighbour rolled by 6.5 degrees."""

LEAST_OVERLAP_SHARE = 0.05
"""A join over less proves too little (project's choice; one unrelated pair in 600 did at 3 %)."""


LEAST_SHARED = 50
"""Pixels of half size that a comparison of brightness or detail needs (project's choice)."""

PROOF_SIZE = 1
"""Size of the pyramid on which a join is proven: half, so that parallax of a pixel does no harm."""

PREVIEW_PIXELS = 4
"""Pixels of the preview under one of these."""

USUAL_ROUGHNESS = 0.75
"""Mean squared slope over mean square of local contrast from which every pixel counts."""

BLOCK_PX = 8
"""Side of a block there: 16 px of the preview."""
BLOCK_FILL_SHARE = 0.5
BLOCK_DETAIL = 0.2
"""Mean square of local contrast from which a block shows detail; noise alone gives 0.1."""
BLOCK_GOOD_NCC = 0.4
LEAST_STEEPNESS = 10.0
"""Determinant of a block's slopes from which its own shift can be told (project's choice)."""

LEAST_EVIDENCE = 1250.0
LEAST_NCC = 0.3
MOST_SECOND_SHARE = 0.6
"""A join needs all three (tuned on development scenes; docs/methods/registration.md)."""


class Link(NamedTuple):
    """How frame b lies to frame a, and what proves it."""

    rotation: Matrix
    """(3, 3): direction in camera b = rotation @ direction in camera a.

    Axes of a camera: x right, y down, z ahead."""
    zoom: float
    """Focal length of b over what was taken for it (same framing only, else 1)."""
    likelihood: float
    """-n ln(1 - ncc^2) over the n pixels in common."""
    second_share: float
    """Likelihood of the best other place over this one's; 0 where no other was tried."""
    ncc: float
    """Correlation of local contrast over the overlap."""
    overlap: float
    """Share of the frame's area that the other sees, mean of both directions."""
    blocks: int
    """Blocks of 16 px with detail in the overlap."""
    good_share: float
    """Share of them that agree."""
    residual_px: float
    """Median disagreement of the blocks' own best places, preview pixels; parallax shows here."""
    brightness_ev: float | None
    """Light of b over a on the overlap; None where too few pixels are neither lost."""
    detail_log2: float | None
    """Fine detail of b over a on the overlap, log2 of energy, corrected for exposure."""
    shift_x_share: float
    """Where b looks, seen from a: share of the field to the right."""
    shift_y_share: float
    """The same downwards."""
    yaw_deg: float
    pitch_deg: float
    """Where b looks, seen from a: right and up positive."""
    roll_deg: float
    """Turn of b about its line of sight against a, clockwise positive."""
    focal_assumed: bool
    """The overlap rests on an assumed focal length."""


def same_framing(a: View, b: View) -> Link | None:
    """Join two frames of one framing.

    Parameters
    ----------
    a, b : View

    Returns
    -------
    Link or None
        None where b does not look where a looks (within 6 % of the frame and 3 degrees of roll).
    """
    if (a.rows, a.cols) != (b.rows, b.cols):
        return None
    found = search(a, b, 0.0, near=True)
    starts = [*(place.rotation for place in found[:2]), np.eye(3)]
    link = _link(a, b, raced(a, b, starts, zoomed=True))
    if link is None or not _is_same_framing(link):
        return None
    return link if link.ncc >= SURE_NCC or not _fits_better_elsewhere(a, b, link) else None


def join(a: View, b: View, start: Matrix | None = None) -> Link | None:
    """Join two frames that overlap somewhere.

    Parameters
    ----------
    a, b : View
    start : (3, 3) array, optional
        Turn that is known already; then only made exact.

    Returns
    -------
    Link or None
        None where no place is proven: too little overlap, too little detail in it, or a second
        place that fits nearly as well.
    """
    if start is not None:
        link = _link(a, b, ranked([refined(a, b, start)]))
        return link if _is_proven(link) else None
    for roll_rad in START_ROLLS_RAD:
        found = search(a, b, roll_rad, near=False)
        link = _link(a, b, raced(a, b, [place.rotation for place in found]))
        if _is_proven(link):
            return link
    return None


def join_near(a: View, b: View, step: Link) -> Link | None:
    """Join two frames about where a known step leads.

    Places further away are no rivals: what repeats along a row (a fence, a horizon) is told apart.

    Parameters
    ----------
    a, b : View
    step : Link
        How the frame before lies to a, or b to the frame after: sweeps turn by regular steps.

    Returns
    -------
    Link or None
        None where no place within `NEAR_STEP_SHARE` of the step is proven.
    """
    starts = [step.rotation, *(place.rotation for place in search(a, b, 0.0, near=False))]
    reach_rad = NEAR_STEP_SHARE * a.long_field_rad
    near = [start for start in starts if angle_between(start, step.rotation) < reach_rad]
    places = ranked([refined(a, b, start) for start in near])
    link = _link(a, b, [p for p in places if angle_between(p.rotation, step.rotation) < reach_rad])
    return link if _is_proven(link) else None


# ---------------------------------------------------------------- proof


def _grid(level: Level) -> tuple[Plane, Plane]:
    """Coordinates of every pixel of a level, from the middle of the frame, in columns."""
    rows, cols = level.feature.shape
    x, y = np.meshgrid(
        np.arange(cols, dtype=np.float32) - np.float32(level.middle[1]),
        (np.arange(rows, dtype=np.float32) - np.float32(level.middle[0])) / level.squash,
    )
    return x, y


class Aim(NamedTuple):
    """Where b looks, seen from a; see `Link`."""

    shift_x_share: float
    shift_y_share: float
    yaw_deg: float
    pitch_deg: float
    roll_deg: float


def _aim(a: View, rotation: Matrix) -> Aim:
    sight = rotation.T @ np.array([0.0, 0.0, 1.0])
    yaw_rad = math.atan2(sight[0], sight[2])
    down_rad = math.asin(max(-1.0, min(1.0, sight[1])))
    roll_rad = math.atan2(rotation[1, 0] - rotation[0, 1], rotation[0, 0] + rotation[1, 1])
    return Aim(
        shift_x_share=yaw_rad / (2 * math.atan(a.cols / 2 / a.focal_px)),
        shift_y_share=down_rad / (2 * math.atan(a.high / 2 / a.focal_px)),
        yaw_deg=math.degrees(yaw_rad),
        pitch_deg=-math.degrees(down_rad),
        roll_deg=math.degrees(roll_rad),
    )


def turned(a: View, b: View, link: Link, rotation: Matrix) -> Link:
    """Give a link a turn that is known better.

    Parameters
    ----------
    a, b : View
    link : Link
    rotation : (3, 3) array

    Returns
    -------
    Link
        With the overlap and the angles of that turn; what was compared stays.
    """
    aim = _aim(a, rotation)
    return link._replace(
        rotation=rotation,
        overlap=area_overlap(a, b, rotation, link.zoom),
        shift_x_share=aim.shift_x_share,
        shift_y_share=aim.shift_y_share,
        yaw_deg=aim.yaw_deg,
        pitch_deg=aim.pitch_deg,
        roll_deg=aim.roll_deg,
    )


class Overlay(NamedTuple):
    """b laid on a's pixels, at half size."""

    feature: Plane
    usable: NDArray[np.bool_]
    """(rows, cols) local contrast of b, and whether both frames are usable there."""
    place: NDArray[np.intp]
    """(rows * cols,) nearest pixel of b, -1 outside its frame."""


def _overlay(a: View, b: View, place: Place) -> Overlay:
    level, other = a.levels[PROOF_SIZE], b.levels[PROOF_SIZE]
    x, y = (axis.ravel() for axis in _grid(level))
    at_x, at_y = projected(x, y, level.focal_px, other.focal_px * place.zoom, place.rotation)
    feature, weight = sample(other, at_x, at_y)
    rows, cols = other.feature.shape
    col, row = np.rint(at_x + other.middle[1]), np.rint(at_y * other.squash + other.middle[0])
    inside = (col >= 0) & (row >= 0) & (col < cols) & (row < rows)
    shape = level.feature.shape
    return Overlay(
        feature.reshape(shape),
        (weight * level.weight.ravel() > 0.5).reshape(shape),
        np.where(inside, row * cols + col, -1).astype(np.intp),
    )


def picture_on(a: View, b: View, link: Link, picture: Plane) -> tuple[Plane, NDArray[np.bool_]]:
    """Lay a picture of b's size on a's pixels.

    Parameters
    ----------
    a, b : View
    link : Link
        From a to b.
    picture : (rows, cols) float32 array
        Of b's shape.

    Returns
    -------
    picture : (rows, cols) float32 array
        Of a's shape, 0 where b does not reach.
    seen : (rows, cols) bool array
        Where b reaches.
    """
    x, y = _grid(a.levels[0])
    at_x, at_y = projected(x.ravel(), y.ravel(), a.focal_px, b.focal_px * link.zoom, link.rotation)
    whole = b.levels[0]._replace(packed=packed_planes(picture, np.ones_like(picture)))
    values, seen = sample(whole, at_x, at_y)
    return values.reshape(x.shape), seen.reshape(x.shape) > 0.5


def _link(a: View, b: View, places: list[Place]) -> Link | None:
    """Measure the best place; None where there is none or it shares too little."""
    if not places or places[0].likelihood <= 0:
        return None
    best = places[0]
    overlap = area_overlap(a, b, best.rotation, best.zoom)
    if overlap < LEAST_OVERLAP_SHARE:
        return None
    laid = _overlay(a, b, best)
    feature = a.levels[PROOF_SIZE].feature
    ncc, shared = agreement(feature, laid.feature, laid.usable)
    blocks = _blocks(feature, laid.feature, laid.usable)
    aim = _aim(a, best.rotation)
    return Link(
        rotation=best.rotation,
        zoom=best.zoom,
        likelihood=likelihood_of(ncc, shared * PREVIEW_PIXELS * _grain(a, laid.usable)),
        second_share=_second_share(places, a.focal_px),
        ncc=ncc,
        overlap=overlap,
        blocks=len(blocks),
        good_share=float((blocks > BLOCK_GOOD_NCC).mean()) if len(blocks) else 0.0,
        residual_px=_residual_px(a, laid),
        brightness_ev=_brightness_ev(a, b, laid),
        detail_log2=_detail_log2(a, b, laid),
        shift_x_share=aim.shift_x_share,
        shift_y_share=aim.shift_y_share,
        yaw_deg=aim.yaw_deg,
        pitch_deg=aim.pitch_deg,
        roll_deg=aim.roll_deg,
        focal_assumed=a.focal_assumed or b.focal_assumed,
    )


def _grain(a: View, used: NDArray[np.bool_]) -> float:
    """Share of the overlap's pixels that count as independent: few where all is out of focus."""
    power = float((a.levels[PROOF_SIZE].feature[used] ** 2).sum())
    steep = float(a.slope_energy[used].sum())
    return min(1.0, steep / (power * USUAL_ROUGHNESS)) if power > 0 else 0.0


def _second_share(places: list[Place], focal_px: float) -> float:
    """Likelihood of the best place that is truly another one, over the best."""
    best = places[0]
    for place in places[1:]:
        if angle_between(place.rotation, best.rotation) * focal_px > 2 * PEAK_APART_PX:
            return place.likelihood / best.likelihood
    return 0.0


def _blocks(one: Plane, two: Plane, used: NDArray[np.bool_]) -> Plane:
    """Correlation of every block that shows detail in both frames."""
    count = _block_sums(used.astype(np.float32))
    power_one, power_two = _block_sums(one**2 * used), _block_sums(two**2 * used)
    both = _block_sums(one * two * used)
    shown = (
        (count >= BLOCK_FILL_SHARE * BLOCK_PX**2)
        & (power_one > BLOCK_DETAIL * count)
        & (power_two > BLOCK_DETAIL * count)
    )
    out: Plane = both[shown] / np.sqrt(power_one[shown] * power_two[shown])
    return out


def _residual_px(a: View, laid: Overlay) -> float:
    """Median distance by which blocks of the overlap would still move: one Lucas-Kanade step."""
    down, across = a.slopes
    rest = (laid.feature - a.levels[PROOF_SIZE].feature) * laid.usable
    used = laid.usable.astype(np.float32)
    xx, yy, xy = (_block_sums(p * used) for p in (across**2, down**2, across * down))
    x, y = _block_sums(across * rest), _block_sums(down * rest)
    steep = xx * yy - xy**2
    shown = (steep > LEAST_STEEPNESS) & (_block_sums(used) >= BLOCK_FILL_SHARE * BLOCK_PX**2)
    if not shown.any():
        return 0.0
    moved_x = (yy * x - xy * y)[shown] / steep[shown]
    moved_y = (xx * y - xy * x)[shown] / steep[shown]
    return float(np.median(np.hypot(moved_x, moved_y))) * math.sqrt(PREVIEW_PIXELS)


def _block_sums(plane: Plane) -> Plane:
    rows, cols = (side // BLOCK_PX for side in plane.shape)
    cut = plane[: rows * BLOCK_PX, : cols * BLOCK_PX]
    out: Plane = cut.reshape(rows, BLOCK_PX, cols, BLOCK_PX).sum(axis=(1, 3))
    return out


def _is_proven(link: Link | None) -> bool:
    """Whether a link found anywhere in the field holds (docs/methods/registration.md)."""
    if link is None or link.second_share >= MOST_SECOND_SHARE:
        return False
    return link.ncc >= LEAST_NCC and evidence(link) >= LEAST_EVIDENCE


def evidence(link: Link) -> float:
    """Likelihood of a place over that of its best rival: what a join is judged by."""
    return link.likelihood * (1 - link.second_share)


def _is_same_framing(link: Link | None) -> bool:
    """Whether a link found near the frame's own place holds."""
    if link is None or looks_elsewhere(link):
        return False
    return link.ncc > 0.3 and link.good_share >= 0.35 and link.blocks >= 3


def looks_elsewhere(link: Link) -> bool:
    """Whether b does not look where a looks."""
    aside = math.hypot(link.shift_x_share, link.shift_y_share)
    return aside > SAME_SHIFT_SHARE or abs(link.roll_deg) > SAME_ROLL_DEG


def _fits_better_elsewhere(a: View, b: View, link: Link) -> bool:
    """Whether two frames that seem to look one way agree better after a turn."""
    other = join(a, b)
    if other is None or other.likelihood <= link.likelihood:
        return False
    return math.hypot(other.shift_x_share, other.shift_y_share) > SAME_SHIFT_SHARE


# ---------------------------------------------------------------- what the overlap tells


def _brightness_ev(a: View, b: View, laid: Overlay) -> float | None:
    """Median of log2 of b's light over a's, where neither is near an end of its scale."""
    one, two = a.light.ravel(), b.light.ravel()[laid.place]
    used = (laid.place >= 0) & (one > 0) & (two > 0)
    if used.sum() < LEAST_SHARED:
        return None
    return float(np.median(np.log2(two[used] / one[used])))


def _detail_log2(a: View, b: View, laid: Overlay) -> float | None:
    """Fine energy of log light of b over a on the overlap: log light cancels the exposure."""
    used = (laid.place >= 0) & (a.light.ravel() > 0) & (b.light.ravel()[laid.place] > 0)
    if used.sum() < LEAST_SHARED:
        return None
    sum_a = float(a.fine_energy.ravel()[used].sum())
    sum_b = float(b.fine_energy.ravel()[laid.place[used]].sum())
    return math.log2(sum_b / sum_a) if min(sum_a, sum_b) > 0 else None
