"""Movement of the camera, the subject and the sky, in pixels.

Why the film rule is not enough. "One over the focal length" (35 mm equivalent) lets a hand that
sways at a constant rate draw a line of the same length on every frame: in mm on a 36 x 24 mm frame,
the line equals the rate in radians per second. At the film rule's 0.03 mm that rate is 1.72 degrees
per second, and on pixels of 3.76 um the line is 8 pixels long. So `handheld_shutter_s` keeps the
hand of the film rule and asks how many pixels of smear the print can bear. One arc-minute of the
print is a fair answer (`audit.optics.printing.pixels_per_arcmin`): on a frame that is otherwise
just fully sharp it widens the edges by a tenth. True focal length and true pitch go together, so
the crop factor needs no place in it.
"""

import math
from enum import Enum

from audit.optics.exposure import tv_thirds
from audit.optics.quantities import require_not_negative, require_positive

FILM_BLUR_UM = 30.0
"""Blur in um on a 36 x 24 mm frame that the film rule accepts: its circle of confusion."""

STABILISER_BLUR_UM = 63.0
"""Blur in um on a 36 x 24 mm frame at which stabilisers are judged: ISO 20954-1:2019, 3.5."""

SIDEREAL_RATE_RAD_PER_S = 7.2921e-5
"""Rate at which the sky turns: 2 pi over the sidereal day of 86 164 s."""


def reciprocal_shutter_s(focal_35mm_mm: float) -> float:
    """Longest hand-held time by the film rule, in seconds.

    Parameters
    ----------
    focal_35mm_mm : float
        Focal length in mm, 35 mm equivalent.

    Returns
    -------
    float
        One over the focal length.

    Raises
    ------
    ValueError
        If the focal length is not above 0.

    References
    ----------
    Common practice, printed in camera manuals of the film age.
    """
    require_positive(focal_35mm_mm=focal_35mm_mm)
    return 1 / focal_35mm_mm


def reciprocal_rate_deg_per_s(blur_um: float) -> float:
    """Sway that draws a blur of this length within the film rule's time.

    Parameters
    ----------
    blur_um : float
        Blur in um at the scale of a 36 x 24 mm frame, 0 or more.

    Returns
    -------
    float
        Angular rate in degrees per second: 1.72 for 30 um, 3.61 for 63 um.

    Raises
    ------
    ValueError
        If the blur is negative.
    """
    require_not_negative(blur_um=blur_um)
    return math.degrees(blur_um / 1000)


HAND_RATE_DEG_PER_S = reciprocal_rate_deg_per_s(FILM_BLUR_UM)
"""Sway of the hand that the film rule supposes: 1.72 degrees per second.

Measured hands differ: 3.8 degrees per second with a laser on the body (Criner 2004), 3.6 by the
threshold of ISO 20954-1. A setting may replace it.
"""


def motion_blur_px(
    focal_mm: float, pitch_um: float, rate_deg_per_s: float, shutter_s: float
) -> float:
    """Length of the smear from a camera that turns at a constant rate, in pixels.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    pitch_um : float
        Pixel pitch in um.
    rate_deg_per_s : float
        Angular rate (yaw or pitch) in degrees per second, 0 or more.
    shutter_s : float
        Exposure time in seconds.

    Returns
    -------
    float
        f tan(w t) / p.

    Raises
    ------
    ValueError
        If the rate is negative, another number not above 0, or the turn reaches 90 degrees.
    """
    require_positive(focal_mm=focal_mm, pitch_um=pitch_um, shutter_s=shutter_s)
    require_not_negative(rate_deg_per_s=rate_deg_per_s)
    turn_deg = rate_deg_per_s * shutter_s
    if turn_deg >= 90:
        raise ValueError(f"a turn must stay under 90 degrees, got {turn_deg}")
    return 1000 * focal_mm * math.tan(math.radians(turn_deg)) / pitch_um


