"""A part of the picture that moved while the rest stood still: water, leaves, people.

Such a part is smeared in one direction, yet across that direction its edges are as narrow as those
of the still parts. Defocus widens all directions and so explains it worse. One frame of little
detail rarely tells: the rule is strict and misses most (``docs/methods/blur-shape.md``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.measure.edges import EdgeTable
from audit.measure.width_evidence import BASES, LOG_SIGMA, shifted, width_evidence

F64 = NDArray[np.float64]

REGIONS = (4, 6)
"""Regions, rows and columns, of which some may move."""

MOST_EDGES = 4000

MIN_EDGES = 10
"""Edges that a region needs."""

MIN_REGIONS = 5
"""Regions with edges that a frame needs before one can be set against the others (guess)."""

MIN_MOVED = 2
"""A single region is too often chance (tuned)."""

MIN_GAIN = 0.3
"""Gain per edge over an even blur of any width from which a region counts as moved (tuned)."""

STILL_GAIN = 0.05
"""A region is still where the frame's own width explains it within this, per edge (guess)."""

MIN_STILL_SHARE = 0.4
"""Share of the regions that must stand still (tuned)."""

SAME_WIDTH = 3
"""Steps of ln sigma, 3 % each, by which the width of still parts may vary."""

CONFIDENCE = 0.25
"""Share of right calls, if one frame in ten has such a part: found in 5 of 49 that have one and
called in 5 of 159 that have none (``docs/methods/diagnosis.md``)."""

ANGLES = np.radians(np.arange(0.0, 180.0, 15.0))
LENGTHS_PX = (4.0, 5.0, 6.3, 8.0, 10.0, 12.5, 16.0)
"""Directions and lengths tried: shorter movements cannot be told from a soft part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalMotion:
    """A part that moved, stored orientation.

    Attributes
    ----------
    share : float
        Of the regions with edges, those that moved; 0 where none did.
    length_px : float or None
        Length of the movement that fits best.
    angle_deg : float or None
        Its direction: 0 along the rows to the right, counter-clockwise, below 180.
    confidence : float or None
        Share of right calls.
    """

    share: float
    length_px: float | None = None
    angle_deg: float | None = None
    confidence: float | None = None


def local_motion(table: EdgeTable, shape: tuple[int, ...]) -> LocalMotion | None:
    """Find regions that are smeared in one direction while others are not.

    Parameters
    ----------
    table : EdgeTable
        Every edge found in the frame.
    shape : (rows, cols)
        Size of the plane.

    Returns
    -------
    LocalMotion or None
        None where too few regions have edges to tell.
    """
    evidence = width_evidence(table, shape, regions=REGIONS, most_edges=MOST_EDGES)
    if evidence is None:
        return None
    told = evidence.counts >= MIN_EDGES
    if told.sum() < MIN_REGIONS:
        return None
    alike, counts = evidence.alike[told], evidence.counts[told]
    base = int(alike.sum(axis=0).argmax())
    near = np.arange(max(0, base - SAME_WIDTH), min(BASES, base + SAME_WIDTH + 1))
    even = alike.max(axis=1)
    is_still = (even - alike[:, near].max(axis=1)) / counts < STILL_GAIN
    if is_still.mean() < MIN_STILL_SHARE:
        return LocalMotion(share=0.0)
    sigma_px = math.exp(LOG_SIGMA[base])
    tried = [
        (float(gain[moved].sum()), int(moved.sum()), float(angle), length_px)
        for angle in ANGLES
        for length_px in LENGTHS_PX
        for gain in (_gain(evidence.likelihood[told], even, angle, length_px / sigma_px, near),)
        for moved in (gain / counts > MIN_GAIN,)
    ]
    _, moved, angle, length_px = max(tried)
    if moved < MIN_MOVED:
        return LocalMotion(share=0.0)
    return LocalMotion(
        share=moved / int(told.sum()),
        length_px=length_px,
        angle_deg=math.degrees(-angle) % 180.0,
        confidence=CONFIDENCE,
    )


def _gain(
    likelihood: F64, even: F64, angle: float, length_sigmas: float, near: NDArray[np.int64]
) -> F64:
    """Gain of each region if it moved by a length, in sigmas, along a direction."""
    smeared: F64 = shifted(likelihood, angle, length_sigmas**2 / 12.0, near).max(axis=1) - even
    return smeared
