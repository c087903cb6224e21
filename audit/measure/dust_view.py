"""The small picture from which sensor dust is found: local contrast over its own local spread.

Dust is a weak dark spot at one place of the sensor. It drowns in a textured part of one frame and
shows in the plain ones, so frames are stacked with weights. What a stack needs of a frame is kept
here and nothing else: per pixel the log luminance less its surroundings, in units of its local
spread, and that spread. Three sizes (full, half, quarter) serve spots of different width. Both
are rounded on a logarithmic scale, so that plain sky and texture cost few bytes alike.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

Plane = NDArray[np.float32]

VIEW_LONG_EDGE_PX = 512
"""A spot of 0.3 % of the width is 1.5 px wide here (measured: docs/methods/dust.md)."""

SIZES = 3
"""Full, half, quarter: spots of 0.3-0.7, 0.7-1.4 and 1.4-2.8 % of the width."""

SURROUND_PX = 5
"""Side of the box, applied twice, whose mean is taken off. Texture is stronger the coarser it is,
so a narrow one hides fewer spots than a wide one (chosen on simulated frames:
docs/methods/dust.md)."""

BLOCK_PX = 4
"""Side of the blocks that share one figure of spread."""

DARKEST, BRIGHTEST = 0.002, 0.96
"""Levels between which a spot can show; beyond is noise or saturation (project's choice)."""

SPREAD_FLOOR = 0.003
"""Least spread of log luminance: no sky is plainer, lens shading included (tuned on simulated
frames; docs/methods/dust.md)."""

SPREAD_CEILING = 0.4
"""Spread beyond which a block tells nothing of a spot and is dropped (same source)."""

SPREAD_STEP = 1 / 4
"""Of log2(spread / `SPREAD_UNIT`), from one code to the next."""

SPREAD_UNIT = 1e-4
"""Spread of code 0, which is never used as such."""

CONTRAST_STEP = 1.5
"""Of contrast over spread, from one code to the next: costs no spot (measured on simulated
frames)."""

LINEAR_CODES = 4
"""Codes up to this one are evenly spaced, from there on each is a factor exp(1/4) larger."""

LARGEST_CODE = 24
"""594 steps."""


class DustSize(NamedTuple):
    """One size of the view.

    Attributes
    ----------
    contrast : (rows, cols) int8 array
        Codes of log luminance less its surroundings, over the spread; 0 where nothing is known.
    spread : (rows / 4, cols / 4) uint8 array, rounded up
        Codes of the local spread; 0 where the block tells nothing.
    """

    contrast: NDArray[np.int8]
    spread: NDArray[np.uint8]


def dust_view(levels: Plane) -> NDArray[np.uint8]:
    """Reduce a small picture to what a stack needs of it.

    Parameters
    ----------
    levels : (rows, cols) float32 array
        Linear, 0 black to 1 saturated, stored orientation, long edge `VIEW_LONG_EDGE_PX`.

    Returns
    -------
    (about 7/4 rows, cols) uint8 array
        All sizes side by side: see `packed`.
    """
    usable = (levels > DARKEST) & (levels < BRIGHTEST)
    log_levels = np.log(np.clip(levels, DARKEST, 1.0))
    sizes = []
    for size in range(SIZES):
        if size:
            log_levels, usable = _halved(log_levels), _halved(usable.astype(np.float32)) == 1.0
        sizes.append(_size(log_levels, usable))
    return packed(sizes)


def packed(sizes: list[DustSize]) -> NDArray[np.uint8]:
    """Lay the sizes out in one picture.

    The full size lies above. Below it stands the half size, right of that the quarter size, and
    below that one the spreads, left to right. Contrast is stored as two's complement, so that most
    bytes are 0 or close to it.
    """
    rows, cols = sizes[0].contrast.shape
    half_rows, half_cols = sizes[1].contrast.shape
    quarter_rows, quarter_cols = sizes[2].contrast.shape
    sheet = np.zeros((rows + half_rows + _spread_rows(rows), cols), dtype=np.uint8)
    sheet[:rows] = sizes[0].contrast.view(np.uint8)
    sheet[rows : rows + half_rows, :half_cols] = sizes[1].contrast.view(np.uint8)
    sheet[rows : rows + quarter_rows, half_cols : half_cols + quarter_cols] = sizes[
        2
    ].contrast.view(np.uint8)
    left = 0
    for size in sizes:
        high, wide = size.spread.shape
        sheet[rows + half_rows : rows + half_rows + high, left : left + wide] = size.spread
        left += wide
    return sheet


def _spread_rows(rows: int) -> int:
    return -(-rows // BLOCK_PX)


def _size(log_levels: Plane, usable: NDArray[np.bool_]) -> DustSize:
    """Contrast and spread of one size."""
    surroundings = uniform_filter(uniform_filter(log_levels, SURROUND_PX), SURROUND_PX)
    contrast = log_levels - surroundings
    # The surroundings of a pixel must be usable too: a cut light leaves a false contrast beside it.
    usable = uniform_filter(usable.astype(np.float32), SURROUND_PX) > 0.999
    contrast[~usable] = 0.0
    codes = _spread_codes(_spread(contrast, usable))
    spread = SPREAD_UNIT * np.exp2(codes * np.float32(SPREAD_STEP))
    blown_up = _per_pixel(np.where(codes > 0, spread, np.inf).astype(np.float32), contrast.shape)
    return DustSize(_contrast_codes(contrast / blown_up), codes)


def _spread(contrast: Plane, usable: NDArray[np.bool_]) -> Plane:
    """Standard deviation of the contrast by block, over three blocks each way; NaN: unknown."""
    squares, known = _block_sums(contrast * contrast), _block_sums(usable.astype(np.float32))
    known = uniform_filter(known, 3)
    mean_square = uniform_filter(squares, 3) / np.maximum(known, 1.0)
    spread: Plane = np.sqrt(np.maximum(mean_square, 0.0))
    spread[known < BLOCK_PX * BLOCK_PX / 2] = np.nan
    return spread


def _spread_codes(spread: Plane) -> NDArray[np.uint8]:
    is_of_use = spread < SPREAD_CEILING  # False for NaN
    floored = np.maximum(np.where(is_of_use, spread, 1.0), SPREAD_FLOOR)
    codes = np.rint(np.log2(floored / SPREAD_UNIT) / SPREAD_STEP)
    return np.where(is_of_use, codes, 0).astype(np.uint8)


def _contrast_codes(ratio: Plane) -> NDArray[np.int8]:
    size = np.abs(ratio) / CONTRAST_STEP
    beyond = LINEAR_CODES * (1 + np.log(np.maximum(size, LINEAR_CODES) / LINEAR_CODES))
    codes = np.minimum(np.rint(np.where(size <= LINEAR_CODES, size, beyond)), LARGEST_CODE)
    return np.copysign(codes, ratio).astype(np.int8)


def _block_sums(plane: Plane) -> Plane:
    """Sums over blocks; the last ones are padded with nothing."""
    rows, cols = plane.shape
    padded = np.pad(plane, ((0, -rows % BLOCK_PX), (0, -cols % BLOCK_PX)))
    high, wide = padded.shape[0] // BLOCK_PX, padded.shape[1] // BLOCK_PX
    sums: Plane = padded.reshape(high, BLOCK_PX, wide, BLOCK_PX).sum(axis=(1, 3))
    return sums


def _per_pixel(blocks: Plane, shape: tuple[int, int]) -> Plane:
    grown = blocks.repeat(BLOCK_PX, axis=0).repeat(BLOCK_PX, axis=1)
    return grown[: shape[0], : shape[1]]


def _halved(plane: Plane) -> Plane:
    """Mean of 2 x 2; an odd last row or column is doubled first."""
    rows, cols = plane.shape
    even = np.pad(plane, ((0, rows % 2), (0, cols % 2)), mode="edge")
    return (even[::2, ::2] + even[1::2, ::2] + even[::2, 1::2] + even[1::2, 1::2]) / np.float32(4)
