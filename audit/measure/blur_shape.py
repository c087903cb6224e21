"""Shape of the blur: how far and in which direction edges are smeared, in all or part of a frame.

A movement of length L along direction phi adds L^2 / 12 to the variance of the edge spread, times
cos^2 of the angle between phi and the edge's normal: ``v(theta) = v0 (1 + k cos^2(theta - phi))``
with ``k v0 = L^2 / 12``. Each edge speaks with its own doubt. A share of them lies anywhere (lines,
clutter), and objects may be soft in themselves, but never crisper than the picture: the residual
has a long tail on the soft side. Edges that run one way in crowds (facades, reeds, bedding planes)
lose weight against the rarer ones, and what counts is the gain in likelihood per edge over a blur
alike in all directions, once with one width for the frame and once with a width for each region.

Log likelihoods are summed once into a table of region x direction x ln sigma; every blur shape is
then tried by shifting the directions of that table against each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.measure.edges import EdgeTable

F64 = NDArray[np.float64]
Ints = NDArray[np.int64]

USABLE_DOUBT = 0.20
"""Edges with more doubt than this are left out (the limit of the sharpness reading)."""

FULL_WEIGHT_DOUBT = 0.06
"""Edges with less doubt than this count fully; others in inverse proportion."""

MOST_EDGES = 600
"""The least doubtful edges kept; with 300 or 4000 the error is the same (measured)."""

MIN_EDGES = 15
"""Fewer edges than this and no shape is told."""

WIDTH_SPREAD = 0.03
"""Relative spread of widths within one plane of focus, beyond each edge's doubt (guess)."""

PEAK_SHARE, SOFT_SHARE = 0.60, 0.25
SOFT_DECAY = 0.35
"""Shares of edges that are as crisp as the picture and that are softer in themselves; the latter
thin out by 1/e for each 0.35 of ln sigma. The rest lies anywhere (tried on the tuning scenes)."""

LOG_RANGE = 3.5
"""Range of ln sigma over which edges that lie anywhere are spread: sigma 0.3 to 10 px."""

LOG_STEP = 0.03
LOG_SIGMA = np.arange(-1.1, 2.2, LOG_STEP)
BASES = 80
"""Grid of ln sigma; the first 80 values may be the width across the movement."""

DIRECTIONS = 36
CENTRES = (np.arange(DIRECTIONS) + 0.5) * math.pi / DIRECTIONS
"""Directions of the normal are told apart in steps of 5 degrees."""

REGIONS = (3, 4)
"""Regions, rows and columns, each of which may have its own width."""

