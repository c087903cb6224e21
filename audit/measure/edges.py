"""Isolated step edges of one linear plane: where they lie, and how wide each one is.

Three steps. A small pyramid (full, half, quarter resolution) is screened for the strongest
gradients, spread over tiles and edge directions. Each candidate gets a first position, direction
and width from Gaussian derivatives. Then a blurred step (error function of the signed distance,
slightly curved) is fitted to the samples themselves at the resolution that suits its width, by
damped least squares; what the step leaves unexplained is the test for lines, texture and clutter.

A Bayer mosaic is measured on its green samples at their true places; nothing is interpolated.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from audit.measure.noise import NoiseModel
from audit.measure.preview import block_means

Plane = NDArray[np.uint16] | NDArray[np.float32]
F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ZERO, HALF, ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)  # keep products in float32

PATCH_RADIUS_PX = 7
"""Samples out to this distance from a candidate, in pixels of its level: 3.6 sigma at 1.7 px."""

START_SCALE_PX = 1.4
"""Smoothing of the derivatives that give the start values; the green lattice needs >= 1.0."""

LEVEL_LIMITS_PX = ((0.0, 1.6), (1.5, 3.3), (3.1, 9.0))
"""Total sigma in native px measured at full, half and quarter resolution (small overlap)."""

FIRST_ROUNDS, FIT_ROUNDS = 3, 5
"""Damped Gauss-Newton rounds before the hopeless are dropped, and in all; seven gave the same order
and errors on development frames (widths 2.8 and 2.7 %) and cost a quarter more."""

HOPELESS_MISFIT = 0.12
"""A patch so far from a step after the first rounds never becomes a usable edge (measured)."""

TANGENT_REACH_PX = 4.0
"""Length of edge used on either side of the candidate, in pixels of its level."""

WINDOW_SIGMAS = 3.0
WINDOW_EXTRA_PX = 1.2
"""Samples up to 3 sigma + 1.2 px from the edge are fitted."""

DETECT_SIGMAS = 6.0
"""A candidate's gradient stands this far above its own noise (common practice: 5 or more)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One resolution of the pyramid."""

    plane: NDArray[Any]  # uint16 as read, or float32
    scale: int  # native px per pixel of this level
    black_dn: float  # to be subtracted from the samples of this level
    noise_share: float  # noise variance of one sample, as a share of a native sample's
    green_parity: int | None  # not None: only these samples are valid
    binning: tuple[
        float, float
    ]  # variance per axis and covariance (rows x cols) added, native px^2


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeTable:
    """One entry an edge; lengths in native pixels of the stored orientation."""

    row: F32
    col: F32
    theta: F32  # direction of the normal, radians, from +col towards +row (down), dark to bright
    variance: F32  # of the edge spread, px^2, the pixel's own aperture included
    variance_sd: F32
    contrast: F32  # bright minus dark side, DN
    level: F32  # mean of both sides, DN above black
    scale: NDArray[np.int16]  # resolution used: 1, 2, 4 native px per sample
    curvature: F32  # 1 / px
    misfit: F32  # rms of what the step leaves unexplained beyond noise, as a share of contrast
    doubt: F32  # expected relative error of sigma from clutter and noise (see ``_doubt``)

    def __len__(self) -> int:
        """Count of edges."""
        return int(self.row.size)

    def take(self, keep: Bools | Ints) -> Self:
        """Table of the chosen edges."""
        return type(self)(**{f.name: getattr(self, f.name)[keep] for f in fields(self)})

    @property
    def rise_px(self) -> F32:
        """10-90 % rise of each edge, as of a Gaussian of the same variance."""
        return (RISE_PER_SIGMA * np.sqrt(np.maximum(self.variance, 0.0))).astype(np.float32)


RISE_PER_SIGMA = 2.563103
"""10-90 % rise of a Gaussian-blurred step, in sigma: 2 x 1.2815516 (normal quantile)."""


