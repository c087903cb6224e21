"""Shape of the blur: how far and in which direction edges are smeared, in all or part of a frame.

A movement of length L along direction phi adds L^2 / 12 to the variance of the edge spread, times
cos^2 of the angle between phi and the edge's normal: ``v(theta) = v0 (1 + k cos^2(theta - phi))``
with ``k v0 = L^2 / 12``. Each edge speaks with its own doubt. A share of them lies anywhere (lines,
clutter), and objects may be soft in themselves, but never crisper than the picture: the residual
has a long tail on the soft side. Edges that run one way in crowds (facades, reeds, bedding planes)
lose weight against the rarer ones, and what counts is the gain in likelihood per edge over a blur
alike in all directions, once with one width for the frame and once with a width for each region.

The spectrum of the same places is the second witness (`audit.measure.blur_spectrum`): a smear takes
the fine detail along its direction, whatever the edges are like.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.measure.blur_spectrum import detail_loss
from audit.measure.edges import EdgeTable, Plane
from audit.measure.noise import NoiseModel
from audit.measure.width_evidence import LOG_SIGMA, WidthEvidence, shifted, width_evidence

F64 = NDArray[np.float64]

MOST_EDGES = 600
"""The least doubtful edges kept; with 300 or 4000 the error is the same (measured)."""

REGIONS = (3, 4)
"""Regions, rows and columns, each of which may have its own width."""

ANGLES = np.radians(np.arange(0.0, 180.0, 15.0))
ANGLE_STEPS = np.radians(np.arange(-12.0, 13.0, 3.0))
STRETCHES = np.array([0.25, 0.45, 0.7, 1.0, 1.5, 2.2, 3.2, 4.7, 7.0, 10.0, 15.0, 22.0])
STRETCH_STEPS = np.array([0.7, 0.85, 1.0, 1.2, 1.4])
"""Directions and stretches k that are tried, coarse and then fine."""


SHORTEST_PX = 2.0
"""A movement that reads shorter than this has no direction: such readings lie over 20 degrees off
in the median (measured)."""

CALM_GAIN = 0.1
"""Gain per edge by which one width for the frame may beat a width for each region; beyond it the
smear was only a soft part of the scene with edges of one direction (tuned)."""

LENGTH_FACTOR = 0.88
"""True length over that of the fitted variances: a Gaussian step laid over the straight flanks of
a moved edge comes out too wide (measured: 0.86 to 0.94 for 3 to 12 px)."""

KNOWN_LENGTH_PX = 2.64
"""Movements from here on are told alike; shorter ones lose confidence."""

CONFIDENCE_OFFSET = -1.02
CONFIDENCE_PER_GAIN = 6.59
CONFIDENCE_PER_PX = 2.73
CONFIDENCE_PER_LOSS = 1.78
"""Logistic regression of 'moved by 3 px or more' on three witnesses: 1019 frames of 20 tuning
scenes, scenes counted alike, as many moved frames as others (``docs/methods/blur-shape.md``)."""


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


def measure_blur_shape(
    plane: Plane,
    table: EdgeTable,
    *,
    black_dn: float,
    clipped_dn: float,
    noise: NoiseModel,
    green_parity: int | None,
) -> BlurShape:
    """Length and direction of the smear of a frame, with confidence.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        Linear samples at full resolution.
    table : EdgeTable
        Every edge found in it.
    black_dn, clipped_dn : float
        Black level; level from which a sample counts as clipped.
    noise : NoiseModel
        Noise of one sample.
    green_parity : 0, 1 or None
        Bayer mosaic: only samples with (row + col) % 2 == green_parity are valid. None: all are.

    Returns
    -------
    BlurShape
        `UNKNOWN` with fewer than ``MIN_EDGES`` usable edges.
    """
    evidence = width_evidence(table, plane.shape, regions=REGIONS, most_edges=MOST_EDGES)
    if evidence is None:
        return UNKNOWN
    smear = _best_smear(evidence.likelihood.sum(axis=0))
    loss = detail_loss(
        plane,
        table,
        black_dn=black_dn,
        clipped_dn=clipped_dn,
        noise=noise,
        green_parity=green_parity,
    )
    length_px = LENGTH_FACTOR * math.sqrt(12.0 * smear.stretch) * smear.sigma_px
    return BlurShape(
        smear_px=length_px,
        smear_angle_deg=math.degrees(-smear.angle) % 180.0 if length_px >= SHORTEST_PX else None,
        smear_confidence=_confidence(
            _gain(evidence, smear), length_px, 0.0 if loss is None else loss.along(smear.angle)
        ),
        sigma_px=smear.sigma_px,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Smear:
    """A blur: sigma across the movement, direction (from +col towards +row), stretch k."""

    sigma_px: float
    angle: float
    stretch: float
    likelihood: float


def _best_smear(likelihood: F64) -> _Smear:
    """Most likely direction and stretch of one (DIRECTIONS, LOG_SIGMA) table."""
    coarse = _best_of(likelihood, ANGLES, STRETCHES)
    return _best_of(likelihood, coarse.angle + ANGLE_STEPS, coarse.stretch * STRETCH_STEPS)


def _best_of(likelihood: F64, angles: F64, stretches: F64) -> _Smear:
    tried = [
        (float(total.max()), float(angle), float(stretch), int(total.argmax()))
        for angle in angles
        for stretch in stretches
        for total in (shifted(likelihood, float(angle), float(stretch)),)
    ]
    best, angle, stretch, base = max(tried)
    return _Smear(
        sigma_px=float(np.exp(LOG_SIGMA[base])), angle=angle, stretch=stretch, likelihood=best
    )


def _gain(evidence: WidthEvidence, smear: _Smear) -> float:
    """Log likelihood per edge that the smear gains over a blur alike in all directions.

    The lesser of two: with one width for the whole frame, and (bar ``CALM_GAIN``) with a width of
    its own for each region, which parts of the scene that are soft in themselves cannot fake.
    """
    alike = evidence.alike
    whole = smear.likelihood - alike.sum(axis=0).max()
    smeared = shifted(evidence.likelihood, smear.angle, smear.stretch)
    by_region = (smeared.max(axis=1) - alike.max(axis=1)).sum()
    return float(min(whole / evidence.weight, by_region / evidence.weight + CALM_GAIN))


def _confidence(gain: float, length_px: float, loss: float) -> float:
    """Share of right calls at this evidence."""
    odds = (
        CONFIDENCE_OFFSET
        + CONFIDENCE_PER_GAIN * gain
        + CONFIDENCE_PER_PX * (min(length_px, KNOWN_LENGTH_PX) - KNOWN_LENGTH_PX)
        + CONFIDENCE_PER_LOSS * loss
    )
    return 1.0 / (1.0 + math.exp(-odds))
