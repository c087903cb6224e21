"""One frame's registration picture, prepared for being joined to others.

What is compared is not brightness but local contrast: grey minus its local mean, over its local
spread. A change of exposure then hardly matters, and a patch without detail weighs nothing.
"""

import math
from functools import cache, cached_property
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from audit.optics.panorama import FULL_FRAME_DIAGONAL_MM, focal_px_of_equivalent
from audit.records import Exposure, Sensor

Plane = NDArray[np.float32]

LOWEST_CODE, HIGHEST_CODE = 3, 252
"""Codes up to and from which a pixel counts as lost (project's choice)."""

FINE_CODES = (12, 243)
"""Codes within which brightness is compared (measured: nearly black ones tell nothing)."""

WINDOW_PX = 5.0
SPREAD_WINDOW_PX = 7.5
"""Gaussian windows of the local mean and spread (tuned on simulated sweeps; docs/methods/)."""

SPREAD_FLOOR_CODES = 1.2
"""Added to the local spread, so that noise of half a code stays small (same source)."""

FEATURE_LIMIT = 3.0

ASSUMED_FOCAL_35MM_MM = 28.0
"""Where the file is silent: between the 24-28 mm of phones and the usual wide end of a zoom
(project's choice; every result that rests on it says so)."""

SPHERE_LONG_PX = 128
"""Long edge of the coarse grid on which the whole field is searched."""

LEVELS = 3
"""Full size, half, quarter."""


class Level(NamedTuple):
    """One size of the pyramid."""

    feature: Plane
    """(rows, cols) local contrast, 0 where the pixel is lost."""
    weight: Plane
    """(rows, cols) share of each pixel that is not lost."""
    points: Plane
    """(2, n) x and y, from the middle of the frame, of the pixels that carry detail."""
    values: Plane
    """(n,) feature at these points."""
    slopes: Plane
    """(4, n) change of the feature for turns about x, y, z (per radian) and for ln(zoom)."""
    packed: NDArray[np.complex64]
    """(rows * cols,) feature + 1j weight: one look-up for both."""
    focal_px: float
    middle: tuple[float, float]
    """Row and column of the middle of the frame."""
    squash: float
    """Rows of this picture over those that square pixels would need."""


class Spectra(NamedTuple):
    """A frame on its own coarse spherical grid, as Fourier transforms."""

    shape: tuple[int, int]
    feature: NDArray[np.complex64]
    square: NDArray[np.complex64]
    weight: NDArray[np.complex64]


