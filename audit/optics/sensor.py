"""Sensor size and pixel pitch from what a camera writes about itself.

What a file says may be missing, rounded or written in the wrong unit: that is no programmer's
mistake, so the pitch functions answer with an estimate or with the reason why there is none.
"""

import math
from dataclasses import dataclass
from typing import TypeGuard

from audit.optics.quantities import require_positive

FULL_FRAME_DIAGONAL_MM = math.hypot(36, 24)
"""Diagonal of the 36 x 24 mm frame to which 35 mm equivalents refer (43.267)."""

FOCAL_35MM_STEP_MM = 1.0
"""Exif writes the 35 mm equivalent as a whole number."""

UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
"""Millimetres of FocalPlaneResolutionUnit: inch and cm (Exif), mm and um (TIFF/EP)."""

INCH_UNIT = 2
"""Unit that the Exif standard supposes where none is written."""

OTHER_UNIT = {2: 3, 3: 2}
"""Units that writers are known to mix up."""

NARROWEST_SENSOR_MM = 4.0
WIDEST_SENSOR_MM = 70.0
FINEST_PITCH_UM = 0.8
COARSEST_PITCH_UM = 12.0
"""Widths in mm and pitches in um of cameras as they are made; common practice, no source."""

MOST_UNEQUAL_PITCH = 0.02
"""Share by which the pitch across may differ from the pitch down; pixels are square."""

MOST_UNLIKE_FOCAL_35MM = 0.06
"""Share by which the pitch may differ from that of the 35 mm equivalent and its rounding."""


@dataclass(frozen=True, slots=True)
class PitchEstimate:
    """A pixel pitch, or why there is none."""

    pitch_um: float | None
    """Pitch in um; None where the numbers do not give one."""
    error_share: float | None
    """Largest error as a share of the pitch, where the way it was found has a known one."""
    reason: str
    """How it was found and checked, or what was wrong."""


def diagonal_mm(width_mm: float, height_mm: float) -> float:
    """Diagonal of a sensor in mm.

    Parameters
    ----------
    width_mm, height_mm : float
        Sides in mm.

    Returns
    -------
    float
        Diagonal in mm.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    require_positive(width_mm=width_mm, height_mm=height_mm)
    return math.hypot(width_mm, height_mm)


def crop_factor(diagonal_mm: float) -> float:
    """Crop factor of a sensor: the diagonal of 36 x 24 mm over its own.

    Parameters
    ----------
    diagonal_mm : float
        Sensor diagonal in mm.

    Returns
    -------
    float
        1 for 36 x 24 mm, above 1 for smaller sensors.

    Raises
    ------
    ValueError
        If the diagonal is not above 0.
    """
    require_positive(diagonal_mm=diagonal_mm)
    return FULL_FRAME_DIAGONAL_MM / diagonal_mm


def focal_35mm_from_pitch_mm(
    focal_mm: float, pitch_um: float, width_px: int, height_px: int
) -> float:
    """Focal length in mm, 35 mm equivalent, by the diagonal.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    pitch_um : float
        Pixel pitch in um.
    width_px, height_px : int
        Pixels of the whole sensor.

    Returns
    -------
    float
        Focal length x crop factor, not rounded.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(focal_mm=focal_mm, pitch_um=pitch_um)
    pitch_mm = pitch_um / 1000
    return focal_mm * crop_factor(diagonal_mm(width_px * pitch_mm, height_px * pitch_mm))


def pitch_from_focal_35mm(
    focal_mm: float | None, focal_35mm_mm: float | None, width_px: int, height_px: int
) -> PitchEstimate:
    """Pixel pitch from the true focal length and its 35 mm equivalent.

    Parameters
    ----------
    focal_mm : float or None
        FocalLength in mm; None or 0 where unknown.
    focal_35mm_mm : float or None
        FocalLengthIn35mmFilm in mm, a whole number; None or 0 where unknown.
    width_px, height_px : int
        Pixels of the whole sensor.

    Returns
    -------
    PitchEstimate
        Pitch with the error of rounding the equivalent (half a mm), or the reason for none.

    Raises
    ------
    ValueError
        If a side is not above 0.

    References
    ----------
    Exif standard CIPA DC-008, tag 0xA405; equivalence by the diagonal.
    """
    require_positive(width_px=width_px, height_px=height_px)
    if not _known(focal_mm) or not _known(focal_35mm_mm):
        return PitchEstimate(None, None, "focal length or its 35 mm equivalent is unknown")
    pitch_um = _equivalent_pitch_um(focal_mm, focal_35mm_mm, width_px, height_px)
    fault = _implausible(pitch_um, pitch_um * width_px / 1000)
    if fault:
        return PitchEstimate(None, None, f"35 mm equivalent gives {fault}")
    error_share = FOCAL_35MM_STEP_MM / 2 / focal_35mm_mm
    return PitchEstimate(pitch_um, error_share, "from the 35 mm equivalent, a whole number")


