"""The small grey picture that stands for a frame when series are looked for."""

import numpy as np
from numpy.typing import NDArray

from audit.measure.blocks import block_sums

PREVIEW_LONG_EDGE_PX = 256
"""Enough to tell overlaps within half a point of the frame (measured on simulated sweeps)."""


def block_means(plane: NDArray[np.generic], step: int) -> NDArray[np.float32]:
    """Mean of every ``step`` x ``step`` block; the ragged rest at the far edges is left out.

    Parameters
    ----------
    plane : (rows, cols) array
    step : int
        Block side; rows and cols are at least one block.

    Returns
    -------
    (rows // step, cols // step) float32 array
    """
    return block_sums(plane, step).astype(np.float32) / np.float32(step * step)


def shrink(plane: NDArray[np.generic], long_edge_px: int) -> NDArray[np.float32]:
    """Reduce a plane so that its long edge has ``long_edge_px`` pixels, by area and then linearly.

    Parameters
    ----------
    plane : (rows, cols) array
    long_edge_px : int

    Returns
    -------
    float32 array
        In the plane's own levels; not enlarged where it is smaller than asked for.
    """
    longest = max(plane.shape)
    if longest <= long_edge_px:
        return plane.astype(np.float32)
    coarse = block_means(plane, max(1, longest // (2 * long_edge_px)))
    scale = max(coarse.shape) / long_edge_px
    rows, cols = (max(1, round(side / scale)) for side in coarse.shape)
    return _area_resize(_area_resize(coarse, rows, axis=0), cols, axis=1)


def srgb_codes(linear: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Encode linear values, 0 to 1, by the curve of IEC 61966-2-1, 8 bit."""
    clipped = np.clip(linear, 0.0, 1.0)
    encoded = np.where(
        clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** np.float32(1 / 2.4) - 0.055
    )
    codes: NDArray[np.uint8] = np.rint(encoded * 255).astype(np.uint8)
    return codes


def _area_resize(plane: NDArray[np.float32], size: int, axis: int) -> NDArray[np.float32]:
    """Shrink one axis by the exact area mean of fractional cells."""
    plane = np.moveaxis(plane, axis, 0)
    edges = np.linspace(0, plane.shape[0], size + 1)
    cumulated = np.concatenate(
        [np.zeros((1, *plane.shape[1:])), np.cumsum(plane, axis=0, dtype=np.float64)]
    )
    low = np.floor(edges).astype(int)
    part = (edges - low)[:, None]
    at_edges = cumulated[low] * (1 - part) + cumulated[np.minimum(low + 1, plane.shape[0])] * part
    means = np.diff(at_edges, axis=0) / np.diff(edges)[:, None]
    return np.moveaxis(means.astype(np.float32), 0, axis)