class View:
    """A prepared frame.

    Attributes
    ----------
    codes : (rows, cols) uint8 array
        sRGB-encoded grey in viewed orientation.
    focal_px : float
        Focal length in columns of ``codes``.
    squash : float
        Rows over those that square pixels would need: a small picture has whole rows, so that its
        shape is off by up to one row in 340.
    focal_assumed : bool
        The file named no focal length; every angle rests on `ASSUMED_FOCAL_35MM_MM`.
    """

    def __init__(
        self,
        codes: NDArray[np.uint8],
        focal_px: float,
        focal_assumed: bool,
        squash: float = 1.0,
    ) -> None:
        self.codes = codes
        self.focal_px = focal_px
        self.squash = squash
        self.focal_assumed = focal_assumed
        self._spectra: dict[tuple[int, float, tuple[int, int]], Spectra] = {}

    @property
    def rows(self) -> int:
        """Rows of the picture."""
        return int(self.codes.shape[0])

    @property
    def cols(self) -> int:
        """Columns of the picture."""
        return int(self.codes.shape[1])

    @property
    def high(self) -> float:
        """Height in columns: that of the picture with square pixels."""
        return self.rows / self.squash

    @cached_property
    def linear(self) -> Plane:
        """(rows, cols) light, full scale 1: the curve of IEC 61966-2-1 undone."""
        out: Plane = _LINEAR[self.codes]
        return out

    @cached_property
    def light(self) -> Plane:
        """(rows // 2, cols // 2) light, 0 where a pixel is too near to an end of the scale."""
        sound = (self.codes > FINE_CODES[0]) & (self.codes < FINE_CODES[1])
        whole = _quartered(sound.astype(np.float32)) == 1
        out: Plane = _quartered(self.linear) * whole.astype(np.float32)
        return out

    @cached_property
    def usable(self) -> NDArray[np.bool_]:
        """(rows, cols) neither clipped nor blocked."""
        return (self.codes > LOWEST_CODE) & (self.codes < HIGHEST_CODE)

    @cached_property
    def fine_energy(self) -> Plane:
        """(rows // 2, cols // 2) squared Laplacian of log2 light: detail of about 2 px."""
        steep = scipy.ndimage.laplace(np.log2(np.maximum(self.linear, 1e-3)), mode="nearest")
        return _quartered(np.minimum(steep**2, 4.0).astype(np.float32))

    @cached_property
    def levels(self) -> tuple[Level, ...]:
        """Pyramid of the local contrast, full size first."""
        weight = self.usable.astype(np.float32)
        feature = local_contrast(self.codes, weight)
        middle = ((self.rows - 1) / 2, (self.cols - 1) / 2)
        out = [_level(feature, weight, self.focal_px, middle, self.squash)]
        for _ in range(LEVELS - 1):
            feature, weight = _halved(feature), _halved(weight)
            middle = ((middle[0] - 0.5) / 2, (middle[1] - 0.5) / 2)
            out.append(_level(feature, weight, out[-1].focal_px / 2, middle, self.squash))
        return tuple(out)

    @cached_property
    def slopes(self) -> tuple[Plane, Plane]:
        """Slopes of local contrast at half size, down and across, per pixel."""
        return _slopes(self.levels[1].feature)

    @cached_property
    def slope_energy(self) -> Plane:
        """(rows // 2, cols // 2) squared slope of local contrast at half size."""
        return self.slopes[0] ** 2 + self.slopes[1] ** 2

    @property
    def long_field_rad(self) -> float:
        """Angle along the long edge."""
        return 2 * math.atan(max(self.high, self.cols) / 2 / self.focal_px)

    def sphere_shape(self, octave: int) -> tuple[int, int]:
        """Rows and columns of the coarse grid at a resolution of `sphere_step_rad`."""
        step = sphere_step_rad(octave)
        return (
            1 + int(2 * math.atan(self.high / 2 / self.focal_px) / step),
            1 + int(2 * math.atan(self.cols / 2 / self.focal_px) / step),
        )

    def spectra(self, octave: int, roll_rad: float, padded: tuple[int, int]) -> Spectra:
        """Coarse grid as Fourier transforms, kept for the next pair.

        Parameters
        ----------
        octave : int
            Resolution of the grid, see `sphere_step_rad`.
        roll_rad : float
            Turn of the grid about the line of sight.
        padded : (rows, cols)
            Size with room for every shift.
        """
        key = (octave, roll_rad, padded)
        if key not in self._spectra:
            self._spectra[key] = self._transformed(octave, roll_rad, padded)
        return self._spectra[key]

    def _transformed(self, octave: int, roll_rad: float, padded: tuple[int, int]) -> Spectra:
        shape, step = self.sphere_shape(octave), sphere_step_rad(octave)
        lat, lon = np.meshgrid(
            (np.arange(shape[0], dtype=np.float32) - (shape[0] - 1) / 2) * step,
            (np.arange(shape[1], dtype=np.float32) - (shape[1] - 1) / 2) * step,
            indexing="ij",
        )
        x, y = np.tan(lon), np.tan(lat) / np.cos(lon)
        turn_x = x * math.cos(roll_rad) - y * math.sin(roll_rad)
        turn_y = x * math.sin(roll_rad) + y * math.cos(roll_rad)
        level = self.levels[1]
        feature, weight = sample(
            level, level.focal_px * turn_x.ravel(), level.focal_px * turn_y.ravel()
        )
        inside = weight > 0.5
        shown = np.where(inside, feature, 0).reshape(shape)
        parts = (shown, shown**2, inside.reshape(shape).astype(np.float32))
        return Spectra(shape, *(scipy.fft.rfft2(part, s=padded) for part in parts))


