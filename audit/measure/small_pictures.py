"""Small colour pictures of a frame, as numbers: a reduced view and unscaled cuts.

A raw file gets the plainest rendering that a person can judge by: no sharpening, no noise taken
off, no tone curve but that of the screen. What looks soft in it is soft in the samples.
"""

import numpy as np
from numpy.typing import NDArray

THUMBNAIL_LONG_EDGE_PX = 264
"""Long edge of the reduced view (project's choice: a third of a sheet of text)."""

CROP_SIDE_PX = 192
"""Side of a cut, native pixels (project's choice: 5 cm on a screen of 96 pixels an inch)."""

SAMPLES_A_SIDE = 3
"""Each pixel of the reduced view is the mean of so many samples squared, evenly spread: more cost
time and show no difference (seen on development frames)."""

MOST_LOOKED_AT = 400
"""Samples a side of a tile in which the place of a cut is looked for; more cost time."""

BRIGHT_SHARE = 0.995
"""A dark cut is brightened until this share of it lies below `BRIGHT_LEVEL`."""
BRIGHT_LEVEL = 0.8
LEAST_BRIGHTENING = 2.0
"""A cut is left as it is where less than a stop would be gained (project's choice)."""
MOST_BRIGHTENING = 16.0
"""Four stops; more shows noise only (guess)."""

SRGB_FROM_XYZ = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)
"""IEC 61966-2-1 primaries, white D65 (from memory; the tests hold it against another library)."""


def view_size(shape: tuple[int, ...], long_edge_px: int) -> tuple[int, int]:
    """Rows and columns of a reduced view; never larger than the picture."""
    scale = min(1.0, long_edge_px / max(shape[:2]))
    return max(1, round(shape[0] * scale)), max(1, round(shape[1] * scale))


def sample_places(size: int, wanted: int) -> NDArray[np.intp]:
    """Give the evenly spread indices, `SAMPLES_A_SIDE` for each of ``wanted`` output pixels."""
    count = wanted * SAMPLES_A_SIDE
    return ((np.arange(count) + 0.5) * (size / count)).astype(np.intp)


