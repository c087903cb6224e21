"""Where one frame may lie on another: a coarse search over all shifts, then least squares.

Two coarse spherical grids are laid over each other at every shift at once by Fourier transform; the
best few places are made exact on ever finer pictures.
"""

import math
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from audit.series.directions import Matrix, angle_between, projected, turn_about
from audit.series.view import Level, Plane, Spectra, View, sample, sphere_octave, sphere_step_rad

PEAKS = 4
PEAK_APART_PX = 6
"""Places of the coarse grid that are followed up, and how far apart they lie (project's choice)."""

LEAST_SEARCH_SHARE = 0.03
"""Coarse shifts with less in common are not looked at."""

SAME_SEARCH_SHARE = 0.08
"""Frames of one framing are looked for within this share of the frame."""


class Place(NamedTuple):
    """A candidate: a turn, a zoom and how well the pictures agree there."""

    rotation: Matrix
    zoom: float
    ncc: float
    likelihood: float


# ---------------------------------------------------------------- coarse search


def search(a: View, b: View, roll_rad: float, *, near: bool) -> list[Place]:
    """Best shifts of the coarse grids, as turns; most likely first."""
    octave = max(sphere_octave(a), sphere_octave(b))
    shape_a, shape_b = a.sphere_shape(octave), b.sphere_shape(octave)
    padded = tuple(
        scipy.fft.next_fast_len(rows_a + rows_b, real=True)
        for rows_a, rows_b in zip(shape_a, shape_b, strict=True)
    )
    size = (padded[0], padded[1])
    grid_a, grid_b = a.spectra(octave, 0.0, size), b.spectra(octave, roll_rad, size)
    ncc, shared = _correlated(grid_a, grid_b, size)
    down, right = (
        np.where(np.arange(n) < limit, np.arange(n), np.arange(n) - n)
        for n, limit in zip(size, shape_b, strict=True)
    )
    least = LEAST_SEARCH_SHARE * min(shape_a[0] * shape_a[1], shape_b[0] * shape_b[1])
    allowed = (shared > least) & (ncc > 0)
    if near:
        reach = 1 + SAME_SEARCH_SHARE * max(shape_a)
        allowed &= (np.abs(down) <= reach)[:, None] & (np.abs(right) <= reach)[None, :]
    likely = np.where(allowed, -shared * np.log1p(-(np.clip(ncc, 0, 0.999) ** 2)), 0)
    step = sphere_step_rad(octave)
    return [
        Place(
            _turn_of_shift(shape_a, shape_b, (int(down[row]), int(right[col])), step, roll_rad),
            1.0,
            float(ncc[row, col]),
            float(likely[row, col]),
        )
        for row, col in _peaks(likely)
    ]


def _correlated(a: Spectra, b: Spectra, size: tuple[int, int]) -> tuple[Plane, Plane]:
    """Masked correlation and shared pixels for every shift (Padfield 2012, without the means)."""
    both = scipy.fft.irfft2(np.conj(a.feature) * b.feature, s=size)
    square_a = scipy.fft.irfft2(np.conj(a.square) * b.weight, s=size)
    square_b = scipy.fft.irfft2(np.conj(a.weight) * b.square, s=size)
    shared = scipy.fft.irfft2(np.conj(a.weight) * b.weight, s=size)
    ncc = both / np.sqrt(np.maximum(square_a, 1) * np.maximum(square_b, 1))
    return ncc, shared


