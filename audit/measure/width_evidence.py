"""What the edges of a frame say of every width, by region and direction of the edge.

The table that every blur shape is tried on: a shape is a shift of the widths of each direction, so
the log likelihoods of all edges are summed once and only added up along shifted lines afterwards.
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

MIN_EDGES = 15
"""Fewer edges than this and no shape is told."""

WIDTH_SPREAD = 0.03
"""Relative spread of widths within one plane of focus, beyond each edge's doubt (guess)."""

PEAK_SHARE, SOFT_SHARE = 0.75, 0.15
SOFT_DECAY = 0.35
"""Shares of edges that are as crisp as the picture and that are softer in themselves; the latter
thin out by 1/e for each 0.35 of ln sigma. The rest lies anywhere (tried on the tuning scenes)."""

LOG_RANGE = 3.5
"""Range of ln sigma over which edges that lie anywhere are spread: sigma 0.3 to 10 px."""

LOG_STEP = 0.03
LOG_SIGMA = np.arange(-0.8, 2.2, LOG_STEP)
BASES = 72
"""Grid of ln sigma from 0.45 px, under what any lens leaves on a square pixel; the first 72 values
(to 3.8 px) may be the width across the movement."""

DIRECTIONS = 36
CENTRES = (np.arange(DIRECTIONS) + 0.5) * math.pi / DIRECTIONS
"""Directions of the normal are told apart in steps of 5 degrees."""

BASE_RANGE = np.arange(BASES)


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthEvidence:
    """What the edges say of every width, by region and direction."""

    likelihood: F64  # (regions, DIRECTIONS, LOG_SIGMA), weighted sum of log likelihoods
    weight: float  # sum of the weights
    counts: Ints  # (regions,) edges in each

    @property
    def alike(self) -> F64:
        """(regions, BASES): total for each width, alike in all directions."""
        total: F64 = self.likelihood.sum(axis=1)[:, :BASES]
        return total


def width_evidence(
    table: EdgeTable, shape: tuple[int, ...], *, regions: tuple[int, int], most_edges: int
) -> WidthEvidence | None:
    """Tabulate what a frame's edges say.

    Parameters
    ----------
    table : EdgeTable
    shape : (rows, cols)
        Size of the plane.
    regions : (rows, cols)
        Grid of regions.
    most_edges : int
        The least doubtful edges that are kept.

    Returns
    -------
    WidthEvidence or None
        None with fewer than ``MIN_EDGES`` usable edges.
    """
    usable = np.nonzero(table.doubt < USABLE_DOUBT)[0]
    usable = usable[np.argsort(table.doubt[usable], kind="stable")[:most_edges]]
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
    return WidthEvidence(
        likelihood=cells.reshape(-1, DIRECTIONS, LOG_SIGMA.size),
        weight=float(weight.sum()),
        counts=np.bincount(region, minlength=regions[0] * regions[1]).astype(np.int64),
    )


def _balance(direction: Ints, weight: F64) -> F64:
    """Factor that gives every range of directions the same say, however many edges crowd there."""
    crowd: F64 = np.bincount(direction, weight, DIRECTIONS).astype(np.float64)
    crowd = (np.roll(crowd, 1) + crowd + np.roll(crowd, -1)) / 3.0
    here = crowd[direction]
    factor: F64 = here.mean() / here
    return factor


def _region(edges: EdgeTable, shape: tuple[int, ...], regions: tuple[int, int]) -> Ints:
    row = np.minimum((edges.row * regions[0] / shape[0]).astype(np.int64), regions[0] - 1)
    col = np.minimum((edges.col * regions[1] / shape[1]).astype(np.int64), regions[1] - 1)
    return row * regions[1] + col


def _log_likelihood(edges: EdgeTable) -> F64:
    """(edges, LOG_SIGMA): how well each width of the picture explains each edge."""
    log_sigma = 0.5 * np.log(np.maximum(edges.variance, 1e-2)).astype(np.float64)
    spread = (WIDTH_SPREAD + edges.doubt).astype(np.float64)[:, None]
    softer = log_sigma[:, None] - LOG_SIGMA
    density: F64 = PEAK_SHARE / (math.pi * spread * (1.0 + (softer / spread) ** 2))
    density += np.where(
        softer > 0.0, SOFT_SHARE / SOFT_DECAY * np.exp(-np.abs(softer) / SOFT_DECAY), 0.0
    )
    density += (1.0 - PEAK_SHARE - SOFT_SHARE) / LOG_RANGE
    return np.log(density)


def shifted(likelihood: F64, angle: float, stretch: float, bases: Ints = BASE_RANGE) -> F64:
    """Total log likelihood of a blur that is stretched along one direction.

    Parameters
    ----------
    likelihood : (..., DIRECTIONS, LOG_SIGMA) float64 array
    angle : float
        Direction of movement, radians, from +col towards +row.
    stretch : float
        k: variance along over variance across, less one.
    bases : (n,) int array
        Indices into ``LOG_SIGMA`` of the widths across that are tried.

    Returns
    -------
    (..., n) float64 array
    """
    shift = 0.5 * np.log1p(stretch * np.cos(CENTRES - angle) ** 2) / LOG_STEP
    whole = np.floor(shift).astype(np.int64)
    part = (shift - whole)[:, None]
    column = bases + whole[:, None]
    row = np.arange(DIRECTIONS)[:, None]
    last = LOG_SIGMA.size - 1
    lower = likelihood[..., row, np.minimum(column, last)]
    upper = likelihood[..., row, np.minimum(column + 1, last)]
    total: F64 = ((1.0 - part) * lower + part * upper).sum(axis=-2)
    return total