def pooled(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of each block of `SAMPLES_A_SIDE` squared samples.

    Parameters
    ----------
    samples : (rows * n, cols * n[, channels]) array

    Returns
    -------
    (rows, cols[, channels]) float32 array
    """
    side = SAMPLES_A_SIDE
    rows, cols = samples.shape[0] // side, samples.shape[1] // side
    blocks = samples.reshape(rows, side, cols, side, *samples.shape[2:])
    means: NDArray[np.float32] = blocks.mean(axis=(1, 3), dtype=np.float32)
    return means


def mosaic_view(
    samples: NDArray[np.uint16],
    pattern: NDArray[np.uint8],
    black_dn: NDArray[np.float32],
    saturation_dn: tuple[float, float, float],
) -> NDArray[np.float32]:
    """Reduced view of a mosaic.

    Parameters
    ----------
    samples : (rows, cols) uint16 array
    pattern : (pattern rows, pattern cols) uint8 array
        Colour of each site: 0, 1, 2.
    black_dn : array like ``pattern``
    saturation_dn : three floats
        Above black, by colour.

    Returns
    -------
    (view rows, view cols, 3) float32 array
        Linear camera colours, 0 to 1 (saturation); of a sensor without filters all three alike.
    """
    size = view_size(samples.shape, THUMBNAIL_LONG_EDGE_PX)
    view = np.zeros((*size, 3), np.float32)
    for colour in range(3):
        row, col = _site_of(pattern, colour)
        plane = samples[row :: pattern.shape[0], col :: pattern.shape[1]]
        rows, cols = (
            sample_places(have, want) for have, want in zip(plane.shape, size, strict=True)
        )
        means = pooled(plane[rows[:, None], cols].astype(np.float32))
        view[:, :, colour] = (means - black_dn[row, col]) / np.float32(saturation_dn[colour])
    return view


def _site_of(pattern: NDArray[np.uint8], colour: int) -> tuple[int, int]:
    """First site of a colour; of any, where the pattern lacks it."""
    sites = np.argwhere(pattern == colour)
    row, col = sites[0] if len(sites) else (0, 0)
    return int(row), int(col)


def mosaic_cut(
    samples: NDArray[np.uint16],
    pattern: NDArray[np.uint8],
    black_dn: NDArray[np.float32],
    saturation_dn: tuple[float, float, float],
    corner: tuple[int, int],
    size: tuple[int, int] = (CROP_SIDE_PX, CROP_SIDE_PX),
) -> NDArray[np.float32]:
    """Unscaled cut of a mosaic, missing colours filled in from the nearest sites.

    Parameters
    ----------
    samples, pattern, black_dn, saturation_dn
        As for `mosaic_view`.
    corner : (row, col)
        First row and column of the cut.
    size : (rows, cols)
        Of the cut; less where the frame ends.

    Returns
    -------
    (rows, cols, 3) float32 array
        Linear camera colours. Each colour is the mean of its sites within one pixel, weighted by
        nearness: on a Bayer pattern plain bilinear interpolation.
    """
    rows = np.arange(corner[0], min(corner[0] + size[0], samples.shape[0]))
    cols = np.arange(corner[1], min(corner[1] + size[1], samples.shape[1]))
    around = tuple(
        np.clip(np.arange(part[0] - 1, part[-1] + 2), 0, size - 1)
        for part, size in zip((rows, cols), samples.shape, strict=True)
    )
    part = samples[around[0][:, None], around[1]].astype(np.float32)
    site = (around[0][:, None] % pattern.shape[0], around[1] % pattern.shape[1])
    part -= black_dn[site]
    colours = pattern[site]
    cut = np.zeros((rows.size, cols.size, 3), np.float32)
    for colour in range(3):
        known = (colours == colour).astype(np.float32)
        if not known.any():
            known = np.ones_like(part)
        weight = _near_sums(known)
        cut[:, :, colour] = _near_sums(part * known) / np.maximum(weight, 1e-6)
        cut[:, :, colour] /= np.float32(saturation_dn[colour])
    return cut


def _near_sums(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """Weighted sum of 3 x 3 neighbours: 1 2 1 both ways; the border is left out."""
    tall = plane[:-2] + 2 * plane[1:-1] + plane[2:]
    return np.asarray(tall[:, :-2] + 2 * tall[:, 1:-1] + tall[:, 2:], dtype=np.float32)


def rendered(
    camera: NDArray[np.float32],
    white_balance: tuple[float, float, float] | None,
    to_srgb: NDArray[np.float64] | None,
) -> NDArray[np.float32]:
    """Camera colours as linear sRGB.

    Parameters
    ----------
    camera : (rows, cols, 3) float32 array
        Linear, 1 is saturation.
    white_balance : three floats or None
        Multipliers of the camera.
    to_srgb : (3, 3) array or None
        From balanced camera colours; rows add up to 1.

    Returns
    -------
    (rows, cols, 3) float32 array
        0 to 1. Saturated samples come out white, whatever the multipliers.
    """
    balanced = np.clip(camera, 0.0, 1.0)
    if white_balance is not None:
        gains = np.asarray(white_balance, np.float32)
        balanced = np.minimum(balanced * (gains / gains.min()), 1.0)
    if to_srgb is not None:
        balanced = balanced @ to_srgb.T.astype(np.float32)
    return np.asarray(np.clip(balanced, 0.0, 1.0), dtype=np.float32)


def matrix_to_srgb(camera_from_xyz: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Matrix from balanced camera colours to linear sRGB.

    Parameters
    ----------
    camera_from_xyz : (3, 3) array
        As camera makers and DNG state it (ColorMatrix for D65), in any scale.

    Returns
    -------
    (3, 3) array or None
        White stays white; ``None`` for a matrix that cannot be turned round.
    """
    camera_from_srgb = camera_from_xyz @ np.linalg.inv(SRGB_FROM_XYZ)
    sums = camera_from_srgb.sum(axis=1, keepdims=True)
    if not np.isfinite(camera_from_srgb).all() or (sums <= 0).any():
        return None
    try:
        return np.asarray(np.linalg.inv(camera_from_srgb / sums), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None


def brightening(linear: NDArray[np.float32]) -> float:
    """Gain, 1 or more, that makes a dark cut fit to be looked at."""
    if not linear.size:
        return 1.0
    level = float(np.quantile(linear.max(axis=-1) if linear.ndim == 3 else linear, BRIGHT_SHARE))
    gain = min(BRIGHT_LEVEL / max(level, 1e-6), MOST_BRIGHTENING)
    return gain if gain >= LEAST_BRIGHTENING else 1.0


def busiest_corner(
    plane: NDArray[np.generic], tile: tuple[int, int], grid: tuple[int, int], step: int
) -> tuple[int, int]:
    """Where in a tile the most is to be seen: the cut with the strongest steps.

    Parameters
    ----------
    plane : (rows, cols) array
        Samples, stored orientation.
    tile, grid : (row, col), (rows, cols)
        A tile of the map, and how many there are.
    step : int
        Samples so far apart are compared: the side of the filter pattern, 1 without one.

    Returns
    -------
    (row, col)
        First row and column of a cut that lies inside the frame.
    """
    spans = [
        _span(place, count, size)
        for place, count, size in zip(tile, grid, plane.shape, strict=True)
    ]
    (top, bottom), (left, right) = spans
    step *= max(1, max(bottom - top, right - left) // (step * MOST_LOOKED_AT))
    part = plane[top:bottom:step, left:right:step].astype(np.float32)
    side = max(1, CROP_SIDE_PX // step)
    steps = np.zeros_like(part)
    steps[1:] += np.abs(np.diff(part, axis=0))
    steps[:, 1:] += np.abs(np.diff(part, axis=1))
    sums = _box_sums(steps, side)
    row, col = np.unravel_index(int(sums.argmax()), sums.shape)
    corner = (top + int(row) * step, left + int(col) * step)
    last = [max(0, size - CROP_SIDE_PX) for size in plane.shape]
    return min(corner[0], last[0]), min(corner[1], last[1])


def _span(place: int, count: int, size: int) -> tuple[int, int]:
    """First and last sample of a tile, widened to the side of a cut where it is smaller."""
    first, last = place * size // count, (place + 1) * size // count
    lacking = max(0, CROP_SIDE_PX - (last - first))
    first = max(0, min(first - lacking // 2, size - CROP_SIDE_PX))
    return first, min(size, max(last + lacking, first + CROP_SIDE_PX))


def _box_sums(plane: NDArray[np.float32], side: int) -> NDArray[np.float64]:
    """Sum over every window of side x side samples that fits."""
    rows, cols = (min(side, size) for size in plane.shape)
    sums = np.zeros((plane.shape[0] + 1, plane.shape[1] + 1))
    sums[1:, 1:] = plane.cumsum(axis=0, dtype=np.float64).cumsum(axis=1)
    boxes = sums[rows:, cols:] - sums[:-rows, cols:] - sums[rows:, :-cols] + sums[:-rows, :-cols]
    return np.asarray(boxes, dtype=np.float64)