def view_of(
    grey: NDArray[np.uint8],
    focal_35mm_mm: float | None,
    size_px: tuple[int, int] | None = None,
) -> View:
    """Prepare a registration picture.

    Parameters
    ----------
    grey : (rows, cols) uint8 array
        sRGB-encoded grey, viewed orientation, long edge about 256 px.
    focal_35mm_mm : float or None
        Equivalent focal length (by the diagonal), or None where it is not known.
    size_px : (columns, rows), optional
        Of the whole frame, of which the picture is a reduction; without it the picture's pixels
        count as square.

    Returns
    -------
    View
        Its ``focal_assumed`` says whether the focal length was known.
    """
    known = focal_35mm_mm is not None
    focal_mm = focal_35mm_mm if focal_35mm_mm is not None else ASSUMED_FOCAL_35MM_MM
    rows, cols = grey.shape
    width_px, height_px = size_px or (cols, rows)
    scale = cols / width_px
    focal_px = focal_px_of_equivalent(focal_mm, width_px, height_px) * scale
    return View(grey, focal_px, not known, rows / height_px / scale)


def equivalent_focal_mm(exposure: Exposure, sensor: Sensor | None) -> float | None:
    """Focal length on 24 x 36 mm with the same diagonal field; None where nothing tells it.

    The true focal length over the pixel pitch goes first: Exif rounds the equivalent to whole mm,
    which is 2 % at 24 mm.
    """
    if exposure.focal_mm and sensor is not None and sensor.pitch_um:
        diagonal_mm = math.hypot(sensor.width_px, sensor.height_px) * sensor.pitch_um / 1000
        return exposure.focal_mm * FULL_FRAME_DIAGONAL_MM / diagonal_mm
    return exposure.focal_35mm_mm


def local_contrast(codes: NDArray[np.uint8], weight: Plane) -> Plane:
    """Grey minus local mean over local spread, from usable pixels alone, within +-3.

    Parameters
    ----------
    codes : (rows, cols) uint8 array
    weight : (rows, cols) float32 array
        1 for usable pixels, 0 for lost ones.

    Returns
    -------
    (rows, cols) float32 array
        0 where the weight is 0.
    """
    grey = codes.astype(np.float32)
    near: Plane = np.maximum(_blurred(weight, WINDOW_PX), 1e-3)
    rest: Plane = (grey - _blurred(grey * weight, WINDOW_PX) / near) * weight
    wide = np.maximum(_blurred(weight, SPREAD_WINDOW_PX), 1e-3)
    spread = np.sqrt(_blurred(rest**2, SPREAD_WINDOW_PX) / wide)
    out: Plane = np.clip(rest / (spread + SPREAD_FLOOR_CODES), -FEATURE_LIMIT, FEATURE_LIMIT)
    return out


def _blurred(plane: Plane, sigma_px: float) -> Plane:
    """Gaussian window, as two products of matrices: three times as fast as a filter."""
    rows, cols = plane.shape
    out: Plane = (_window(rows, sigma_px) @ plane @ _window(cols, sigma_px).T).astype(np.float32)
    return out


@cache
def _window(size: int, sigma_px: float) -> Plane:
    """(size, size) the Gaussian filter of a line as a matrix; lines go on as their reflection."""
    unit = np.eye(size, dtype=np.float32)
    out: Plane = scipy.ndimage.gaussian_filter1d(unit, sigma_px, axis=0, truncate=2.5)
    return out


def sphere_step_rad(octave: int) -> float:
    """Angle between neighbours of the coarse grid: eighths of an octave, so that it is shared."""
    return float(2.0 ** (octave / 8))


def sphere_octave(view: View) -> int:
    """Resolution that gives a view `SPHERE_LONG_PX` along its long edge."""
    return round(8 * math.log2(view.long_field_rad / SPHERE_LONG_PX))