def _peaks(likely: Plane) -> list[tuple[int, int]]:
    """Highest places that are at least `PEAK_APART_PX` apart."""
    tops = (likely > 0) & (
        likely == scipy.ndimage.maximum_filter(likely, 2 * PEAK_APART_PX - 1, mode="wrap")
    )
    at = np.flatnonzero(tops)
    best = at[np.argsort(-likely.ravel()[at], kind="stable")][:PEAKS]
    return [(int(i // likely.shape[1]), int(i % likely.shape[1])) for i in best]


def _turn_of_shift(
    shape_a: tuple[int, int],
    shape_b: tuple[int, int],
    shift: tuple[int, int],
    step: float,
    roll_rad: float,
) -> Matrix:
    """Turn that carries the middle of the overlap on grid a to its place on grid b, upright."""
    places_a, places_b = [], []
    for size_a, size_b, moved in zip(shape_a, shape_b, shift, strict=True):
        first, last = max(0, -moved), min(size_a, size_b - moved)
        middle = (first + last - 1) / 2
        places_a.append((middle - (size_a - 1) / 2) * step)
        places_b.append((middle + moved - (size_b - 1) / 2) * step)
    frame_a = _tangent_frame(*places_a)
    frame_b = _about_sight(roll_rad) @ _tangent_frame(*places_b)
    return frame_b @ frame_a.T


def _tangent_frame(lat: float, lon: float) -> Matrix:
    """Right, down and ahead at a place of the coarse grid, as columns."""
    cos_lat, sin_lat, cos_lon, sin_lon = math.cos(lat), math.sin(lat), math.cos(lon), math.sin(lon)
    return np.array(
        [
            [cos_lon, -sin_lat * sin_lon, cos_lat * sin_lon],
            [0.0, cos_lat, sin_lat],
            [-sin_lon, -sin_lat * cos_lon, cos_lat * cos_lon],
        ]
    )


def _about_sight(roll_rad: float) -> Matrix:
    cos, sin = math.cos(roll_rad), math.sin(roll_rad)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])


# ---------------------------------------------------------------- least squares

STEPS = (5, 6, 8)
"""Steps at full, half and quarter size; a fit stops once it stands still."""

STILL_PX = 0.02
"""Turns that move the picture by less end a fit."""

HOPELESS_LIKELIHOOD = 50.0
HOPELESS_AT_HALF = 80.0
"""At quarter and half size. The least of true joins was 69 and 290; of the searches that proved
nothing, a third falls to the first and a quarter of the rest to the second (measured on development
trips)."""

FOLLOWED = 3
SAME_PLACE_PX = 1.0
"""Places followed at half size, and how near two are one: pixels of the preview (project's
choice)."""

TIE_SHARE = 0.8
"""Places that come so near the best at half size are followed to the end as well (project's
choice)."""

DAMPING = 1e-3
"""Share of the mean curvature added to every unknown (project's choice)."""

MARGIN_PX = 4
LEAST_POINTS = 30

ROBUST = 0.8
"""Difference of local contrast that halves a pixel's say (moving water; project's choice)."""


def raced(a: View, b: View, starts: list[Matrix], *, zoomed: bool = False) -> list[Place]:
    """Refine all starts coarsely, the likeliest of different places further, the best to the end.

    Parameters
    ----------
    a, b : View
    starts : list of (3, 3) array
    zoomed : bool
        Fit the zoom as well.

    Returns
    -------
    list of Place
        Most likely first; none where even the best is hopeless.
    """
    coarse = _apart(ranked([_fitted(a, b, start, 1.0, 2) for start in starts]), a.focal_px)
    if not coarse or coarse[0].likelihood < HOPELESS_LIKELIHOOD:
        return []
    half = ranked([_fitted(a, b, p.rotation, 1.0, 1, zoomed=zoomed) for p in coarse[:FOLLOWED]])
    if half[0].likelihood < HOPELESS_AT_HALF:
        return []
    ties = [place for place in half if place.likelihood > TIE_SHARE * half[0].likelihood]
    full = ranked([_fitted(a, b, p.rotation, p.zoom, 0, zoomed=zoomed) for p in ties])
    scale = full[0].likelihood / half[0].likelihood
    # The others stay at half size: only the ratio of likelihoods is wanted of them.
    rest = half[len(ties) :]
    return [*full, *(place._replace(likelihood=place.likelihood * scale) for place in rest)]


def _apart(places: list[Place], focal_px: float) -> list[Place]:
    """Places less those that ran to where a likelier one already is."""
    out: list[Place] = []
    for place in places:
        turns_rad = (angle_between(place.rotation, other.rotation) for other in out)
        if all(turn_rad * focal_px > SAME_PLACE_PX for turn_rad in turns_rad):
            out.append(place)
    return out


def refined(a: View, b: View, start: Matrix, *, zoomed: bool = False) -> Place:
    """Fit one start through all sizes."""
    place = Place(start, 1.0, 0.0, 0.0)
    for size in (2, 1, 0):
        place = _fitted(a, b, place.rotation, place.zoom, size, zoomed=zoomed and size < 2)
    return place


def bent(a: View, b: View, start: Matrix, bend: float) -> Place:
    """Fit at full size frames whose lens bends straight lines.

    Parameters
    ----------
    a, b : View
    start : (3, 3) array
        A turn that is nearly right.
    bend : float
        Share by which the corner of the frame looks further out than a pinhole's: barrel positive.

    Returns
    -------
    Place
    """
    return _fitted(a, b, start, 1.0, 0, bend=bend)


def _fitted(
    a: View,
    b: View,
    rotation: Matrix,
    zoom: float,
    size: int,
    *,
    zoomed: bool = False,
    bend: float = 0.0,
) -> Place:
    """Robust Gauss-Newton at one size, slopes taken on a (inverse compositional).

    Baker & Matthews (2004), Lucas-Kanade 20 years on, Int. J. Computer Vision 56(3).
    """
    level, other = a.levels[size], b.levels[size]
    unknowns = 4 if zoomed else 3
    points, values, slopes = _shared_points(level, other, rotation, zoom, bend, unknowns)
    if len(values) < LEAST_POINTS:
        return Place(rotation, zoom, 0.0, 0.0)
    for _ in range(STEPS[size]):
        found, weight = sample(other, *_seen(points, level, other, rotation, zoom, bend))
        rest = found - values
        weighted = slopes * (weight / (1 + (rest / ROBUST) ** 2) ** 2)
        normal = (weighted @ slopes.T).astype(np.float64)
        normal.flat[:: unknowns + 1] += DAMPING * (normal.trace() / unknowns + 1e-9)
        moved = np.linalg.solve(normal, weighted @ rest)
        rotation = rotation @ turn_about(-moved[:3].clip(-0.1, 0.1))
        if zoomed:
            zoom = float(np.clip(zoom * math.exp(-np.clip(moved[3], -0.02, 0.02)), 0.9, 1.1))
        if np.abs(moved[:3]).max() * level.focal_px < STILL_PX:
            break
    found, weight = sample(other, *_seen(points, level, other, rotation, zoom, bend))
    ncc, shared = agreement(values, found, weight > 0.5)
    return Place(rotation, zoom, ncc, likelihood_of(ncc, shared))


def _shared_points(
    level: Level, other: Level, rotation: Matrix, zoom: float, bend: float, unknowns: int
) -> tuple[Plane, Plane, Plane]:
    """Points of a that lie in b's frame or close to it: (2, n), (n,), (unknowns, n)."""
    x, y = _seen(level.points, level, other, rotation, zoom, bend)
    rows, cols = other.feature.shape
    high = rows / other.squash
    near = (np.abs(x) < cols / 2 + MARGIN_PX) & (np.abs(y) < high / 2 + MARGIN_PX)
    return level.points[:, near], level.values[near], level.slopes[:unknowns, near]


def _seen(
    points: Plane, level: Level, other: Level, rotation: Matrix, zoom: float, bend: float
) -> tuple[Plane, Plane]:
    """Where b sees points of a; with r of 1 in the corner, a ray's place is r (1 + bend r^2)."""
    if not bend:
        return projected(points[0], points[1], level.focal_px, other.focal_px * zoom, rotation)
    out = 1 + np.float32(bend) * _corner_shares(level, points[0], points[1])
    x, y = projected(
        points[0] * out, points[1] * out, level.focal_px, other.focal_px * zoom, rotation
    )
    # The way back, in two steps of the fixed point; far outside the frame it need not hold.
    square = np.minimum(_corner_shares(other, x, y), 2.0)
    back = np.asarray(1 / (1 + np.float32(bend) * square), np.float32)
    back = np.asarray(1 / (1 + np.float32(bend) * square * back**2), np.float32)
    return np.asarray(x * back, np.float32), np.asarray(y * back, np.float32)


def _corner_shares(level: Level, x: Plane, y: Plane) -> Plane:
    """Squared distance from the middle over that of the corner."""
    rows, cols = level.feature.shape
    out: Plane = (x**2 + y**2) / np.float32((rows**2 + cols**2) / 4)
    return out


def likelihood_of(ncc: float, shared: float) -> float:
    """How much better a correlation explains so many pixels than chance: -n ln(1 - ncc^2)."""
    return -shared * math.log1p(-(min(ncc, 0.999) ** 2))


def agreement(values: Plane, found: Plane, used: NDArray[np.bool_]) -> tuple[float, float]:
    """Correlation over usable pixels (never negative) and how many there are."""
    one, two = values[used], found[used]
    power = float(one @ one) * float(two @ two)
    return (max(0.0, float(one @ two) / math.sqrt(power)) if power > 0 else 0.0), float(used.sum())


def ranked(places: list[Place]) -> list[Place]:
    """Sort places, most likely first."""
    return sorted(places, key=lambda place: -place.likelihood)
