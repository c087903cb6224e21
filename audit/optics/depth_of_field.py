"""Where the scene is sharp enough: hyperfocal distance, near and far limit, blur discs.

Distances are in metres from the front principal plane, an ideal thin lens is assumed, and the
circle of confusion is the diameter in millimetres of the largest disc on the sensor that still
counts as sharp. What counts depends on the print: `coc_for_print_mm`.

"In the depth of field" by the film rule (0.03 mm) leaves a disc 8 pixels wide on a pitch of
3.76 um: visibly soft in a large print.
"""

import math

from audit.optics.blur import DISC_RISE
from audit.optics.printing import SHARP_EDGE_WIDTH_PX, arcmin_mm
from audit.optics.quantities import require_not_negative, require_positive

FILM_COC_MM = 0.03
"""Circle of confusion of the 35 mm film rule, in mm: diagonal / 1440; common practice."""

ZEISS_COC_SHARE = 1 / 1500
"""Circle of confusion as a share of the diagonal: Carl Zeiss, the modern of its two rules."""

PRINT_DISC_ARCMIN = SHARP_EDGE_WIDTH_PX / DISC_RISE
"""Disc in arc-minutes whose edge alone is as wide as that of a fully sharp frame whose pixels
cover one arc-minute each (2.18; the film rule's 0.2 mm at 25 cm is 2.75)."""


def coc_from_diagonal_mm(diagonal_mm: float, diagonal_share: float = ZEISS_COC_SHARE) -> float:
    """Circle of confusion by a share of the sensor's diagonal.

    Parameters
    ----------
    diagonal_mm : float
        Sensor diagonal in mm.
    diagonal_share : float
        1/1500 by default.

    Returns
    -------
    float
        Diameter in mm.

    Raises
    ------
    ValueError
        If either is not above 0.

    References
    ----------
    Nasse, H. H. (2010). Depth of Field and Bokeh. Carl Zeiss Camera Lens Division.
    """
    require_positive(diagonal_mm=diagonal_mm, diagonal_share=diagonal_share)
    return diagonal_mm * diagonal_share


