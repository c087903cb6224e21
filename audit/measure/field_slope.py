"""How the edge width runs over a frame: the raw material for a lens that is soft on one side.

One frame tells little, since scenes have near and far parts; the median over many frames of one
lens does (``audit.diagnose.batch``).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

MIN_TILES = 6
"""Fewer measured tiles than this and no slope is told (guess)."""

MIN_EXTENT = 0.5
"""Share of the frame that the measured tiles must span along an axis (guess)."""

FAR_LOG_WIDTH = 0.25
"""Departure of ln width beyond which a tile loses weight: other distances, clutter (guess)."""

ROUNDS = 10


class FieldSlope(NamedTuple):
    """Gain of ln(edge width) from one border to the opposite one; ``None`` where untold."""

    right: float | None
    down: float | None


def field_slope(edge_width_px: NDArray[np.float32]) -> FieldSlope:
    """Robust plane through the logarithm of a map of edge widths.

    Parameters
    ----------
    edge_width_px : (rows, cols) float32 array
        Stored orientation, NaN where nothing was measured.

    Returns
    -------
    FieldSlope
        Positive where the right side (the bottom) is softer.
    """
    row, col = np.nonzero(np.isfinite(edge_width_px))
    if row.size < MIN_TILES:
        return FieldSlope(None, None)
    rows, cols = edge_width_px.shape
    right = (col + 0.5) / cols - 0.5
    down = (row + 0.5) / rows - 0.5
    told = np.log(edge_width_px[row, col]).astype(np.float64)
    columns = np.stack((np.ones_like(right), right, down), axis=1)
    weight = np.ones_like(told)
    plane = np.zeros(3)
    for _ in range(ROUNDS):
        root = np.sqrt(weight)[:, None]
        plane = np.linalg.lstsq(columns * root, told * root[:, 0], rcond=None)[0]
        weight = 1.0 / (1.0 + ((told - columns @ plane) / FAR_LOG_WIDTH) ** 2)
    return FieldSlope(
        *(
            float(slope) if np.ptp(place) >= MIN_EXTENT else None
            for slope, place in zip(plane[1:], (right, down), strict=True)
        )
    )
