"""One edge profile from many edges, and the MTF50 and 10-90 % rise that follow from it.

Every edge is laid over the others by its own fitted centre and width, so that edges of different
direction and softness may share one super-sampled profile, in the manner of the e-SFR of ISO 12233
but in units of sigma: bins of a quarter sigma hold many samples each, since the edges cross the
sample grid at all phases. The profile is kept as its departure from a Gaussian edge. The modulation
is then that of the Gaussian plus the sine transform of the departure, which needs no window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from audit.measure.edges import TANGENT_REACH_PX, Ints, LevelEdges

F64 = NDArray[np.float64]

BIN_SIGMAS = 0.25
"""Bin of the stacked profile, in sigma."""

REACH_SIGMAS = 4.5
"""Half length of the profile: diffraction tails need over 4, clutter grows beyond 5 (measured)."""

BINS = int(REACH_SIGMAS / BIN_SIGMAS)

PLATEAU_BINS = 2
"""Outermost bins that tell how far the plateau lies from the one the Gaussian fit assumed."""

TAIL_THRESHOLD, TAIL_EXTENSION = 0.004, 2.2
"""A plateau that still rises by more than the threshold is the tail of diffraction, which goes on
as 1 / distance: this multiple of the excess is added. Chosen on simulated apertures f/3 to f/40;
perfect lenses from f/5.6 to f/32 still read 1.6 to 3.4 % too high."""

CLUTTER_SCALE = 0.03
"""Departure, in step heights, beyond which one edge's bin counts as disturbed (guess)."""

MTF50_PER_INVERSE_SIGMA = 0.187390
"""MTF50 of a Gaussian times its sigma: sqrt(ln 2 / 2) / pi."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeShape:
    """Shape of the blur, free of its size."""

    mtf50_sigma: float  # MTF50 (cycles/px) x sigma (px); 0.18739 for a Gaussian
    rise_per_sigma: float  # 10-90 % rise / sigma; 2.5631 for a Gaussian
    departure: tuple[float, ...]  # of the profile from a Gaussian edge, outward in bins of 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """Binned profile of each edge, one side folded on the other; departures in step heights."""

    departure: F64  # (edges, BINS), mean departure from the Gaussian edge
    samples: F64  # (edges, BINS), samples behind each


def edge_profiles(groups: Sequence[LevelEdges], chosen: Ints) -> Profiles:
    """Profiles of the chosen edges, numbered through the groups in order."""
    sums, counts, first = [], [], 0
    for group in groups:
        inside = chosen[(chosen >= first) & (chosen < first + group.picked.size)] - first
        first += group.picked.size
        total, count = _binned(group, group.picked[inside])
        sums.append(total)
        counts.append(count)
    samples = np.concatenate(counts)
    return Profiles(departure=np.concatenate(sums) / np.maximum(samples, 1.0), samples=samples)


def _binned(group: LevelEdges, members: Ints) -> tuple[F64, F64]:
    fit = group.fit
    sigma = np.exp(fit.log_sigma[members])[:, None]
    u = fit.distance[members] / sigma
    bin_ = np.floor(np.abs(u) / BIN_SIGMAS).astype(np.int64)
    valid = (bin_ < BINS) & (np.abs(fit.tangent[members]) < TANGENT_REACH_PX + 0.2)
    departure = np.sign(u) * fit.residual[members] / fit.step[members][:, None]
    slot = (np.arange(members.size)[:, None] * BINS + bin_)[valid]
    size = members.size * BINS
    total = np.bincount(slot, departure[valid], size).reshape(-1, BINS).astype(np.float64)
    count = np.bincount(slot, None, size).reshape(-1, BINS).astype(np.float64)
    return total, count


def edge_shape(profiles: Profiles, weight: F64) -> EdgeShape:
    """Shape from the robust mean profile.

    Parameters
    ----------
    profiles : Profiles
        Of the edges taken for the stack.
    weight : (edges,) array
        Trust in each edge.
    """
    departure = _robust_mean(profiles, weight)
    return EdgeShape(
        mtf50_sigma=_mtf50_sigma(departure),
        rise_per_sigma=_rise_per_sigma(departure),
        departure=tuple(float(d) for d in departure),
    )


def _robust_mean(profiles: Profiles, weight: F64) -> F64:
    """Mean departure per bin; an edge's bin far from it (a neighbour's detail) loses weight."""
    trust = weight[:, None] * profiles.samples
    mean = np.zeros(BINS)
    for _ in range(6):
        far = (profiles.departure - mean) / CLUTTER_SCALE
        now = trust / (1.0 + far**2)
        total = now.sum(axis=0)
        mean = np.where(
            total > 0, (now * profiles.departure).sum(axis=0) / np.maximum(total, 1e-12), 0.0
        )
    return mean


def _mtf50_sigma(departure: F64) -> float:
    """First frequency at half modulation, in cycles per sigma."""
    u = (np.arange(BINS) + 0.5) * BIN_SIGMAS
    plateau = _plateau(departure)
    frequency = np.linspace(0.10, 0.30, 201)
    phase = 2.0 * np.pi * frequency[:, None] * u
    sine = np.sin(phase) @ (departure - plateau) * BIN_SIGMAS
    gaussian = np.exp(-2.0 * (np.pi * frequency) ** 2)
    modulation = (gaussian + 4.0 * np.pi * frequency * sine + 2.0 * plateau) / (1 + 2.0 * plateau)
    below = int(np.argmax(modulation < 0.5))
    if below == 0:
        return MTF50_PER_INVERSE_SIGMA
    high, low = modulation[below - 1], modulation[below]
    share = (high - 0.5) / (high - low)
    return float(frequency[below - 1] + share * (frequency[below] - frequency[below - 1]))


def _rise_per_sigma(departure: F64) -> float:
    """10-90 % rise in sigma, plateaus as the profile itself shows them."""
    u = np.linspace(0.0, REACH_SIGMAS - 0.5 * BIN_SIGMAS, 500)
    middles = np.concatenate(([0.0], (np.arange(BINS) + 0.5) * BIN_SIGMAS))
    half = 0.5 * erf(u / np.sqrt(2.0)) + np.interp(u, middles, np.concatenate(([0.0], departure)))
    half /= 1.0 + 2.0 * _plateau(departure)
    above = int(np.argmax(half >= 0.4))
    if above == 0:
        return 2.0 * float(u[-1])
    share = (0.4 - half[above - 1]) / (half[above] - half[above - 1])
    return 2.0 * float(u[above - 1] + share * (u[above] - u[above - 1]))


def _plateau(departure: F64) -> float:
    """Height of the far plateau over the Gaussian's, the tail beyond the profile guessed."""
    seen = float(departure[-PLATEAU_BINS:].mean())
    return seen + TAIL_EXTENSION * max(0.0, seen - TAIL_THRESHOLD)