def pyramid(plane: Plane, *, black_dn: float, green_parity: int | None) -> tuple[Level, ...]:
    """Full, half and quarter resolution of a plane; the upper two are float32 above black."""
    full = Level(
        plane=plane,
        scale=1,
        black_dn=black_dn,
        noise_share=1.0,
        green_parity=green_parity,
        binning=(0.0, 0.0),
    )
    half = _half(plane, black_dn, green_parity)
    if green_parity is None:
        half_binning, share = (0.25, 0.0), 0.25
    else:
        half_binning, share = (0.25, 0.25 if green_parity == 0 else -0.25), 0.5
    quarter = block_means(half, 2)
    return (
        full,
        Level(
            plane=half,
            scale=2,
            black_dn=0.0,
            noise_share=share,
            green_parity=None,
            binning=half_binning,
        ),
        Level(
            plane=quarter,
            scale=4,
            black_dn=0.0,
            noise_share=share / 4.0,
            green_parity=None,
            binning=(half_binning[0] + 1.0, half_binning[1]),
        ),
    )


HALF_BAND_ROWS = 64
"""Rows of the half-resolution plane that are made at a time, within the processor's cache."""


def _half(plane: Plane, black_dn: float, green_parity: int | None) -> F32:
    """Half resolution, above black: means of 2 x 2 samples, or of the two greens of each cell."""
    rows, cols = plane.shape[0] // 2, plane.shape[1] // 2
    even = plane[: 2 * rows, : 2 * cols]
    if green_parity is None:
        parts = [even[r::2, c::2] for r in (0, 1) for c in (0, 1)]
    else:
        parts = [even[0::2, green_parity::2], even[1::2, 1 - green_parity :: 2]]
    half = np.empty((rows, cols), np.float32)
    for top in range(0, rows, HALF_BAND_ROWS):
        out = half[top : top + HALF_BAND_ROWS]
        first, second, *others = (part[top : top + HALF_BAND_ROWS] for part in parts)
        np.add(first, second, out=out, dtype=np.float32)
        for other in others:
            out += other
        out *= np.float32(1 / len(parts))
        out -= np.float32(black_dn)
    return half


# ------------------------------------------------------------------------------- candidates

BLOCK = 4
"""One candidate at most per 4 x 4 pixels of its level."""

PRESELECTED = 4
"""Blocks looked at more closely for each candidate wanted, strongest gradients first."""

FLANKS = ((2, 4), (3, 5))
"""Distances, in pixels of the level, between which the sides of an isolated step are flat."""

STRENGTH_POWER = 0.2
"""Flat sides count more than strength: among the first 2000 candidates of eight tuning frames
1450 become usable edges by this order, 1100 by strength alone."""

SCREEN_SAMPLES = 4_000_000
"""Gradients taken on one level: on larger planes every second row and column, or fewer; an edge
is longer than that."""