def pitch_from_focal_plane(
    width_px: int,
    height_px: int,
    x_resolution: float | None,
    y_resolution: float | None,
    resolution_unit: int | None = None,
    focal_mm: float | None = None,
    focal_35mm_mm: float | None = None,
) -> PitchEstimate:
    """Pixel pitch from the focal-plane resolution, if it passes the tests of plausibility.

    Parameters
    ----------
    width_px, height_px : int
        Pixels of the file to which the tags belong (PixelXDimension, PixelYDimension).
    x_resolution, y_resolution : float or None
        FocalPlaneXResolution, FocalPlaneYResolution in pixels per unit; None or 0 where unknown.
    resolution_unit : int or None
        FocalPlaneResolutionUnit: 2 inch, 3 cm, 4 mm, 5 um; None stands for 2.
    focal_mm, focal_35mm_mm : float or None
        FocalLength and FocalLengthIn35mmFilm in mm, for the cross-check; None or 0 where unknown.

    Returns
    -------
    PitchEstimate
        The pitch as written; with inch and cm exchanged where only that passes; or the reason for
        none. The reason says whether a 35 mm equivalent was there to check against: without it an
        exchanged unit can pass as a smaller or larger sensor.

    Raises
    ------
    ValueError
        If a side is not above 0.

    References
    ----------
    Exif standard CIPA DC-008, tags 0xA20E to 0xA210; ISO 12234-2 (TIFF/EP) for units 4 and 5.
    """
    require_positive(width_px=width_px, height_px=height_px)
    if not _known(x_resolution) or not _known(y_resolution):
        return PitchEstimate(None, None, "focal-plane resolution is unknown")
    unit = INCH_UNIT if resolution_unit is None else resolution_unit
    if unit not in UNIT_MM:
        return PitchEstimate(None, None, f"focal-plane resolution in an unknown unit ({unit})")
    across_um, down_um = (1000 * UNIT_MM[unit] / each for each in (x_resolution, y_resolution))
    if abs(across_um / down_um - 1) >= MOST_UNEQUAL_PITCH:
        return PitchEstimate(
            None, None, f"pixels are not square: {across_um:.3g} by {down_um:.3g} um"
        )
    expected_um = None
    checked = "not checked: no 35 mm equivalent"
    if _known(focal_mm) and _known(focal_35mm_mm):
        # Taken even where it fits no sensor: a reduced file gives itself away by it.
        expected_um = _equivalent_pitch_um(focal_mm, focal_35mm_mm, width_px, height_px)
        checked = "agrees with the 35 mm equivalent"
    fault = _implausible(across_um, across_um * width_px / 1000, expected_um)
    if not fault:
        return PitchEstimate(across_um, None, f"from the focal-plane resolution, {checked}")
    if unit in OTHER_UNIT:
        exchanged_um = across_um * UNIT_MM[OTHER_UNIT[unit]] / UNIT_MM[unit]
        if not _implausible(exchanged_um, exchanged_um * width_px / 1000, expected_um):
            return PitchEstimate(
                exchanged_um,
                None,
                f"from the focal-plane resolution with inch and cm exchanged, {checked}",
            )
    return PitchEstimate(None, None, f"focal-plane resolution gives {fault}")


def _known(value: float | None) -> TypeGuard[float]:
    return value is not None and 0 < value < math.inf


def _equivalent_pitch_um(
    focal_mm: float, focal_35mm_mm: float, width_px: int, height_px: int
) -> float:
    sensor_diagonal_mm = FULL_FRAME_DIAGONAL_MM * focal_mm / focal_35mm_mm
    return 1000 * sensor_diagonal_mm / math.hypot(width_px, height_px)


def _implausible(pitch_um: float, width_mm: float, expected_um: float | None = None) -> str | None:
    """What is wrong with a pitch and sensor width, or None."""
    if not NARROWEST_SENSOR_MM <= width_mm <= WIDEST_SENSOR_MM:
        return f"a sensor {width_mm:.3g} mm wide"
    if not FINEST_PITCH_UM <= pitch_um <= COARSEST_PITCH_UM:
        return f"a pitch of {pitch_um:.3g} um"
    if expected_um is not None and abs(pitch_um / expected_um - 1) > MOST_UNLIKE_FOCAL_35MM:
        return f"a pitch of {pitch_um:.3g} um where the 35 mm equivalent gives {expected_um:.3g} um"
    return None
