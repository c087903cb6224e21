"""The picture that a sweep would make: frames laid on a levelled cylinder.

The cylinder's scale is that of the middle of a frame: u = f x longitude, v = f x tan(latitude). Its
axis stands upright; for a vertical sweep it lies level, across the sweep.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]

BORDER_POINTS = 60
"""Points along each side of a frame whose places give the bounding box."""

GRID_LONG = 96
"""Cells of the coverage along the long side of one frame: the clean rectangle is known to one
part in this many (sets the cost)."""

UPRIGHT_WEIGHT = 0.007
"""Say of the cameras' own uprights against the plane that their horizontals lie in. The plane alone
is undetermined for a short sweep. Half a degree of roll over 6 degrees of pitch, squared (guess; on
development trips 0.003 to 0.01 do equally well)."""


class Camera(NamedTuple):
    """One placed frame."""

    rotation: Matrix
    """(3, 3), from the world to the camera."""
    focal_px: float
    width_px: int
    height_px: int


class Stitched(NamedTuple):
    """Size of the picture, pixels at the scale of the frames."""

    width_px: int
    height_px: int
    crop_width_px: int
    """Largest rectangle without an empty corner."""
    crop_height_px: int
    level_crop_px: int
    """Height of that rectangle (width, for a vertical sweep) had the frames not wandered."""
    wander_deg: float
    """Largest spread of a row (column, for a vertical sweep) across its direction."""
    full_turn: bool
    """The field goes all the way round."""


def stitched(
    cameras: Sequence[Camera], lines: Sequence[Sequence[int]], *, vertical: bool
) -> Stitched:
    """Lay frames on the levelled cylinder and measure what they cover.

    Parameters
    ----------
    cameras : sequence of Camera
        All in one world.
    lines : sequence of sequence of int
        Indexes of the frames row by row (column by column for a vertical sweep), in order.
    vertical : bool
        The sweep goes up or down: the cylinder lies level.

    Returns
    -------
    Stitched
    """
    scale_px = cameras[0].focal_px
    levelled = _levelled(cameras, vertical=vertical)
    boxes = [_box(camera, vertical=vertical) for camera in levelled]
    along = np.array([[box[0], box[1]] for box in boxes]) * scale_px
    across = np.array([[box[2], box[3]] for box in boxes]) * scale_px
    length, breadth = float(np.ptp(along)), float(np.ptp(across))
    full_turn = length >= 2 * math.pi * scale_px
    length = min(length, 2 * math.pi * scale_px)
    crop_along, crop_across = _clean_rectangle(
        levelled, along.min(), length, across, scale_px, vertical=vertical
    )
    sizes = (length, breadth, crop_along, crop_across)
    width, height, crop_width, crop_height = (
        (sizes[1], sizes[0], sizes[3], sizes[2]) if vertical else sizes
    )
    return Stitched(
        round(width),
        round(height),
        round(crop_width),
        round(crop_height),
        round(_level_crop_px(levelled, lines, vertical=vertical)),
        _wander_deg(levelled, lines, vertical=vertical),
        full_turn,
    )


def largest_rectangle(mask: NDArray[np.bool_]) -> tuple[int, int]:
    """Columns and rows of the largest rectangle of true cells.

    Parameters
    ----------
    mask : (rows, cols) bool array

    Returns
    -------
    tuple of int
        Columns, rows; (0, 0) where no cell is true.

    References
    ----------
    Largest rectangle in a histogram, row by row, with a stack (folklore).
    """
    best = (0, 0)
    heights = np.zeros(mask.shape[1], int)
    for row, below in zip(mask, [*mask[1:], np.zeros(mask.shape[1], bool)], strict=True):
        heights = np.where(row, heights + 1, 0)
        # A rectangle that ends here is the largest only if it cannot go on below.
        if not (row & ~below).any() or _most_cells(heights) <= best[0] * best[1]:
            continue
        best = max(best, _under_histogram(heights), key=lambda size: size[0] * size[1])
    return best


def _most_cells(heights: NDArray[np.int_]) -> int:
    """No rectangle has more: as if columns of one height lay side by side."""
    highest_first = np.sort(heights)[::-1]
    return int((highest_first * np.arange(1, len(heights) + 1)).max(initial=0))


def _under_histogram(heights: NDArray[np.int_]) -> tuple[int, int]:
    best, stack = (0, 0), list[tuple[int, int]]()
    starts = np.flatnonzero(np.diff(heights, prepend=-1))
    steps = zip([*starts.tolist(), len(heights)], [*heights[starts].tolist(), 0], strict=True)
    for at, height in steps:
        start = at
        while stack and stack[-1][1] >= height:
            start, top = stack.pop()
            if top * (at - start) > best[0] * best[1]:
                best = (at - start, top)
        stack.append((start, height))
    return best


# ---------------------------------------------------------------- geometry


def _levelled(cameras: Sequence[Camera], *, vertical: bool) -> list[Camera]:
    """Turn the world so that its y axis is down and its z axis the middle of the sweep."""
    axes = np.array([camera.rotation for camera in cameras])
    sideways, downward = axes[:, 0, :], axes[:, 1, :]
    if vertical:
        # The cameras share one horizontal; up and ahead follow from the middle of the sweep.
        right = _unit(sideways.sum(axis=0))
        ahead = _unit(_rejected(axes[:, 2, :].sum(axis=0), right))
        down = np.cross(ahead, right)
    else:
        spread = sideways.T @ sideways - UPRIGHT_WEIGHT * downward.T @ downward
        down = np.linalg.eigh(spread)[1][:, 0]
        down = down * np.sign(down @ downward.sum(axis=0))
        middle = axes[len(axes) // 2, 2, :]
        ahead = _unit(_rejected(middle, down))
        right = np.cross(down, ahead)
    world = np.array([right, down, ahead])
    return [camera._replace(rotation=camera.rotation @ world.T) for camera in cameras]


def _rejected(vector: Matrix, axis: Matrix) -> Matrix:
    return vector - (vector @ axis) * axis


def _unit(vector: Matrix) -> Matrix:
    out: Matrix = vector / np.linalg.norm(vector)
    return out


def _on_cylinder(rays: Matrix, *, vertical: bool) -> tuple[Matrix, Matrix]:
    """Longitude along the sweep and tangent of the latitude across it."""
    x, y, z = rays[..., 0], rays[..., 1], rays[..., 2]
    if vertical:
        return np.arctan2(y, z), x / np.hypot(y, z)
    return np.arctan2(x, z), y / np.hypot(x, z)


def _box(camera: Camera, *, vertical: bool) -> tuple[float, float, float, float]:
    """Bounds of a frame: along the sweep (radians, not wrapped) and across (tangent)."""
    x = np.linspace(-0.5, 0.5, BORDER_POINTS) * camera.width_px / camera.focal_px
    y = np.linspace(-0.5, 0.5, BORDER_POINTS) * camera.height_px / camera.focal_px
    border = np.concatenate(
        [np.stack([x, np.full_like(x, side), np.ones_like(x)], axis=-1) for side in (y[0], y[-1])]
        + [np.stack([np.full_like(y, side), y, np.ones_like(y)], axis=-1) for side in (x[0], x[-1])]
    )
    along, across = _on_cylinder(border @ camera.rotation, vertical=vertical)
    middle, _ = _on_cylinder(camera.rotation[2], vertical=vertical)
    off = (along - middle + math.pi) % (2 * math.pi) - math.pi
    start = float(middle)
    return start + off.min(), start + off.max(), float(across.min()), float(across.max())


def _clean_rectangle(
    cameras: Sequence[Camera],
    start_px: float,
    length_px: float,
    across_px: Matrix,
    scale_px: float,
    *,
    vertical: bool,
) -> tuple[float, float]:
    """Largest covered rectangle: along and across the sweep, in pixels.

    From the middle of its first cell to that of its last, for only the middles were looked at.
    """
    cell_px = max(cameras[0].width_px, cameras[0].height_px) / GRID_LONG
    along = (start_px + np.arange(cell_px / 2, length_px, cell_px)) / scale_px
    across = np.arange(across_px.min() + cell_px / 2, across_px.max(), cell_px) / scale_px
    lon, lat = np.meshgrid(along, across)
    if vertical:
        rays = np.stack([lat, np.sin(lon), np.cos(lon)], axis=-1)
    else:
        rays = np.stack([np.sin(lon), lat, np.cos(lon)], axis=-1)
    covered = np.zeros(lon.shape, dtype=bool)
    for camera in cameras:
        x, y, z = np.moveaxis(rays @ camera.rotation.T, -1, 0)
        ahead = np.maximum(z, 1e-6) / camera.focal_px
        covered |= (
            (z > 0)
            & (np.abs(x / ahead) <= camera.width_px / 2)
            & (np.abs(y / ahead) <= camera.height_px / 2)
        )
    cols, rows = largest_rectangle(covered)
    return max(cols - 1, 0) * cell_px, max(rows - 1, 0) * cell_px


def _places(
    cameras: Sequence[Camera], line: Sequence[int], *, vertical: bool
) -> tuple[Matrix, Matrix]:
    """Directions of a row's frames: along the sweep and across, radians."""
    along, across = _on_cylinder(
        np.array([cameras[i].rotation[2] for i in line]), vertical=vertical
    )
    return np.unwrap(along), np.arctan(across)


def _wander_deg(
    cameras: Sequence[Camera], lines: Sequence[Sequence[int]], *, vertical: bool
) -> float:
    spreads = [np.ptp(_places(cameras, line, vertical=vertical)[1]) for line in lines]
    return math.degrees(max(spreads, default=0.0))


def _level_crop_px(
    cameras: Sequence[Camera], lines: Sequence[Sequence[int]], *, vertical: bool
) -> float:
    """Extent across of a clean rectangle had each row been held straight.

    Between two frames the border of a straight row dips to cos(half a step) of its middle height.
    """
    middles, edges = [], []
    for line in lines:
        along, across = _places(cameras, line, vertical=vertical)
        first = cameras[line[0]]
        half = (first.width_px if vertical else first.height_px) / 2 / first.focal_px
        step = float(np.abs(np.diff(along)).max(initial=0.0))
        middles.append(float(np.median(across)))
        edges.append(math.atan(half * math.cos(step / 2)))
    top = min(middle - edge for middle, edge in zip(middles, edges, strict=True))
    low = max(middle + edge for middle, edge in zip(middles, edges, strict=True))
    return cameras[0].focal_px * (math.tan(low) - math.tan(top))