def handheld_shutter_s(
    focal_mm: float,
    pitch_um: float,
    smear_px: float,
    rate_deg_per_s: float = HAND_RATE_DEG_PER_S,
) -> float:
    """Longest time at which a swaying hand stays within a smear, in seconds.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm (not the 35 mm equivalent: with the true pitch the crop cancels).
    pitch_um : float
        Pixel pitch in um.
    smear_px : float
        Smear that the print allows, in pixels: one arc-minute is `pixels_per_arcmin`; 1 px is
        sharpness to the pixel.
    rate_deg_per_s : float
        Sway of the hand in degrees per second.

    Returns
    -------
    float
        Exposure time in seconds. Equals the film rule where the smear is 30 um over the crop
        factor; 1/8 of it for one pixel of 3.76 um on a 36 x 24 mm sensor.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(
        focal_mm=focal_mm, pitch_um=pitch_um, smear_px=smear_px, rate_deg_per_s=rate_deg_per_s
    )
    turn_deg = math.degrees(math.atan(smear_px * pitch_um / 1000 / focal_mm))
    return turn_deg / rate_deg_per_s


def stabiliser_gain_ev(longest_with_s: float, longest_without_s: float) -> float:
    """Stops that a stabiliser gives.

    Parameters
    ----------
    longest_with_s, longest_without_s : float
        Longest acceptable time in seconds, stabiliser on and off.

    Returns
    -------
    float
        log2 of their ratio.

    Raises
    ------
    ValueError
        If either is not above 0.

    References
    ----------
    ISO 20954-1:2019 and CIPA DC-X011.
    """
    require_positive(longest_with_s=longest_with_s, longest_without_s=longest_without_s)
    return math.log2(longest_with_s / longest_without_s)


class VibrationWindow(Enum):
    """Where a time lies against those at which shutter, mirror and touch shake a tripod."""

    OUTSIDE = "outside"
    WIDE = "wide"
    CORE = "core"


VIBRATION_LONGEST_S = 1 / 4
VIBRATION_SHORTEST_S = 1 / 160
VIBRATION_CORE_SHORTEST_S = 1 / 30
"""Times in seconds: the wide window is 1/4 to 1/160 s, its core at long focal lengths 1/4 to 1/30.

