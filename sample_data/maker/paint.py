"""Painting with exact edges: shapes whose borders are anti-aliased by area, never blurred.

A canvas holds linear light, `scale` samples to a sensor pixel along each axis. Every coordinate
given to a function here is in sensor pixels (x to the right, y down). A border covers a sample by
the share of the sample's area that lies inside, so that averaging `scale` x `scale` samples later
gives exactly what a square pixel would have collected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Plane: TypeAlias = NDArray[np.float32]
Colour: TypeAlias = NDArray[np.float32]
Points: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Canvas:
    """Linear light: pixels of shape (rows * scale, cols * scale, 3)."""

    pixels: Plane
    scale: int

    @property
    def width_px(self) -> float:
        """Width in sensor pixels."""
        return float(self.pixels.shape[1] / self.scale)

    @property
    def height_px(self) -> float:
        """Height in sensor pixels."""
        return float(self.pixels.shape[0] / self.scale)


@dataclass(frozen=True, slots=True)
class Cut:
    """The half of the plane on the side of `towards_deg` (counter-clockwise from right)."""

    x: float
    y: float
    towards_deg: float


@dataclass(frozen=True, slots=True)
class Window:
    """A block of the canvas and the centres of its samples, in sensor pixels."""

    rows: slice
    cols: slice
    x: Points
    y: Points


def blank(width_px: int, height_px: int, scale: int) -> Canvas:
    """Return a black canvas."""
    return Canvas(np.zeros((height_px * scale, width_px * scale, 3), np.float32), scale)


def colour(web: str) -> Colour:
    """Linear light of an sRGB colour written as six hexadecimal digits (IEC 61966-2-1)."""
    coded = np.array([int(web[i : i + 2], 16) for i in (0, 2, 4)], np.float64) / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


def mix(first: Colour, second: Colour, share: float) -> Colour:
    """Return the first colour moved by `share` (0 to 1) towards the second."""
    return (first * (1 - share) + second * share).astype(np.float32)


def window(canvas: Canvas, left: float, top: float, right: float, bottom: float) -> Window | None:
    """Return the block that holds a box, one pixel wider all round; None if it lies outside."""
    rows, cols = canvas.pixels.shape[:2]
    r0, r1 = (int(np.clip((v) * canvas.scale, 0, rows)) for v in (top - 1, bottom + 1))
    c0, c1 = (int(np.clip((v) * canvas.scale, 0, cols)) for v in (left - 1, right + 1))
    if r0 >= r1 or c0 >= c1:
        return None
    x = (np.arange(c0, c1) + 0.5) / canvas.scale
    y = (np.arange(r0, r1) + 0.5) / canvas.scale
    return Window(slice(r0, r1), slice(c0, c1), x[None, :], y[:, None])


def lay(canvas: Canvas, place: Window, coverage: Plane, tone: Colour | Plane) -> None:
    """Lay a colour, or one colour a sample, over a block of the canvas."""
    block = canvas.pixels[place.rows, place.cols]
    block += coverage[..., None] * (tone - block)


def covered(distance_px: Points, scale: int) -> Plane:
    """Return the share of each sample inside a straight border `distance_px` away."""
    return np.clip(distance_px * scale + 0.5, 0, 1).astype(np.float32)


def inside_convex(place: Window, corners: Points) -> Points:
    """Return the distance in pixels from the nearest side of a convex outline, inside positive."""
    following = np.roll(corners, -1, axis=0)
    turn = np.sum(corners[:, 0] * following[:, 1] - following[:, 0] * corners[:, 1])
    nearest: Points | None = None
    for (x0, y0), (x1, y1) in zip(corners, following, strict=True):
        length = max(float(np.hypot(x1 - x0, y1 - y0)), 1e-9)
        nx, ny = -(y1 - y0) / length * np.sign(turn), (x1 - x0) / length * np.sign(turn)
        side = (place.x - x0) * nx + (place.y - y0) * ny
        nearest = side if nearest is None else np.minimum(nearest, side)
    assert nearest is not None
    return nearest


def fill_convex(
    canvas: Canvas, corners: Points, tone: Colour, faces: Sequence[tuple[Cut, Colour]] = ()
) -> None:
    """Fill a convex outline; each face then recolours the part on its side of a straight cut."""
    place = window(canvas, *corners.min(axis=0), *corners.max(axis=0))
    if place is None:
        return
    inside = inside_convex(place, corners)
    lay(canvas, place, covered(inside, canvas.scale), tone)
    for cut, face in faces:
        angle = np.radians(cut.towards_deg)
        side = (place.x - cut.x) * np.cos(angle) - (place.y - cut.y) * np.sin(angle)
        lay(canvas, place, covered(np.minimum(inside, side), canvas.scale), face)


def below_line(place: Window, line_y: Points, canvas: Canvas) -> Plane:
    """Return the coverage of the ground below a skyline given for every column of the canvas."""
    steep = np.hypot(1, np.gradient(line_y) * canvas.scale)
    here = line_y[place.cols][None, :]
    return covered((place.y - here) / steep[place.cols][None, :], canvas.scale)


def fill_below(canvas: Canvas, line_y: Points, near: Colour, far: Colour, depth_px: float) -> None:
    """Fill below a skyline; the colour goes from `near` at its top to `far` `depth_px` lower."""
    place = window(canvas, 0, float(line_y.min()), canvas.width_px, canvas.height_px)
    if place is None:
        return
    share = np.clip((place.y - line_y.min()) / depth_px, 0, 1).astype(np.float32)[..., None]
    lay(canvas, place, below_line(place, line_y, canvas), near * (1 - share) + far * share)


def fill_spindle(
    canvas: Canvas, top: float, left: Points, right: Points, tone: Colour, under: Points
) -> None:
    """Fill between two jagged lines that run down from `top`, as far as it lies below a skyline.

    `left` and `right` hold one x for every row of samples from `top` down.
    """
    bottom = top + (len(left) - 1) / canvas.scale
    place = window(canvas, float(left.min()), top, float(right.max()), bottom)
    if place is None:
        return
    rows = (place.y[:, 0] - top) * canvas.scale
    steps = np.arange(len(left))
    coverage = below_line(place, under, canvas)
    for border, sign in ((left, 1.0), (right, -1.0)):
        slant = np.hypot(1, np.gradient(border) * canvas.scale)
        x, steep = (np.interp(rows, steps, v)[:, None] for v in (border, slant))
        coverage = np.minimum(coverage, covered(sign * (place.x - x) / steep, canvas.scale))
    within = np.clip(rows + 0.5, 0, 1) * np.clip(len(left) - 0.5 - rows, 0, 1)
    lay(canvas, place, (coverage * within[:, None]).astype(np.float32), tone)


def smooth_noise(
    rng: np.random.Generator, shape: tuple[int, int], cell: tuple[float, float]
) -> Plane:
    """Return smooth noise, unit variance at the nodes, with one node a cell (rows, cols)."""
    nodes = [max(4, round(n / c) + 3) for n, c in zip(shape, cell, strict=True)]
    coarse = Image.fromarray(rng.standard_normal((nodes[0], nodes[1])).astype(np.float32))
    box = (1.0, 1.0, nodes[1] - 1.0, nodes[0] - 1.0)
    fine = coarse.resize((shape[1], shape[0]), Image.Resampling.BICUBIC, box)
    return np.asarray(fine, np.float32)


def cloud_noise(
    rng: np.random.Generator, shape: tuple[int, int], cell: tuple[float, float], octaves: int
) -> Plane:
    """Return noise of several sizes, each half as large and as strong as the one before."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        size = (cell[0] / 2**octave, cell[1] / 2**octave)
        total += smooth_noise(rng, shape, size) * np.float32(0.5**octave)
    return total


def jagged_line(
    rng: np.random.Generator, length: int, coarse: float, fine: float, roughness: float
) -> Points:
    """Return a fractal line of straight pieces with a largest swing of about 1.

    Pieces from `coarse` down to `fine` samples long; `roughness` is the strength of each octave
    relative to the one before (0.5 keeps every size equally steep).
    """
    at = np.arange(length, dtype=np.float64)
    total = np.zeros(length)
    size, strength = coarse, 1.0
    while size >= fine:
        nodes = np.cumsum(rng.uniform(0.6, 1.4, int(length / size * 2) + 8) * size) - 2 * size
        total += strength * np.interp(at, nodes, rng.uniform(-0.5, 0.5, len(nodes)))
        size, strength = size / 2, strength * roughness
    return total
