"""Where a frame is clipped, for whoever wants to look there: the same rule as the shares."""

import numpy as np
from numpy.typing import NDArray

from audit.measure.clipping import CLIPPED_SHARE_OF_RANGE

NONE_LOST, SOME_LOST, ALL_LOST = 0, 1, 2
"""Of a pixel: no colour is lost, some are, all are."""


def lost_of_mosaic(
    samples: NDArray[np.uint16],
    pattern: NDArray[np.uint8],
    black_dn: NDArray[np.float32],
    saturation_dn: tuple[float, float, float],
    origin: tuple[int, int] = (0, 0),
) -> NDArray[np.uint8]:
    """Mark the lost sites of a part of a mosaic.

    Parameters
    ----------
    samples : (rows, cols) uint16 array
        The part.
    pattern, black_dn : (pattern rows, pattern cols) arrays
        Of the whole mosaic.
    saturation_dn : three floats
        Above black, by colour.
    origin : (row, col)
        Of the part in the mosaic.

    Returns
    -------
    (rows, cols) uint8 array
        `ALL_LOST` where every site of the pattern's cell around it is lost, `SOME_LOST` where the
        site itself is.
    """
    top = black_dn + CLIPPED_SHARE_OF_RANGE * np.asarray(saturation_dn, np.float32)[pattern]
    rows, cols = (
        np.arange(size) + first for size, first in zip(samples.shape, origin, strict=True)
    )
    limit = np.ceil(top)[np.ix_(rows % pattern.shape[0], cols % pattern.shape[1])]
    lost = samples >= limit
    marks = lost.astype(np.uint8)
    marks[_whole_cells(lost, pattern.shape, origin)] = ALL_LOST
    return marks


def _whole_cells(
    lost: NDArray[np.bool_], cell: tuple[int, ...], origin: tuple[int, int]
) -> NDArray[np.bool_]:
    """Which sites lie in a cell of the pattern that is lost as a whole."""
    whole = np.zeros_like(lost)
    first = [-start % side for start, side in zip(origin, cell, strict=True)]
    counts = [
        (size - start) // side for size, start, side in zip(lost.shape, first, cell, strict=True)
    ]
    if min(counts) < 1:
        return whole
    inner = tuple(
        slice(start, start + count * side)
        for start, count, side in zip(first, counts, cell, strict=True)
    )
    blocks = lost[inner].reshape(counts[0], cell[0], counts[1], cell[1]).all(axis=(1, 3))
    whole[inner] = blocks.repeat(cell[0], axis=0).repeat(cell[1], axis=1)
    return whole


def lost_of_developed(
    codes: NDArray[np.uint8] | NDArray[np.uint16], curves: tuple[NDArray[np.float32], ...]
) -> NDArray[np.uint8]:
    """Mark the lost pixels of a part of a developed picture.

    Parameters
    ----------
    codes : (rows, cols, 3) or (rows, cols) array
    curves : tuple of float32 arrays
        Linear value, 0 to 1, of every code; one a channel, or one for all.

    Returns
    -------
    (rows, cols) uint8 array
    """
    planes = [codes] if codes.ndim == 2 else [codes[:, :, c] for c in range(codes.shape[2])]
    lost = [
        plane >= np.searchsorted(curve, CLIPPED_SHARE_OF_RANGE * curve[-1])
        for plane, curve in zip(planes, (curves * len(planes))[: len(planes)], strict=True)
    ]
    marks: NDArray[np.uint8] = np.any(lost, axis=0).astype(np.uint8)
    marks[np.all(lost, axis=0)] = ALL_LOST
    return marks