def coc_for_print_mm(
    sensor_width_mm: float,
    print_width_cm: float,
    viewing_cm: float,
    disc_arcmin: float = PRINT_DISC_ARCMIN,
) -> float:
    """Circle of confusion that a print asks for.

    Parameters
    ----------
    sensor_width_mm : float
        Width in mm of the part of the sensor that is printed.
    print_width_cm : float
        Width in cm of the print, along the same side.
    viewing_cm : float
        Viewing distance in cm.
    disc_arcmin : float
        Largest disc, as the eye sees it, that passes as sharp, in arc-minutes.

    Returns
    -------
    float
        Diameter in mm on the sensor: the disc on paper over the enlargement.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(
        sensor_width_mm=sensor_width_mm, print_width_cm=print_width_cm, disc_arcmin=disc_arcmin
    )
    enlargement = 10 * print_width_cm / sensor_width_mm
    return disc_arcmin * arcmin_mm(viewing_cm) / enlargement


def hyperfocal_m(focal_mm: float, aperture_n: float, coc_mm: float) -> float:
    """Distance to focus at so that infinity is just sharp enough.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    aperture_n : float
        F-number.
    coc_mm : float
        Circle of confusion in mm.

    Returns
    -------
    float
        Distance in m; sharp enough from half of it on.

    Raises
    ------
    ValueError
        If any is not above 0.

    References
    ----------
    Greenleaf, A. R. (1950). Photographic Optics. Macmillan, pp. 25-27: f^2 / (N c) + f.
    """
    require_positive(focal_mm=focal_mm, aperture_n=aperture_n, coc_mm=coc_mm)
    return (focal_mm**2 / (aperture_n * coc_mm) + focal_mm) / 1000


def near_limit_m(focal_mm: float, aperture_n: float, coc_mm: float, focus_m: float) -> float:
    """Nearest distance that is sharp enough.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    aperture_n : float
        F-number.
    coc_mm : float
        Circle of confusion in mm.
    focus_m : float
        Distance of focus in m; may be infinite.

    Returns
    -------
    float
        Distance in m.

    Raises
    ------
    ValueError
        If a number is not above 0, or the focus lies within the focal length.

    References
    ----------
    Greenleaf, A. R. (1950). Photographic Optics. Macmillan, pp. 25-27.
    """
    hyperfocal = hyperfocal_m(focal_mm, aperture_n, coc_mm)
    focal_m = focal_mm / 1000
    _require_beyond_lens(focus_m, focal_m)
    if math.isinf(focus_m):
        return hyperfocal - focal_m
    return focus_m * (hyperfocal - focal_m) / (hyperfocal + focus_m - 2 * focal_m)


def far_limit_m(focal_mm: float, aperture_n: float, coc_mm: float, focus_m: float) -> float:
    """Farthest distance that is sharp enough.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    aperture_n : float
        F-number.
    coc_mm : float
        Circle of confusion in mm.
    focus_m : float
        Distance of focus in m; may be infinite.

    Returns
    -------
    float
        Distance in m; infinite from the hyperfocal distance on.

    Raises
    ------
    ValueError
        If a number is not above 0, or the focus lies within the focal length.

    References
    ----------
    Greenleaf, A. R. (1950). Photographic Optics. Macmillan, pp. 25-27.
    """
    hyperfocal = hyperfocal_m(focal_mm, aperture_n, coc_mm)
    focal_m = focal_mm / 1000
    _require_beyond_lens(focus_m, focal_m)
    if focus_m >= hyperfocal:
        return math.inf
    return focus_m * (hyperfocal - focal_m) / (hyperfocal - focus_m)


def blur_disc_mm(focal_mm: float, aperture_n: float, focus_m: float, subject_m: float) -> float:
    """Diameter of the disc into which a point out of focus spreads, in mm on the sensor.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    aperture_n : float
        F-number.
    focus_m : float
        Distance of focus in m; may be infinite.
    subject_m : float
        Distance of the point in m; may be infinite.

    Returns
    -------
    float
        Diameter in mm; over the pitch it is the diameter in pixels.

    Raises
    ------
    ValueError
        If a number is not above 0, or the focus lies within the focal length.

    References
    ----------
    Greenleaf, A. R. (1950). Photographic Optics. Macmillan, pp. 25-27.
    """
    require_positive(focal_mm=focal_mm, aperture_n=aperture_n)
    focal_m = focal_mm / 1000
    _require_beyond_lens(focus_m, focal_m)
    if not subject_m > 0:
        raise ValueError(f"subject_m must be above 0, got {subject_m}")
    pupil_mm = focal_mm / aperture_n
    if math.isinf(focus_m):
        return 0.0 if math.isinf(subject_m) else pupil_mm * focal_m / subject_m
    from_focus = 1.0 if math.isinf(subject_m) else abs(subject_m - focus_m) / subject_m
    return pupil_mm * focal_m * from_focus / (focus_m - focal_m)


def aperture_for_disc_n(focal_mm: float, disc_mm: float, focus_m: float, subject_m: float) -> float:
    """F-number that keeps a point out of focus within a disc.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    disc_mm : float
        Largest disc in mm.
    focus_m : float
        Distance of focus in m; may be infinite.
    subject_m : float
        Distance of the point in m; may be infinite.

    Returns
    -------
    float
        F-number, not rounded; 0 for a point in perfect focus.

    Raises
    ------
    ValueError
        If a number is not above 0, or the focus lies within the focal length.
    """
    require_positive(disc_mm=disc_mm)
    return blur_disc_mm(focal_mm, 1.0, focus_m, subject_m) / disc_mm


def focus_between_m(near_m: float, far_m: float) -> float:
    """Distance to focus at so that a near and a far point are equally sharp.

    Parameters
    ----------
    near_m : float
        Near point in m.
    far_m : float
        Far point in m, not nearer than the near one; may be infinite.

    Returns
    -------
    float
        Harmonic mean of the two: twice the near distance where the far point is infinite.

    Raises
    ------
    ValueError
        If the near distance is not above 0, or the far point is nearer.

    References
    ----------
    Follows from the disc's formula: equal |D - s| / D at both points.
    """
    require_not_negative(near_m=near_m)
    if not 0 < near_m <= far_m:
        raise ValueError(f"far_m must not be nearer than near_m, got {near_m} and {far_m}")
    return 2 / (1 / near_m + 1 / far_m)


def _require_beyond_lens(focus_m: float, focal_m: float) -> None:
    if not focus_m > focal_m:
        raise ValueError(f"focus_m must be beyond the focal length {focal_m} m, got {focus_m}")