A summary of practice (mirror 1/2 to 1/80, focal-plane shutter about 1/100, shutter shock of
mirrorless bodies 1/4 to 1/125); no standard gives it.
"""


def vibration_window(shutter_s: float) -> VibrationWindow:
    """Whether a time on a tripod is open to shutter and mirror vibration.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds; compared in third stops, both ends included.

    Returns
    -------
    VibrationWindow
        Core, wide or outside.

    Raises
    ------
    ValueError
        If the time is not above 0.
    """
    thirds = tv_thirds(shutter_s)
    if not tv_thirds(VIBRATION_LONGEST_S) <= thirds <= tv_thirds(VIBRATION_SHORTEST_S):
        return VibrationWindow.OUTSIDE
    in_core = thirds <= tv_thirds(VIBRATION_CORE_SHORTEST_S)
    return VibrationWindow.CORE if in_core else VibrationWindow.WIDE


def star_rule_500_s(focal_35mm_mm: float) -> float:
    """Exposure time for stars by the film rule of 500, in seconds.

    Parameters
    ----------
    focal_35mm_mm : float
        Focal length in mm, 35 mm equivalent.

    Returns
    -------
    float
        500 over the focal length: trails of 6 to 10 pixels on today's sensors.

    Raises
    ------
    ValueError
        If the focal length is not above 0.

    References
    ----------
    Common practice, from a film circle of confusion of 0.029 mm.
    """
    require_positive(focal_35mm_mm=focal_35mm_mm)
    return 500 / focal_35mm_mm


def star_npf_simple_s(focal_mm: float, aperture_n: float, pitch_um: float) -> float:
    """Exposure time for nearly round stars by the short NPF rule, in seconds.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    aperture_n : float
        F-number.
    pitch_um : float
        Pixel pitch in um.

    Returns
    -------
    float
        (35 N + 30 p) / f.

    Raises
    ------
    ValueError
        If any is not above 0.

    References
    ----------
    Michaud, F. (2013). NPF rule. Societe Astronomique du Havre.
    """
    require_positive(focal_mm=focal_mm, aperture_n=aperture_n, pitch_um=pitch_um)
    return (35 * aperture_n + 30 * pitch_um) / focal_mm


def star_npf_full_s(
    focal_mm: float,
    aperture_n: float,
    pitch_um: float,
    declination_deg: float = 0.0,
    trailing: float = 1.0,
) -> float:
    """Exposure time for stars by the full NPF rule, in seconds.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    aperture_n : float
        F-number.
    pitch_um : float
        Pixel pitch in um.
    declination_deg : float
        Declination of the sky in the frame that is nearest the celestial equator, in degrees.
    trailing : float
        1 for round stars, 2 for slight and 3 for visible trails.

    Returns
    -------
    float
        k (16.9 N + 0.1 f + 13.7 p) / (f cos declination).

    Raises
    ------
    ValueError
        If a number is not above 0 or the declination not within -90 to 90, ends excluded.

    References
    ----------
    Michaud, F. (2013). NPF rule. Societe Astronomique du Havre.
    """
    require_positive(focal_mm=focal_mm, aperture_n=aperture_n, pitch_um=pitch_um, trailing=trailing)
    numerator = 16.9 * aperture_n + 0.1 * focal_mm + 13.7 * pitch_um
    return trailing * numerator / (focal_mm * _declination_cosine(declination_deg))


def star_drift_px_per_s(focal_mm: float, pitch_um: float, declination_deg: float = 0.0) -> float:
    """Speed of a star near the middle of the frame, in pixels per second.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    pitch_um : float
        Pixel pitch in um.
    declination_deg : float
        Declination of the star in degrees.

    Returns
    -------
    float
        Sidereal rate x f cos declination / p.

    Raises
    ------
    ValueError
        If a number is not above 0 or the declination not within -90 to 90, ends excluded.
    """
    require_positive(focal_mm=focal_mm, pitch_um=pitch_um)
    rate = SIDEREAL_RATE_RAD_PER_S * _declination_cosine(declination_deg)
    return 1000 * focal_mm * rate / pitch_um


def star_shutter_s(
    focal_mm: float, pitch_um: float, trail_px: float, declination_deg: float = 0.0
) -> float:
    """Longest time in which a star stays within a trail, in seconds.

    Parameters
    ----------
    focal_mm : float
        True focal length in mm.
    pitch_um : float
        Pixel pitch in um.
    trail_px : float
        Trail that the print allows, in pixels; one arc-minute is `pixels_per_arcmin`.
    declination_deg : float
        Declination of the star in degrees.

    Returns
    -------
    float
        Trail over drift.

    Raises
    ------
    ValueError
        If a number is not above 0 or the declination not within -90 to 90, ends excluded.
    """
    require_positive(trail_px=trail_px)
    return trail_px / star_drift_px_per_s(focal_mm, pitch_um, declination_deg)


def subject_motion_px(
    speed_m_per_s: float, shutter_s: float, focal_mm: float, distance_m: float, pitch_um: float
) -> float:
    """Smear of a subject that moves across the line of sight, in pixels.

    Parameters
    ----------
    speed_m_per_s : float
        Speed across the line of sight in m/s, 0 or more.
    shutter_s : float
        Exposure time in seconds.
    focal_mm : float
        True focal length in mm.
    distance_m : float
        Distance in m, long against the focal length.
    pitch_um : float
        Pixel pitch in um.

    Returns
    -------
    float
        v t f / (D p).

    Raises
    ------
    ValueError
        If the speed is negative or another number not above 0.
    """
    require_not_negative(speed_m_per_s=speed_m_per_s)
    require_positive(
        shutter_s=shutter_s, focal_mm=focal_mm, distance_m=distance_m, pitch_um=pitch_um
    )
    return 1000 * speed_m_per_s * shutter_s * focal_mm / (distance_m * pitch_um)


def _declination_cosine(declination_deg: float) -> float:
    if not -90 < declination_deg < 90:
        raise ValueError(f"declination_deg must lie between -90 and 90, got {declination_deg}")
    return math.cos(math.radians(declination_deg))
