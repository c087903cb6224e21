"""How much of a picture differs from its own small preview.

A camera makes the preview from the same exposure, and it lies in another place of the file. Where
the large picture is damaged the two differ; where it is sound they agree but for a tone curve,
sharpening and noise. Previews of edited pictures, and of a few cameras, differ without any damage
(1 of 25 real files): so this measures damage that is known, and never tells of it by itself.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from audit.measure.preview import shrink

LEAST_SIDE_PX = 40
"""Shorter previews tell too little (guess)."""

LEVELS = 32
"""Bins of the tone curve between picture and preview."""

DIFFERS_CODES = 24.0
"""Difference after all corrections that makes a cell bad, in codes of 0 to 255; sharpening and
compression leave 98.6 % and more of the cells of sound previews below it (24 real files)."""

AGREES_CODES = 8.0
"""Largest median difference over the rows that agree, for a preview that is of this picture."""

AGREEING_SHARE = 0.1
"""Rows agree that have fewer bad cells; and as many of the rows must agree, or the preview proves
nothing (guess)."""

SHIFT_PX = 4
"""Largest shift between picture and preview, in preview pixels (seen: 2)."""

SHIFTS = range(-SHIFT_PX, SHIFT_PX + 1)


def share_unlike(codes: NDArray[np.generic], preview: NDArray[np.uint8]) -> float | None:
    """Part of a grey picture that does not look like its preview.

    Parameters
    ----------
    codes : (rows, cols) array
        In the picture's own tone curve.
    preview : (rows, cols) uint8 array
        The same way up; black bars that fill it up to another shape are cut off.

    Returns
    -------
    float or None
        0 to 1; ``None`` where the preview is too small, or so different that it proves nothing.
    """
    small = _without_bars(preview.astype(np.float32), codes.shape)
    if min(small.shape) < LEAST_SIDE_PX or max(small.shape) >= max(codes.shape):
        return None
    large = shrink(codes, max(small.shape))
    rows, cols = min(large.shape[0], small.shape[0]), min(large.shape[1], small.shape[1])
    if abs(large.shape[0] - small.shape[0]) > 2 or abs(large.shape[1] - small.shape[1]) > 2:
        return None
    pair = _registered(_smooth(large[:rows, :cols]), _smooth(small[:rows, :cols]))
    difference = _difference(*pair)
    bad = difference > DIFFERS_CODES
    agreeing = bad.mean(axis=1) < AGREEING_SHARE
    if agreeing.mean() < AGREEING_SHARE or np.median(difference[agreeing]) > AGREES_CODES:
        return None
    return float(bad.mean())


def _without_bars(preview: NDArray[np.float32], shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Cut the preview to the picture's shape, evenly on both sides, with a pixel to spare."""
    rows, cols = preview.shape
    wanted = shape[0] / shape[1]
    if rows / cols > wanted * 1.02:
        keep = round(cols * wanted)
        top = (rows - keep) // 2
        return preview[top : top + keep]
    if rows / cols < wanted / 1.02:
        keep = round(rows / wanted)
        left = (cols - keep) // 2
        return preview[:, left : left + keep]
    return preview


def _registered(
    large: NDArray[np.float32], small: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Parts of both that show the same, after the shift at which they are most alike.

    Cameras crop and shift their previews by a few pixels, so the border rows are left out.
    """
    rows, cols = small.shape
    inner = small[SHIFT_PX : rows - SHIFT_PX, SHIFT_PX : cols - SHIFT_PX]
    shifts = [(down, right) for down in SHIFTS for right in SHIFTS]

    def moved(plane: NDArray[np.float32], down: int, right: int) -> NDArray[np.float32]:
        top, left = SHIFT_PX + down, SHIFT_PX + right
        return plane[top : top + inner.shape[0], left : left + inner.shape[1]]

    centred = inner - inner.mean()

    def likeness(shift: tuple[int, int]) -> float:
        part = moved(large, *shift)
        part = part - part.mean()
        return float((part * centred).sum() / (np.sqrt((part**2).sum()) + 1e-9))

    return moved(large, *max(shifts, key=likeness)), inner


def _smooth(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    smoothed: NDArray[np.float32] = ndimage.uniform_filter(plane, size=3, mode="nearest")
    return smoothed


def _difference(large: NDArray[np.float32], small: NDArray[np.float32]) -> NDArray[np.float32]:
    """Difference of the two after a tone curve, with a pixel of freedom in place."""
    toned = _toned(large, small)
    low = ndimage.minimum_filter(toned, size=3, mode="nearest")
    high = ndimage.maximum_filter(toned, size=3, mode="nearest")
    found: NDArray[np.float32] = np.maximum(np.maximum(low - small, small - high), 0.0)
    return found


def _toned(large: NDArray[np.float32], small: NDArray[np.float32]) -> NDArray[np.float32]:
    """Bring the picture to the preview's tone by the median preview level of each of its levels.

    The median of a level with damage in less than half of its places is that of the sound ones.
    """
    edges = np.quantile(large, np.linspace(0, 1, LEVELS + 1))
    place = np.clip(np.searchsorted(edges, large, side="right") - 1, 0, LEVELS - 1)
    centres, medians = [], []
    for level in range(LEVELS):
        inside = place == level
        if inside.any():
            centres.append(float(large[inside].mean()))
            medians.append(float(np.median(small[inside])))
    order = np.argsort(centres)
    toned: NDArray[np.float32] = np.interp(
        large, np.asarray(centres)[order], np.asarray(medians)[order]
    ).astype(np.float32)
    return toned
