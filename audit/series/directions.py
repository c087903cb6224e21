"""Directions and the frames that see them: pinhole cameras that turn about one point."""

import math

import numpy as np
from numpy.typing import NDArray

from audit.series.view import Plane, View

Matrix = NDArray[np.float64]


def projected(
    x: Plane, y: Plane, focal_px: float, other_focal_px: float, rotation: Matrix
) -> tuple[Plane, Plane]:
    """Where the other camera sees points of this one, pixels from the middle of its frame.

    Parameters
    ----------
    x, y : float32 arrays
        Pixels from the middle of this frame.
    focal_px, other_focal_px : float
    rotation : (3, 3) array
        From this camera to the other.

    Returns
    -------
    x, y : float32 arrays
        Far outside where the point lies behind the other camera.
    """
    r = (rotation @ np.diag([1 / focal_px, 1 / focal_px, 1.0])).astype(np.float32)
    ahead = r[2, 0] * x + r[2, 1] * y + r[2, 2]
    # Behind the camera: a huge scale with an offset carries the point far outside the frame.
    behind = ahead < 1e-3
    scale = np.float32(other_focal_px) / np.where(behind, np.float32(1), ahead)
    away = behind * np.float32(1e6)
    return (
        (r[0, 0] * x + r[0, 1] * y + r[0, 2]) * scale + away,
        (r[1, 0] * x + r[1, 1] * y + r[1, 2]) * scale + away,
    )


def turn_about(vector: NDArray[np.float64]) -> Matrix:
    """Rotation about a vector by its length in radians (Rodrigues)."""
    x, y, z = vector.tolist()
    square = x * x + y * y + z * z
    angle = math.sqrt(square)
    first = math.sin(angle) / angle if angle > 1e-9 else 1.0
    second = (1 - math.cos(angle)) / square if angle > 1e-9 else 0.5
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    out: Matrix = np.eye(3) + first * cross + second * (cross @ cross)
    return out


def angle_between(one: Matrix, two: Matrix) -> float:
    """Angle of the turn from one rotation to another, radians."""
    return math.acos(min(1.0, max(-1.0, (float(np.trace(one.T @ two)) - 1) / 2)))


def area_overlap(a: View, b: View, rotation: Matrix, zoom: float = 1.0) -> float:
    """Share of the frame's area that the other frame sees, mean of both directions.

    Parameters
    ----------
    a, b : View
    rotation, zoom
        As in a `Link`.

    Returns
    -------
    float
        0 to 1.
    """
    one, two = _corners(a, 1.0), _corners(b, zoom) @ rotation
    shares = (
        _clipped_area(two, _sides(one), rotation, (b.focal_px * zoom)) / (b.high * b.cols),
        _clipped_area(one, _sides(two), np.eye(3), a.focal_px) / (a.high * a.cols),
    )
    return min(1.0, sum(shares) / 2)


def _corners(view: View, zoom: float) -> Matrix:
    """(4, 3) directions of the corners of a frame, clockwise."""
    focal_px = view.focal_px * zoom
    x, y = view.cols / 2 / focal_px, view.high / 2 / focal_px
    return np.array([[-x, -y, 1.0], [x, -y, 1.0], [x, y, 1.0], [-x, y, 1.0]])


def _sides(corners: Matrix) -> Matrix:
    """(4, 3) normals of the planes through the sides of a frame, pointing inwards."""
    return np.cross(corners, np.roll(corners, -1, axis=0))


def _clipped_area(corners: Matrix, sides: Matrix, to_camera: Matrix, focal_px: float) -> float:
    """Area in pixels of what is left of a frame's cone inside four planes.

    Sutherland & Hodgman (1974), Reentrant polygon clipping, Comm. ACM 17(1), on directions: no
    point needs to lie before the other camera.
    """
    polygon = list(corners)
    for side in sides:
        heights = [float(side @ point) for point in polygon]
        kept: list[Matrix] = []
        for i, point in enumerate(polygon):
            before, height = heights[i - 1], heights[i]
            if (before >= 0) != (height >= 0):
                kept.append(polygon[i - 1] + (point - polygon[i - 1]) * before / (before - height))
            if height >= 0:
                kept.append(point)
        polygon = kept
    if len(polygon) < 3:
        return 0.0
    seen = np.array(polygon) @ to_camera.T
    x, y = focal_px * seen[:, 0] / seen[:, 2], focal_px * seen[:, 1] / seen[:, 2]
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2