def sample(level: Level, x: Plane, y: Plane) -> tuple[Plane, Plane]:
    """Feature and weight at places from the middle of the frame, bilinear, 0 outside.

    Parameters
    ----------
    level : Level
    x, y : (n,) float32 arrays
        Columns of this level.

    Returns
    -------
    feature, weight : (n,) float32 arrays
    """
    rows, cols = level.feature.shape
    at_x = x + np.float32(level.middle[1])
    at_y = y * np.float32(level.squash) + np.float32(level.middle[0])
    inside = (at_x >= 0) & (at_y >= 0) & (at_x <= cols - 1) & (at_y <= rows - 1)
    at_x *= inside
    at_y *= inside
    left = np.minimum(np.floor(at_x), np.float32(cols - 2))
    top = np.minimum(np.floor(at_y), np.float32(rows - 2))
    at_x -= left
    at_y -= top
    # Whole numbers below 2^24 are exact in float32.
    start = (top * np.float32(cols) + left).astype(np.intp)
    packed = level.packed
    upper = packed.take(start)
    upper += (packed.take(start + 1) - upper) * at_x
    start += cols
    lower = packed.take(start)
    lower += (packed.take(start + 1) - lower) * at_x
    upper += (lower - upper) * at_y
    upper *= inside
    return upper.real, upper.imag


def _halved(plane: Plane) -> Plane:
    """Blur a little and take means of 2 x 2."""
    return _quartered(scipy.ndimage.gaussian_filter(plane, 0.8, truncate=3))


def _slopes(plane: Plane) -> tuple[Plane, Plane]:
    """Change per pixel, down and across: half the difference of both neighbours."""
    down, across = (np.asarray(part, np.float32) for part in np.gradient(plane))
    return down, across


def _quartered(plane: Plane) -> Plane:
    """Means of 2 x 2 pixels; an odd last row or column is left out."""
    rows, cols = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
    cut = plane[:rows, :cols]
    out: Plane = (cut[::2, ::2] + cut[1::2, ::2] + cut[::2, 1::2] + cut[1::2, 1::2]) / np.float32(4)
    return out


MOST_POINTS = 6000
"""Points of one level that a fit uses at most: those with the steepest slopes (sets the cost)."""


LEAST_STEEP = 1e-12
"""Squared slope of a pixel that carries detail: above nothing."""


def _level(
    feature: Plane, weight: Plane, focal_px: float, middle: tuple[float, float], squash: float
) -> Level:
    cols = feature.shape[1]
    slope_y, slope_x = _slopes(feature)
    steep = (slope_x**2 + slope_y**2) * (weight > 0.5)
    steep[[0, -1]] = 0
    steep[:, [0, -1]] = 0
    most = min(MOST_POINTS, steep.size)
    least = np.partition(steep, -most, axis=None)[-most]
    chosen = np.flatnonzero(steep >= max(least, LEAST_STEEP))
    x = (chosen % cols - middle[1]).astype(np.float32)
    y = ((chosen // cols - middle[0]) / squash).astype(np.float32)
    along_x, along_y = slope_x.ravel()[chosen], slope_y.ravel()[chosen] * np.float32(squash)
    u, v, f = x / np.float32(focal_px), y / np.float32(focal_px), np.float32(focal_px)
    slopes = np.stack(
        [
            f * (-along_x * u * v - along_y * (1 + v * v)),
            f * (along_x * (1 + u * u) + along_y * u * v),
            f * (-along_x * v + along_y * u),
            along_x * x + along_y * y,
        ]
    ).astype(np.float32)
    return Level(
        feature,
        weight,
        np.stack([x, y]),
        feature.ravel()[chosen],
        slopes,
        packed_planes(feature, weight),
        focal_px,
        middle,
        squash,
    )


def packed_planes(feature: Plane, weight: Plane) -> NDArray[np.complex64]:
    """Two planes as one, for `sample`."""
    out: NDArray[np.complex64] = (feature + 1j * weight).astype(np.complex64).ravel()
    return out


def _linear_of_codes() -> Plane:
    code = np.arange(256) / 255
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


_LINEAR = _linear_of_codes()