DIRECTIONS = 4
"""Candidates are drawn evenly from four ranges of normal direction, so that smear along one
direction does not hide the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """Pixels of one level with a strong gradient."""

    row: Ints
    col: Ints
    place: Ints  # in the order of promise within the tile and range of direction

    def between(self, first: int, last: int) -> Self:
        """Those of the given places."""
        keep = (self.place >= first) & (self.place < last)
        return type(self)(row=self.row[keep], col=self.col[keep], place=self.place[keep])


def screen(
    level: Level,
    *,
    noise: NoiseModel,
    tiles: tuple[int, int],
    per_cell: int,
    samples: int = SCREEN_SAMPLES,
) -> Candidates:
    """Most promising gradients of a level, ``per_cell`` for each tile and range of direction."""
    plane = level.plane
    stride = min(BLOCK, max(1, math.ceil(math.sqrt(plane.size / samples))))
    side = BLOCK // stride
    margin = PATCH_RADIUS_PX + 4
    rows, cols = ((n - 2 * margin) // (side * stride) * side for n in plane.shape)
    if rows < tiles[0] * side or cols < tiles[1] * side:
        none = np.empty(0, np.int64)
        return Candidates(row=none, col=none, place=none)

    def shifted(down: int, across: int) -> F32:
        top, left = margin + down, margin + across
        return plane[top : top + rows * stride : stride, left : left + cols * stride : stride]

    down = shifted(1, 0) - shifted(-1, 0)
    across = shifted(0, 1) - shifted(0, -1)
    square = down * down
    square += across * across
    peak = _block_maximum(square, side)
    block_row, block_col = _strong_blocks(peak, tiles, PRESELECTED * DIRECTIONS * per_cell)
    strength = peak[block_row, block_col]
    cells = square.reshape(rows // side, side, cols // side, side)[block_row, :, block_col, :]
    where = cells.reshape(block_row.size, side * side).argmax(axis=1)
    row, col = block_row * side + where // side, block_col * side + where % side
    here = plane[row * stride + margin, col * stride + margin]
    floor = 2.0 * level.noise_share * DETECT_SIGMAS**2
    strong = strength > floor * noise.variance_dn2(here)
    row, col, strength = row[strong], col[strong], strength[strong]
    gradient = down[row, col], across[row, col]
    angle = np.arctan2(*gradient)
    bin_ = np.floor((angle / np.pi) * DIRECTIONS + 0.5).astype(np.int64) % DIRECTIONS
    tile = (row * tiles[0] // rows) * tiles[1] + col * tiles[1] // cols
    row, col = row * stride + margin, col * stride + margin
    slope = _flank_slope(plane, row, col, gradient, noise, level.noise_share)
    key = np.log(slope) - STRENGTH_POWER * np.log(strength)
    order, place = _places(tile * DIRECTIONS + bin_, key)
    kept = order[place < per_cell]
    return Candidates(row=row[kept], col=col[kept], place=place[place < per_cell])


def _flank_slope(
    plane: F32,
    row: Ints,
    col: Ints,
    gradient: tuple[F32, F32],
    noise: NoiseModel,
    noise_share: float,
) -> F64:
    """How far the sides of a candidate are from flat, relative to its step; small is good."""
    norm = np.hypot(*gradient)
    down, across = gradient[0] / norm, gradient[1] / norm
    noise_dn2 = noise.variance_dn2(plane[row, col]) * noise_share
    total = np.full(row.size, 0.02)

    def at(distance: int) -> F32:
        return plane[
            row + np.rint(distance * down).astype(np.int64),
            col + np.rint(distance * across).astype(np.int64),
        ]

    for near, far in FLANKS:
        low, high = at(-near), at(near)
        change = (at(far) - high) ** 2 + (at(-far) - low) ** 2 + 4.0 * noise_dn2
        total += np.sqrt(change / np.maximum((high - low) ** 2, 1e-3))
    return total


def _block_maximum(plane: F32, side: int) -> F32:
    """Maximum of each side x side block."""
    across = plane[:, ::side]
    for k in range(1, side):
        across = np.maximum(across, plane[:, k::side])
    both = across[::side]
    for k in range(1, side):
        both = np.maximum(both, across[k::side])
    return both


def _strong_blocks(peak: F32, tiles: tuple[int, int], per_tile: int) -> tuple[Ints, Ints]:
    """Rows and columns of the strongest blocks of every tile."""
    rows, cols = [], []
    row_edges = np.arange(tiles[0] + 1) * peak.shape[0] // tiles[0]
    col_edges = np.arange(tiles[1] + 1) * peak.shape[1] // tiles[1]
    for top, bottom in itertools.pairwise(row_edges):
        for left, right in itertools.pairwise(col_edges):
            tile = peak[top:bottom, left:right].ravel()
            if tile.size > per_tile:
                best = np.argpartition(tile, tile.size - per_tile)[tile.size - per_tile :]
            else:
                best = np.arange(tile.size)
            rows.append(top + best // (right - left))
            cols.append(left + best % (right - left))
    return np.concatenate(rows), np.concatenate(cols)


def _places(cell: Ints, key: F64) -> tuple[Ints, Ints]:
    """Entries ordered by key within each cell, and the place of each in its cell."""
    order = np.lexsort((key, cell))
    ordered = cell[order]
    first = np.searchsorted(ordered, ordered, side="left")
    return order, np.arange(order.size) - first


# ---------------------------------------------------------------------------- start values


def _derivative_kernels(radius: int, scale: float) -> F32:
    """Kernels (samples, 9): d/dx, d/dy, xx, xy, yy, xxx, xxy, xyy, yyy of a Gaussian, x = col."""
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1].astype(np.float64)
    s2 = scale**2
    g = np.exp(-(x**2 + y**2) / (2 * s2)) / (2 * np.pi * s2)
    hx, hy = x / s2, y / s2
    hxx, hyy = hx**2 - 1 / s2, hy**2 - 1 / s2
    hxxx, hyyy = hx**3 - 3 * hx / s2, hy**3 - 3 * hy / s2
    parts = (hx, hy, hxx, hx * hy, hyy, hxxx, hxx * hy, hx * hyy, hyyy)
    return np.stack([(g * p).ravel() for p in parts], axis=1).astype(np.float32)


@dataclass(slots=True, kw_only=True)
class _Start:
    row: Ints
    col: Ints
    theta: F32
    shift: F32  # distance of the edge along the normal from the pixel's middle
    variance: F32  # of the edge at this level, before its binning is taken off


def _start_values(level: Level, row: Ints, col: Ints) -> _Start:
    """Direction, distance and variance by log-curvature of Gaussian derivatives."""
    radius = 5
    kernels = _derivative_kernels(radius, START_SCALE_PX)
    offsets = _square_offsets(radius, level.plane.shape[1])
    flat = level.plane.ravel()
    for last in (False, True):
        reply = flat[(row * level.plane.shape[1] + col)[:, None] + offsets] @ kernels
        gx, gy, gxx, gxy, gyy, gxxx, gxxy, gxyy, gyyy = reply.T
        slope = np.hypot(gx, gy)
        c, s = gx / slope, gy / slope
        g2 = (c * c * gxx + 2 * c * s * gxy + s * s * gyy) / slope
        g3 = (c**3 * gxxx + 3 * c * c * s * gxxy + 3 * c * s * s * gxyy + s**3 * gyyy) / slope
        curve = g2 * g2 - g3
        total = np.where(curve > 0.02, 1.0 / np.maximum(curve, 0.02), 50.0)
        shift = np.clip(g2 * total, -4.0, 4.0)
        if last:
            break
        row = row + np.rint(s * shift).astype(np.int64)
        col = col + np.rint(c * shift).astype(np.int64)
    return _Start(
        row=row,
        col=col,
        theta=np.arctan2(gy, gx),
        shift=shift,
        variance=(total - START_SCALE_PX**2).astype(np.float32),
    )


def _square_offsets(radius: int, cols: int) -> Ints:
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    flat: Ints = (y * cols + x).ravel().astype(np.int64)
    return flat


# ----------------------------------------------------------------------------------- fit


def _disc_offsets(level: Level) -> tuple[F32, F32, Ints]:
    """Columns, rows and flat offsets of the valid samples round a valid sample."""
    radius = PATCH_RADIUS_PX
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    inside = x * x + y * y <= (radius + 0.5) ** 2
    if level.green_parity is not None:
        inside &= (x + y) % 2 == 0
    x, y = x[inside], y[inside]
    flat = (y * level.plane.shape[1] + x).astype(np.int64)
    return x.astype(np.float32), y.astype(np.float32), flat


@dataclass(slots=True, kw_only=True)
class StepFit:
    """Blurred steps fitted to patches of one level, lengths in pixels of that level."""

    samples: F32  # (edges, samples), DN above black
    x: F32
    y: F32
    centre_row: Ints
    centre_col: Ints
    theta: F32
    shift: F32
    log_sigma: F32
    curvature: F32
    low: F32
    step: F32
    covariance_sigma: F32  # of log sigma, for noise of variance 1
    weight_sum: F32
    residual: F32  # (edges, samples)
    weight: F32  # (edges, samples)
    distance: F32  # (edges, samples), signed distance from the edge
    tangent: F32  # (edges, samples), coordinate along the edge


def fit_steps(level: Level, start: _Start, noise: NoiseModel) -> StepFit:
    """Damped Gauss-Newton fit of a blurred, slightly curved step to each patch."""
    row, col = start.row, start.col
    shift = start.shift.astype(np.float32)
    if level.green_parity is not None:  # patches sit on a green sample
        off = (row + col) % 2 != level.green_parity
        col = col + off
        shift = shift - off * np.cos(start.theta)
    x, y, flat = _disc_offsets(level)
    plane = level.plane
    index = (row * plane.shape[1] + col)[:, None] + flat
    samples = plane.ravel()[index].astype(np.float32) - np.float32(level.black_dn)
    fit = StepFit(
        samples=samples,
        x=x,
        y=y,
        centre_row=row,
        centre_col=col,
        theta=start.theta.astype(np.float32),
        shift=shift.astype(np.float32),
        log_sigma=(0.5 * np.log(np.clip(start.variance, 0.16, 4.0))).astype(np.float32),
        curvature=np.zeros(row.size, np.float32),
        low=np.zeros(row.size, np.float32),
        step=np.zeros(row.size, np.float32),
        covariance_sigma=np.zeros(row.size, np.float32),
        weight_sum=np.zeros(row.size, np.float32),
        residual=np.empty(0, np.float32),
        weight=np.empty(0, np.float32),
        distance=np.empty(0, np.float32),
        tangent=np.empty(0, np.float32),
    )
    for _ in range(FIRST_ROUNDS):
        _improve(fit)
    fit = _hopeful(fit, noise, level.noise_share)
    for _ in range(FIT_ROUNDS - FIRST_ROUNDS):
        _improve(fit)
    _finish(fit)
    return fit


def _hopeful(fit: StepFit, noise: NoiseModel, noise_share: float) -> StepFit:
    """The fits that look like steps so far."""
    _finish(fit)
    noise_dn2 = noise.variance_dn2(fit.low + HALF * fit.step) * noise_share
    keep = _misfit(fit, noise_dn2) < HOPELESS_MISFIT
    per_edge = {
        f.name: getattr(fit, f.name)[keep] for f in fields(StepFit) if f.name not in ("x", "y")
    }
    return StepFit(x=fit.x, y=fit.y, **per_edge)


def _misfit(fit: StepFit, noise_dn2: F64) -> F32:
    """Rms of what the step leaves unexplained beyond noise, as a share of the step."""
    excess = np.maximum(_mean_square(fit) - noise_dn2, 0.0)
    return np.asarray(np.sqrt(excess) / np.maximum(np.abs(fit.step), 1e-6), dtype=np.float32)


def _mean_square(fit: StepFit) -> F32:
    """Mean square residual, the six fitted numbers allowed for."""
    square = np.einsum("ij,ij,ij->i", fit.weight, fit.residual, fit.residual)
    spare = np.maximum(fit.weight_sum - np.float32(6.0), ONE)
    return np.asarray(square / spare, dtype=np.float32)


def _geometry(fit: StepFit) -> tuple[F32, F32, F32]:
    """Signed distance and tangent coordinate of every sample, and its weight."""
    c: F32 = np.cos(fit.theta)[:, None]
    s: F32 = np.sin(fit.theta)[:, None]
    tangent: F32 = c * fit.y - s * fit.x
    distance: F32 = c * fit.x + s * fit.y
    bend: F32 = fit.curvature[:, None] * tangent
    distance -= fit.shift[:, None] + HALF * bend * tangent
    # Across the bent edge, not along the first normal: curved edges would read 2 % wide.
    distance /= np.sqrt(ONE + bend * bend)
    sigma = np.exp(fit.log_sigma)[:, None]
    reach = np.float32(WINDOW_SIGMAS) * sigma + np.float32(WINDOW_EXTRA_PX + 0.5)
    weight: F32 = np.clip(reach - np.abs(distance), ZERO, ONE)
    weight *= np.clip(np.float32(TANGENT_REACH_PX + 0.5) - np.abs(tangent), ZERO, ONE)
    return distance, tangent, weight


NORMAL_TAIL_P = 0.3275911
NORMAL_TAIL = (0.254829592, -0.284496736, 1.421413741, -1.453152027, 1.061405429)
"""Abramowitz & Stegun, Handbook of Mathematical Functions, 7.1.26: erf to 1.5e-7; ten times as
fast here as the exact function, since the exponential is wanted anyway."""


def _step_shape(fit: StepFit, distance: F32) -> tuple[F32, F32]:
    """Blurred unit step and its derivative in units of sigma."""
    u = distance / np.exp(fit.log_sigma)[:, None]
    bell = np.exp(-HALF * u * u)
    t = ONE / (ONE + np.float32(NORMAL_TAIL_P * math.sqrt(0.5)) * np.abs(u))
    tail = np.float32(NORMAL_TAIL[-1]) * t
    for coefficient in NORMAL_TAIL[-2::-1]:
        tail += np.float32(coefficient)
        tail *= t
    tail *= bell
    shape: F32 = HALF + np.copysign(HALF * (ONE - tail), u)
    return shape, bell * np.float32(1.0 / math.sqrt(2 * math.pi))


def _normal_matrix(fit: StepFit) -> tuple[F64, F64, F32]:
    """Normal equations (edges, 6, 6), right side (edges, 6) and weights of one round.

    Columns: low side, step height, direction, distance, log sigma, curvature. The last four
    are per unit of step height.
    """
    distance, tangent, weight = _geometry(fit)
    shape, bell = _step_shape(fit, distance)
    slope = bell / np.exp(fit.log_sigma)[:, None]
    columns = np.stack(
        (
            np.ones_like(shape),
            shape,
            slope * tangent,
            -slope,
            -slope * distance,
            -HALF * slope * (tangent * tangent),
        ),
        axis=1,
    )
    weighted = columns * weight[:, None, :]
    matrix = (weighted @ columns.transpose(0, 2, 1)).astype(np.float64)
    right = (weighted @ fit.samples[:, :, None])[:, :, 0].astype(np.float64)
    return matrix, right, weight


def _improve(fit: StepFit) -> None:
    """One round: solve for both sides and the four shape corrections together."""
    matrix, right, _ = _normal_matrix(fit)
    diagonal = np.arange(6)
    matrix[:, diagonal, diagonal] *= 1.0 + 1e-3
    matrix[:, diagonal, diagonal] += 1e-6
    solved = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
    step = np.where(np.abs(solved[:, 1]) < 1e-6, 1e-6, solved[:, 1])
    fit.theta += np.clip(solved[:, 2] / step, -0.3, 0.3).astype(np.float32)
    fit.shift += np.clip(solved[:, 3] / step, -0.8, 0.8).astype(np.float32)
    fit.log_sigma += np.clip(solved[:, 4] / step, -0.4, 0.4).astype(np.float32)
    fit.curvature += np.clip(solved[:, 5] / step, -0.1, 0.1).astype(np.float32)
    np.clip(fit.log_sigma, np.log(0.2), np.log(3.0), out=fit.log_sigma)
    np.clip(fit.curvature, -0.4, 0.4, out=fit.curvature)
    np.clip(fit.shift, -4.0, 4.0, out=fit.shift)


def _finish(fit: StepFit) -> None:
    """Sides, residuals and the uncertainty of the width at the last parameters."""
    matrix, right, weight = _normal_matrix(fit)
    diagonal = np.arange(6)
    matrix[:, diagonal, diagonal] += 1e-6
    sides = np.linalg.solve(matrix[:, :2, :2], right[:, :2, None])[:, :, 0]
    fit.low, fit.step = sides[:, 0].astype(np.float32), sides[:, 1].astype(np.float32)
    inverse = np.linalg.inv(matrix)
    step = np.where(np.abs(fit.step) < 1e-6, 1e-6, fit.step)
    fit.covariance_sigma = (np.maximum(inverse[:, 4, 4], 0.0) / step**2).astype(np.float32)
    distance, tangent, _ = _geometry(fit)
    shape, _ = _step_shape(fit, distance)
    fit.residual = fit.samples - fit.low[:, None] - fit.step[:, None] * shape
    fit.weight, fit.distance, fit.tangent = weight, distance, tangent
    fit.weight_sum = weight.sum(axis=1)


# --------------------------------------------------------------------------------- table


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelEdges:
    """Edges of one level: the table and, for stacking, the samples behind each entry."""

    table: EdgeTable
    fit: StepFit
    picked: Ints  # entry -> row of ``fit``


def measure_level(
    level: Level,
    start: _Start,
    *,
    noise: NoiseModel,
    clipped_dn: float,
    limits_px: tuple[float, float],
) -> LevelEdges:
    """Fit the candidates of a level and keep every one that is a step at all.

    The loose tests here (contrast, convergence, clipping, width within the level's range) only
    drop what carries no information; how good an edge is stands in ``misfit``.
    """
    fit = fit_steps(level, start, noise)
    middle = fit.low + 0.5 * fit.step
    noise_dn2 = noise.variance_dn2(middle) * level.noise_share
    contrast = np.abs(fit.step)
    misfit = _misfit(fit, noise_dn2)
    sigma = np.exp(fit.log_sigma)
    variance = sigma**2
    sd = 2.0 * variance * np.sqrt(fit.covariance_sigma * np.maximum(_mean_square(fit), noise_dn2))
    theta = np.where(fit.step < 0, fit.theta + np.pi, fit.theta)
    theta = np.mod(theta + np.pi, 2 * np.pi) - np.pi
    per_axis, cross = level.binning
    native = variance * level.scale**2 - per_axis - cross * np.sin(2 * theta)
    offset = (level.scale - 1) / 2.0
    table = EdgeTable(
        row=((fit.centre_row + np.sin(fit.theta) * fit.shift) * level.scale + offset).astype(
            np.float32
        ),
        col=((fit.centre_col + np.cos(fit.theta) * fit.shift) * level.scale + offset).astype(
            np.float32
        ),
        theta=theta.astype(np.float32),
        variance=native.astype(np.float32),
        variance_sd=(sd * level.scale**2).astype(np.float32),
        contrast=contrast.astype(np.float32),
        level=middle.astype(np.float32),
        scale=np.full(sigma.size, level.scale, np.int16),
        curvature=(fit.curvature / level.scale).astype(np.float32),
        misfit=misfit.astype(np.float32),
        doubt=_doubt(fit, misfit, contrast, sd.astype(np.float32)),
    )
    open_ = fit.samples.max(axis=1) < clipped_dn - (level.black_dn if level.scale == 1 else 0.0)
    total_px = sigma * level.scale
    keep = (
        open_
        & np.isfinite(misfit)
        & (total_px >= limits_px[0])
        & (total_px < limits_px[1])
        & (sigma < 2.2)
        & (native > 0.0)
        & (np.abs(fit.shift) < 2.5)
        & (contrast > 8.0 * np.sqrt(noise_dn2))
        & (misfit < 0.25)
        & (sd * level.scale**2 < 0.5 * np.maximum(native, 0.05))
    )
    picked = np.nonzero(keep)[0]
    return LevelEdges(table=table.take(picked), fit=fit, picked=picked)


DOUBT_CONSTANT = 5.458
DOUBT_POWERS = {"misfit": 0.588, "balance": 0.111, "flank": 0.116, "noise": 0.320, "width": 0.668}
DOUBT_PER_BEND = 0.966
"""Expected relative error of one edge's sigma: a product of powers, fitted by maximum likelihood
(Laplace errors) to 340 000 fits on simulated frames of eight scenes with known blur. The leading
term is the misfit; lines and texture, which read up to a third too narrow, get doubts over 0.2."""


def _doubt(fit: StepFit, misfit: F32, contrast: F32, variance_sd: F32) -> F32:
    """Expected relative error of sigma; 0.03 is a clean step, over 0.2 is hardly a step."""
    sigma = np.exp(fit.log_sigma)
    powers = DOUBT_POWERS
    doubt = (
        DOUBT_CONSTANT
        * (misfit + 0.005) ** powers["misfit"]
        * (_balance(fit, contrast) + 0.003) ** powers["balance"]
        * (_flank(fit, contrast) + 0.005) ** powers["flank"]
        * (variance_sd / sigma**2 + 0.005) ** powers["noise"]
        * sigma ** powers["width"]
        * np.exp(DOUBT_PER_BEND * np.abs(fit.curvature) * sigma)
    )
    return np.asarray(doubt, dtype=np.float32)


def _balance(fit: StepFit, contrast: F32) -> F32:
    """Root mean square of the mean residuals of four zones at growing distance."""
    u = fit.distance / (np.exp(fit.log_sigma)[:, None] + 0.4)
    total = np.zeros(contrast.size, np.float32)
    for low, high in ((-4.0, -2.0), (-2.0, -1.0), (1.0, 2.0), (2.0, 4.0)):
        zone = fit.weight * ((u >= low) & (u < high))
        total += _zone_mean(fit, zone) ** 2
    return np.asarray(np.sqrt(total / 4.0) / np.maximum(contrast, 1e-6), dtype=np.float32)


FLANK_UNKNOWN = 0.03
"""Assumed departure of a flank with fewer than three samples inside the patch."""


def _flank(fit: StepFit, contrast: F32) -> F32:
    """Departure of the plateaus 3 to 4 sigma away, beyond the fitted window for wide edges."""
    u = fit.distance / np.exp(fit.log_sigma)[:, None]
    near = np.abs(fit.tangent) < TANGENT_REACH_PX + 0.2
    total = np.zeros(contrast.size, np.float32)
    for low, high in ((-4.0, -3.0), (3.0, 4.0)):
        zone = (near & (u > low) & (u < high)).astype(np.float32)
        mean = _zone_mean(fit, zone) / np.maximum(contrast, 1e-6)
        total += np.where(zone.sum(axis=1) > 2, mean, FLANK_UNKNOWN) ** 2
    return np.asarray(np.sqrt(total / 2.0), dtype=np.float32)


def _zone_mean(fit: StepFit, zone: F32) -> F32:
    """Weighted mean residual of a zone, DN."""
    total: F32 = (zone * fit.residual).sum(axis=1) / np.maximum(zone.sum(axis=1), 1.0)
    return total


MOST_BATCHES = 3
"""Batches of candidates, the most promising first; later ones only where edges are rare."""

GOOD_DOUBT = 0.12
"""Doubt of an edge that counts towards enough."""


def find_edges(
    plane: Plane,
    *,
    black_dn: float,
    clipped_dn: float,
    noise: NoiseModel,
    green_parity: int | None,
    tiles: tuple[int, int],
    per_cell: int,
    enough: int,
    screen_samples: int = SCREEN_SAMPLES,
) -> tuple[LevelEdges, ...]:
    """Edges of a plane, a group for each resolution and batch of candidates.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        Linear samples at full resolution.
    black_dn, clipped_dn : float
        Black level; level from which a sample counts as clipped.
    noise : NoiseModel
        Noise of one sample.
    green_parity : 0, 1 or None
        Bayer mosaic: only samples with (row + col) % 2 == green_parity are valid.
    tiles : (rows, cols)
        Grid over which candidates are spread.
    per_cell : int
        Candidates per tile and range of direction, at each resolution, in one batch.
    enough : int
        Good edges after which no further batch is fitted.
    screen_samples : int
        Gradients taken at each resolution.
    """
    levels = pyramid(plane, black_dn=black_dn, green_parity=green_parity)
    fine, coarse = (
        screen(
            level,
            noise=noise,
            tiles=tiles,
            per_cell=per_cell * MOST_BATCHES,
            samples=screen_samples,
        )
        for level in levels[1:]
    )
    clipped = (clipped_dn, clipped_dn - black_dn, clipped_dn - black_dn)
    found: list[LevelEdges] = []
    for batch in range(MOST_BATCHES):
        first, last = batch * per_cell, (batch + 1) * per_cell
        starts = (
            *_fine_starts(levels[1], fine.between(first, last)),
            _coarse_starts(levels[2], coarse.between(first, last)),
        )
        found += [
            measure_level(level, start, noise=noise, clipped_dn=limit, limits_px=widths)
            for level, start, limit, widths in zip(
                levels, starts, clipped, LEVEL_LIMITS_PX, strict=True
            )
        ]
        if sum(np.count_nonzero(g.table.doubt < GOOD_DOUBT) for g in found) >= enough:
            break
    return tuple(found)


def _fine_starts(half: Level, candidates: Candidates) -> tuple[_Start, _Start]:
    """Start values for full and for half resolution, by the width seen at half resolution."""
    start = _start_values(half, candidates.row, candidates.col)
    native = (half.scale**2 * start.variance - half.binning[0]).astype(np.float32)
    sharp = native < 1.7**2
    wide = (native > 1.3**2) & (start.variance < 6.0)
    return _to_full(start, native, sharp), _pick(start, wide)


def _coarse_starts(quarter: Level, candidates: Candidates) -> _Start:
    """Start values for quarter resolution, what is clearly narrower left out."""
    start = _start_values(quarter, candidates.row, candidates.col)
    return _pick(start, (start.variance > 0.35) & (start.variance < 6.0))


def _pick(start: _Start, keep: Bools) -> _Start:
    return _Start(
        row=start.row[keep],
        col=start.col[keep],
        theta=start.theta[keep],
        shift=start.shift[keep],
        variance=start.variance[keep],
    )


def _to_full(start: _Start, native: F32, keep: Bools) -> _Start:
    """Start values of the half-resolution plane, carried to full resolution."""
    row = 2 * start.row + 0.5 + 2 * np.sin(start.theta) * start.shift
    col = 2 * start.col + 0.5 + 2 * np.cos(start.theta) * start.shift
    near_row, near_col = np.rint(row).astype(np.int64), np.rint(col).astype(np.int64)
    left = (col - near_col) * np.cos(start.theta) + (row - near_row) * np.sin(start.theta)
    moved = _Start(
        row=near_row,
        col=near_col,
        theta=start.theta,
        shift=left.astype(np.float32),
        variance=native,
    )
    return _pick(moved, keep)
