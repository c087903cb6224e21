"""How far the lens bends straight lines, told by a whole sweep at once.

A pinhole fits two frames of a bending lens at a slightly wrong turn: 1.5 % of barrel in the corner
makes a step of 30 degrees 1 % too small. One pair tells little of it; all pairs of a sweep agree.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from audit.series.directions import Matrix, angle_between
from audit.series.placing import Place, bent
from audit.series.view import View

BENDS = (-0.02, -0.01, 0.0, 0.01, 0.02, 0.03)
"""Bends that are tried: shares of the corner's distance, barrel positive. Uncorrected lenses have
0.03 of barrel and less (guess)."""

USUAL_BEND = 0.015
"""Spread of what lenses have: says where the pictures do not tell (guess)."""

INDEPENDENT_SHARE = 0.1
"""Share of the compared pixels that count as independent (guess)."""

LARGEST_CHANGE_RAD = 0.03
"""A turn that moves further than bending can explain is left as it was (project's choice)."""


class Turned(NamedTuple):
    """Two frames and the turn between them."""

    a: View
    b: View
    rotation: Matrix


def unbent(pairs: Sequence[Turned]) -> tuple[float, list[Matrix]]:
    """Fit one bend to all pairs of a sweep, and the turns with it.

    Parameters
    ----------
    pairs : sequence of Turned
        As joined without bending.

    Returns
    -------
    bend : float
        Radial polynomial of one term (Brown 1971, from memory): r (1 + bend r^2), r of 1 in the
        corner. It also takes up what the focal length is off, so it is no property of the lens.
    rotations : list of (3, 3) arrays
        In the order of the pairs.
    """
    likely = np.array([sum(_likelihood(pair, bend) for pair in pairs) for bend in BENDS])
    likely = INDEPENDENT_SHARE * likely - (np.array(BENDS) / USUAL_BEND) ** 2 / 2
    bend = _top(np.array(BENDS), likely)
    return bend, [_turn(pair, bend) for pair in pairs]


def _likelihood(pair: Turned, bend: float) -> float:
    return bent(pair.a, pair.b, pair.rotation, bend).likelihood


def _turn(pair: Turned, bend: float) -> Matrix:
    place: Place = bent(pair.a, pair.b, pair.rotation, bend)
    moved = angle_between(place.rotation, pair.rotation)
    return place.rotation if moved < LARGEST_CHANGE_RAD else pair.rotation


def _top(at: NDArray[np.float64], height: NDArray[np.float64]) -> float:
    """Top of the parabola through the highest of evenly spaced points and its neighbours."""
    best = int(np.argmax(height))
    if best in (0, len(at) - 1):
        return float(at[best])
    low, top, high = height[best - 1 : best + 2]
    curve = low - 2 * top + high
    step = at[1] - at[0]
    return float(at[best] + (0.5 * step * (low - high) / curve if curve < 0 else 0.0))