ANGLES = np.radians(np.arange(0.0, 180.0, 15.0))
ANGLE_STEPS = np.radians(np.arange(-12.0, 13.0, 3.0))
STRETCHES = np.array([0.25, 0.45, 0.7, 1.0, 1.5, 2.2, 3.2, 4.7, 7.0, 10.0, 15.0, 22.0])
STRETCH_STEPS = np.array([0.7, 0.85, 1.0, 1.2, 1.4])
"""Directions and stretches k that are tried, coarse and then fine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlurShape:
    """Shape of the blur of one frame, stored orientation; ``None`` where it cannot be told.

    Attributes
    ----------
    smear_px : float or None
        Length of the movement that fits best.
    smear_angle_deg : float or None
        Its direction: 0 along the rows to the right, counter-clockwise, below 180. ``None`` where
        the smear is shorter than ``SHORTEST_PX``.
    smear_confidence : float or None
        Share of right calls at this evidence, 0 to 1.
    sigma_px : float or None
        Sigma of the edge spread across the movement: what is left without it.
    """

    smear_px: float | None
    smear_angle_deg: float | None
    smear_confidence: float | None
    sigma_px: float | None


UNKNOWN = BlurShape(smear_px=None, smear_angle_deg=None, smear_confidence=None, sigma_px=None)

SHORTEST_PX = 2.0


def measure_blur_shape(table: EdgeTable, shape: tuple[int, int]) -> BlurShape:
    """Length and direction of the smear of a frame, with confidence.

    Parameters
    ----------
    table : EdgeTable
        Every edge found, stored orientation.
    shape : (rows, cols)
        Size of the plane.

    Returns
    -------
    BlurShape
        `UNKNOWN` with fewer than ``MIN_EDGES`` usable edges.
    """
    evidence = _evidence(table, shape, REGIONS)
    if evidence is None:
        return UNKNOWN
    smear = _best_smear(evidence.likelihood.sum(axis=0))
    length_px = math.sqrt(12.0 * smear.stretch) * smear.sigma_px
    confidence = _confidence(evidence, smear)
    return BlurShape(
        smear_px=length_px,
        smear_angle_deg=math.degrees(-smear.angle) % 180.0 if length_px >= SHORTEST_PX else None,
        smear_confidence=confidence,
        sigma_px=smear.sigma_px,
    )


# --------------------------------------------------------------------------------- evidence


@dataclass(frozen=True, slots=True, kw_only=True)
class _Evidence:
    """What the edges say of every width, by region and direction."""

    likelihood: F64  # (regions, DIRECTIONS, LOG_SIGMA), weighted sum of log likelihoods
    weight: float  # sum of the weights


@dataclass(frozen=True, slots=True, kw_only=True)
class _Smear:
    """A blur: sigma across the movement, direction (from +col towards +row), stretch k."""

    sigma_px: float
    angle: float
    stretch: float
    likelihood: float


def _evidence(
    table: EdgeTable, shape: tuple[int, int], regions: tuple[int, int]
) -> _Evidence | None:
    usable = np.nonzero(table.doubt < USABLE_DOUBT)[0]
    usable = usable[np.argsort(table.doubt[usable], kind="stable")[:MOST_EDGES]]
    if usable.size < MIN_EDGES:
        return None
    edges = table.take(usable)
    direction = np.floor(np.mod(edges.theta / math.pi, 1.0) * DIRECTIONS).astype(np.int64)
    direction %= DIRECTIONS
    weight = np.minimum(1.0, FULL_WEIGHT_DOUBT / edges.doubt).astype(np.float64)
    weight *= _balance(direction, weight)
    region = _region(edges, shape, regions)
    told = _log_likelihood(edges) * weight[:, None]
    cells = np.zeros((regions[0] * regions[1] * DIRECTIONS, LOG_SIGMA.size))
    np.add.at(cells, region * DIRECTIONS + direction, told)
    return _Evidence(
        likelihood=cells.reshape(-1, DIRECTIONS, LOG_SIGMA.size), weight=float(weight.sum())
    )


def _balance(direction: Ints, weight: F64) -> F64:
    """Factor that lets crowded directions count less: one over the root of their crowd."""
    crowd = np.bincount(direction, weight, DIRECTIONS)
    crowd = (np.roll(crowd, 1) + crowd + np.roll(crowd, -1)) / 3.0
    here = crowd[direction]
    factor: F64 = np.sqrt(here.mean() / here)
    return factor


def _region(edges: EdgeTable, shape: tuple[int, int], regions: tuple[int, int]) -> Ints:
    row = np.minimum((edges.row * regions[0] / shape[0]).astype(np.int64), regions[0] - 1)
    col = np.minimum((edges.col * regions[1] / shape[1]).astype(np.int64), regions[1] - 1)
    return row * regions[1] + col


def _log_likelihood(edges: EdgeTable) -> F64:
    """(edges, LOG_SIGMA): how well each width of the picture explains each edge."""
    log_sigma = 0.5 * np.log(np.maximum(edges.variance, 1e-2)).astype(np.float64)
    spread = (WIDTH_SPREAD + edges.doubt).astype(np.float64)[:, None]
    softer = log_sigma[:, None] - LOG_SIGMA
    density = PEAK_SHARE / (math.pi * spread * (1.0 + (softer / spread) ** 2))
    density += np.where(
        softer > 0.0, SOFT_SHARE / SOFT_DECAY * np.exp(-np.abs(softer) / SOFT_DECAY), 0.0
    )
    density += (1.0 - PEAK_SHARE - SOFT_SHARE) / LOG_RANGE
    return np.log(density)


def _shifted(likelihood: F64, angle: float, stretch: float) -> F64:
    """(..., BASES): total for each width across the movement, of one direction and stretch."""
    shift = 0.5 * np.log1p(stretch * np.cos(CENTRES - angle) ** 2) / LOG_STEP
    whole = np.floor(shift).astype(np.int64)
    part = (shift - whole)[:, None]
    column = np.arange(BASES) + whole[:, None]
    row = np.arange(DIRECTIONS)[:, None]
    last = LOG_SIGMA.size - 1
    lower = likelihood[..., row, np.minimum(column, last)]
    upper = likelihood[..., row, np.minimum(column + 1, last)]
    total: F64 = ((1.0 - part) * lower + part * upper).sum(axis=-2)
    return total


def _best_smear(likelihood: F64) -> _Smear:
    """Most likely direction and stretch of one (DIRECTIONS, LOG_SIGMA) table."""
    coarse = _best_of(likelihood, ANGLES, STRETCHES)
    return _best_of(likelihood, coarse.angle + ANGLE_STEPS, coarse.stretch * STRETCH_STEPS)


def _best_of(likelihood: F64, angles: F64, stretches: F64) -> _Smear:
    tried = [
        (float(total.max()), float(angle), float(stretch), int(total.argmax()))
        for angle in angles
        for stretch in stretches
        for total in (_shifted(likelihood, float(angle), float(stretch)),)
    ]
    best, angle, stretch, base = max(tried)
    return _Smear(
        sigma_px=float(np.exp(LOG_SIGMA[base])), angle=angle, stretch=stretch, likelihood=best
    )


def _confidence(evidence: _Evidence, smear: _Smear) -> float:
    """Share of right calls at this evidence."""
    alike = evidence.likelihood.sum(axis=1)[:, :BASES]
    gain = (smear.likelihood - alike.sum(axis=0).max()) / evidence.weight
    return 1.0 / (1.0 + math.exp(-(gain - 0.12) / 0.03))
