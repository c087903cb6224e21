"""Sums over square blocks of a plane, in one pass."""

import numpy as np
from numpy.typing import NDArray

BAND_SAMPLES = 500_000
"""Samples that are summed at a time: they stay in the processor's cache (measured)."""


def block_sums(plane: NDArray[np.generic], step: int) -> NDArray[np.uint32] | NDArray[np.float32]:
    """Sum of every ``step`` x ``step`` block; the ragged rest at the far edges is left out.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        May be a strided view.
    step : int
        Block side, up to 256 for whole numbers.

    Returns
    -------
    (rows // step, cols // step) array
        uint32, exact, for whole numbers; else float32.
    """
    rows, cols = plane.shape[0] // step, plane.shape[1] // step
    is_whole = np.issubdtype(plane.dtype, np.integer)
    sums = np.zeros((rows, cols), np.uint32 if is_whole else np.float32)
    at_once = max(1, BAND_SAMPLES // max(1, step * plane.shape[1]))
    for top in range(0, rows, at_once):
        band = np.ascontiguousarray(plane[top * step : (top + at_once) * step, : cols * step])
        out = sums[top : top + at_once]
        # Rows first: those lie together in memory.
        by_row = band[: len(out) * step].reshape(len(out), step, cols * step)
        down = by_row[:, 0].astype(sums.dtype)
        for k in range(1, step):
            down += by_row[:, k]
        by_col = down.reshape(len(out), cols, step)
        for k in range(step):
            out += by_col[:, :, k]
    return sums
