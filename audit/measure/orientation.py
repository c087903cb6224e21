"""From stored to viewed orientation: pictures, tiles and directions, each turned once."""

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Scalar = TypeVar("Scalar", bound=np.generic)

TRANSPOSED = frozenset({5, 6, 7, 8})
"""Orientations whose stored rows are viewed columns."""

STEPS_AFTER_TRANSPOSE = {
    1: (1, 1),
    2: (1, -1),
    3: (-1, -1),
    4: (-1, 1),
    5: (1, 1),
    6: (1, -1),
    7: (-1, -1),
    8: (-1, 1),
}
"""Direction of rows and columns, once transposed, by Exif Orientation (CIPA DC-008, tag 0112)."""


def viewed(plane: NDArray[Scalar], orientation: int) -> NDArray[Scalar]:
    """Turn a stored picture the way it is looked at.

    Parameters
    ----------
    plane : (rows, cols, ...) array
        Stored orientation.
    orientation : int
        Exif Orientation, 1 to 8 (CIPA DC-008, tag 0112).

    Returns
    -------
    array
        A view where one serves.
    """
    if orientation in TRANSPOSED:
        plane = np.swapaxes(plane, 0, 1)
    rows, cols = STEPS_AFTER_TRANSPOSE[orientation]
    turned: NDArray[Scalar] = plane[::rows, ::cols]
    return turned


def viewed_tile(tile: tuple[int, int], shape: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Place of a tile once its map is turned the way it is looked at.

    Parameters
    ----------
    tile : (row, col)
        In stored orientation.
    shape : (rows, cols)
        Of the stored map.
    orientation : int
        Exif Orientation, 1 to 8.
    """
    marked = np.zeros(shape, dtype=bool)
    marked[tile] = True
    row, col = np.argwhere(viewed(marked, orientation))[0]
    return int(row), int(col)


def stored_tile(
    tile: tuple[int, int], shape: tuple[int, int], orientation: int
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Place of a viewed tile in the map as stored, and that map's rows and columns.

    Parameters
    ----------
    tile : (row, col)
        In viewed orientation.
    shape : (rows, cols)
        Of the viewed map.
    orientation : int
        Exif Orientation, 1 to 8.
    """
    stored_shape = shape[::-1] if orientation in TRANSPOSED else shape
    numbers = np.arange(shape[0] * shape[1]).reshape(stored_shape)
    row, col = divmod(int(viewed(numbers, orientation)[tile]), stored_shape[1])
    return (row, col), stored_shape


def viewed_box(
    box: tuple[float, float, float, float], orientation: int
) -> tuple[float, float, float, float]:
    """Turn a box (top, left, height, width; shares of the frame) as its picture is looked at.

    Parameters
    ----------
    box : four floats
        In the stored frame.
    orientation : int
        Exif Orientation, 1 to 8.
    """
    top, left, height, width = box
    if orientation in TRANSPOSED:
        top, left, height, width = left, top, width, height
    rows, cols = STEPS_AFTER_TRANSPOSE[orientation]
    if rows < 0:
        top = 1.0 - top - height
    if cols < 0:
        left = 1.0 - left - width
    return top, left, height, width


def stored_box_px(
    box: tuple[int, int, int, int], viewed_shape: tuple[int, int], orientation: int
) -> tuple[int, int, int, int]:
    """Find a box of the viewed picture (top, left, rows, cols; pixels) in the stored one.

    Parameters
    ----------
    box : four ints
        Inside the viewed picture.
    viewed_shape : (rows, cols)
    orientation : int
        Exif Orientation, 1 to 8.
    """
    top, left, height, width = box
    rows, cols = STEPS_AFTER_TRANSPOSE[orientation]
    if rows < 0:
        top = viewed_shape[0] - top - height
    if cols < 0:
        left = viewed_shape[1] - left - width
    return (left, top, width, height) if orientation in TRANSPOSED else (top, left, height, width)


def viewed_angle_deg(angle_deg: float, orientation: int) -> float:
    """Direction of a line once its picture is turned the way it is looked at.

    Parameters
    ----------
    angle_deg : float
        Direction in the stored picture: 0 along the rows to the right, counter-clockwise.
    orientation : int
        Exif Orientation, 1 to 8.

    Returns
    -------
    float
        0 up to, not including, 180.
    """
    along, down = math.cos(math.radians(angle_deg)), -math.sin(math.radians(angle_deg))
    if orientation in TRANSPOSED:
        along, down = down, along
    rows, cols = STEPS_AFTER_TRANSPOSE[orientation]
    return math.degrees(math.atan2(-down * rows, along * cols)) % 180.0
