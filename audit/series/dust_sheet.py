"""The ``sensor`` picture of a frame, taken apart again.

`audit.measure.dust_view` writes it and says what lies where; the figures here are its figures,
which a test holds, since this part of the program may not import that one.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

SIZES = 3
BLOCK_PX = 4
SURROUND_PX = 5
SPREAD_STEP, SPREAD_UNIT = 1 / 4, 1e-4
CONTRAST_STEP, LINEAR_CODES = 1.5, 4


class SheetSize(NamedTuple):
    """One size of a view, as codes.

    Attributes
    ----------
    contrast : (rows, cols) uint8 array
        Two's complement; look up in a table made by `contrast_table`.
    spread : (rows / 4, cols / 4) uint8 array, rounded up
        Look up in `WEIGHTS`.
    """

    contrast: NDArray[np.uint8]
    spread: NDArray[np.uint8]


def contrast_table(largest: float) -> Plane:
    """Contrast over spread of every byte, cut at ``largest`` on both sides.

    Parameters
    ----------
    largest : float
        In spreads.

    Returns
    -------
    (256,) float32 array
    """
    codes = np.arange(256, dtype=np.uint8).view(np.int8).astype(np.float64)
    size = np.abs(codes)
    steps = np.where(size <= LINEAR_CODES, size, LINEAR_CODES * np.exp(size / LINEAR_CODES - 1))
    return np.clip(np.sign(codes) * steps * CONTRAST_STEP, -largest, largest).astype(np.float32)


def _weights() -> Plane:
    codes = np.arange(256)
    weights = 1 / (SPREAD_UNIT * np.exp2(codes * SPREAD_STEP))
    return np.where(codes > 0, weights, 0.0).astype(np.float32)


WEIGHTS = _weights()
"""One over the local spread by code; 0 where a block tells nothing."""


def sheet_sizes(sheet: NDArray[np.uint8]) -> tuple[SheetSize, ...] | None:
    """Take a ``sensor`` picture apart.

    Parameters
    ----------
    sheet : (rows, cols) uint8 array

    Returns
    -------
    tuple of SheetSize or None
        Full, half, quarter; ``None`` where the picture cannot be one of these.
    """
    high, cols = sheet.shape
    rows = next((r for r in range(1, high) if r + _half(r) + _blocks(r) == high), None)
    if rows is None or cols < 8 * BLOCK_PX:
        return None
    half_rows, half_cols = _half(rows), _half(cols)
    shapes = ((rows, cols), (half_rows, half_cols), (_half(half_rows), _half(half_cols)))
    corners = ((0, 0), (rows, 0), (rows, half_cols))
    sizes, left = [], 0
    for (top, start), (tall, wide) in zip(corners, shapes, strict=True):
        block_rows, block_cols = _blocks(tall), _blocks(wide)
        below = rows + half_rows
        spread = sheet[below : below + block_rows, left : left + block_cols]
        sizes.append(SheetSize(sheet[top : top + tall, start : start + wide], spread))
        left += block_cols
    return tuple(sizes)


def per_pixel(blocks: Plane, shape: tuple[int, int]) -> Plane:
    """Spread a figure of each block over its pixels."""
    grown = blocks.repeat(BLOCK_PX, axis=0).repeat(BLOCK_PX, axis=1)
    return grown[: shape[0], : shape[1]]


def _half(side: int) -> int:
    return -(-side // 2)


def _blocks(side: int) -> int:
    return -(-side // BLOCK_PX)
