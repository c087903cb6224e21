"""Exposure in stops, scene light from exposure, marked values on exact third stops, and water.

Cameras record marked values (1/60 s, f/11) that stand for exact ones (1/64 s, f/11.31): up to
0.09 stops apart. Compare exposures in whole thirds, never by plain ratios.
"""

import math
from enum import Enum

from audit.optics.quantities import require_positive

THIRDS_PER_EV = 3

ISO_BASE = 100.0
"""Sensitivity to which EV100 refers."""

APEX_SPEED_BASE = 3.125
"""ISO speed at which Sv is 0, so that ISO 100 is Sv 5: Exif standard, annex C."""

REFLECTED_K = 12.5
"""Calibration constant of reflected-light meters: ISO 2720 (allowed range 10.6 to 13.4)."""

INCIDENT_C = 250.0
"""Calibration constant of incident-light meters with a flat receptor: ISO 2720."""


def aperture_av(aperture_n: float) -> float:
    """Aperture value of APEX.

    Parameters
    ----------
    aperture_n : float
        F-number.

    Returns
    -------
    float
        2 log2 N, in stops.

    Raises
    ------
    ValueError
        If the f-number is not above 0.

    References
    ----------
    Exif standard CIPA DC-008, annex C.
    """
    require_positive(aperture_n=aperture_n)
    return 2 * math.log2(aperture_n)


def aperture_n_from_av(aperture_av: float) -> float:
    """F-number from the aperture value of APEX: 2^(Av/2); Exif standard CIPA DC-008, annex C."""
    return float(2.0 ** (aperture_av / 2))


def shutter_tv(shutter_s: float) -> float:
    """Time value of APEX.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds.

    Returns
    -------
    float
        -log2 t, in stops.

    Raises
    ------
    ValueError
        If the time is not above 0.

    References
    ----------
    Exif standard CIPA DC-008, annex C.
    """
    require_positive(shutter_s=shutter_s)
    return -math.log2(shutter_s)


def shutter_s_from_tv(shutter_tv: float) -> float:
    """Exposure time in seconds from the time value of APEX: 2^-Tv; CIPA DC-008, annex C."""
    return float(2.0**-shutter_tv)


def speed_sv(iso: float) -> float:
    """Speed value of APEX.

    Parameters
    ----------
    iso : float
        ISO sensitivity.

    Returns
    -------
    float
        log2(ISO / 3.125), in stops: 5 at ISO 100.

    Raises
    ------
    ValueError
        If the sensitivity is not above 0.

    References
    ----------
    Exif standard CIPA DC-008, annex C.
    """
    require_positive(iso=iso)
    return math.log2(iso / APEX_SPEED_BASE)


def exposure_ev(shutter_s: float, aperture_n: float) -> float:
    """Exposure value of a camera setting, whatever the ISO.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds.
    aperture_n : float
        F-number.

    Returns
    -------
    float
        Av + Tv, in stops.

    Raises
    ------
    ValueError
        If either is not above 0.

    References
    ----------
    Exif standard CIPA DC-008, annex C.
    """
    return aperture_av(aperture_n) + shutter_tv(shutter_s)


def ev100(shutter_s: float, aperture_n: float, iso: float) -> float:
    """Light level that a camera setting is right for, as the exposure value at ISO 100.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds.
    aperture_n : float
        F-number.
    iso : float
        ISO sensitivity.

    Returns
    -------
    float
        Av + Tv - log2(ISO / 100), in stops.

    Raises
    ------
    ValueError
        If any is not above 0.

    References
    ----------
    ISO 2720; Exif standard CIPA DC-008, annex C.
    """
    require_positive(iso=iso)
    return exposure_ev(shutter_s, aperture_n) - math.log2(iso / ISO_BASE)


def luminance_cd_m2(ev100: float) -> float:
    """Luminance that a reflected-light meter reads as this EV100, in cd/m2.

    Parameters
    ----------
    ev100 : float
        Exposure value at ISO 100.

    Returns
    -------
    float
        0.125 x 2^EV100.

    References
    ----------
    ISO 2720, K = 12.5: L = K N^2 / (t S).
    """
    return float(REFLECTED_K / ISO_BASE * 2.0**ev100)


def illuminance_lx(ev100: float) -> float:
    """Illuminance that an incident-light meter reads as this EV100, in lux.

    Parameters
    ----------
    ev100 : float
        Exposure value at ISO 100.

    Returns
    -------
    float
        2.5 x 2^EV100.

    References
    ----------
    ISO 2720, C = 250: E = C N^2 / (t S).
    """
    return float(INCIDENT_C / ISO_BASE * 2.0**ev100)


def exact_shutter_s(shutter_s: float) -> float:
    """Exact time that a marked one stands for: the nearest third stop, in seconds.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds, as marked, recorded or computed.

    Returns
    -------
    float
        2 to a multiple of 1/3 (1/60 gives 1/64). The pair for apertures is
        `audit.optics.diffraction.exact_aperture_n`.

    Raises
    ------
    ValueError
        If the time is not above 0.
    """
    return float(2.0 ** (-tv_thirds(shutter_s) / THIRDS_PER_EV))


def av_thirds(aperture_n: float) -> int:
    """Aperture as a whole count of third stops from f/1.

    Parameters
    ----------
    aperture_n : float
        F-number, marked or exact.

    Returns
    -------
    int
        Larger for a smaller opening.

    Raises
    ------
    ValueError
        If the f-number is not above 0.
    """
    return round(THIRDS_PER_EV * aperture_av(aperture_n))


def tv_thirds(shutter_s: float) -> int:
    """Exposure time as a whole count of third stops from 1 s.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds, marked or exact.

    Returns
    -------
    int
        Larger for a shorter time.

    Raises
    ------
    ValueError
        If the time is not above 0.
    """
    return round(THIRDS_PER_EV * shutter_tv(shutter_s))


def iso_thirds(iso: float) -> int:
    """Sensitivity as a whole count of third stops from ISO 100.

    Parameters
    ----------
    iso : float
        ISO sensitivity, marked (125) or exact.

    Returns
    -------
    int
        Larger for a higher sensitivity.

    Raises
    ------
    ValueError
        If the sensitivity is not above 0.
    """
    require_positive(iso=iso)
    return round(THIRDS_PER_EV * math.log2(iso / ISO_BASE))


def light_thirds(shutter_s: float, aperture_n: float) -> int:
    """Light let in, as a whole count of third stops from 1 s at f/1; larger is brighter.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds, marked or exact.
    aperture_n : float
        F-number, marked or exact.

    Returns
    -------
    int
        Difference of two frames: how many thirds more light one of them had on the sensor.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    return -tv_thirds(shutter_s) - av_thirds(aperture_n)


def brightness_thirds(shutter_s: float, aperture_n: float, iso: float) -> int:
    """Recorded brightness of one scene, as a whole count of third stops; larger is brighter.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds, marked or exact.
    aperture_n : float
        F-number, marked or exact.
    iso : float
        ISO sensitivity, marked or exact.

    Returns
    -------
    int
        Difference of two frames: how many thirds brighter one of them was exposed.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    return light_thirds(shutter_s, aperture_n) + iso_thirds(iso)


class WaterLook(Enum):
    """How running water looks at an exposure time: words of common practice."""

    FROZEN = "frozen: drops stand still"
    ALMOST_FROZEN = "almost frozen: drops lose their edge"
    TRACES = "traces: drops begin to draw lines"
    STREAKED = "streaked: the flow shows, structure remains"
    SILKY = "silky: the flow is smooth"
    MISTY = "misty: texture is gone"


WATER_FROZEN_S = 1 / 500
WATER_TRACES_S = 1 / 60
WATER_STREAKED_S = 1 / 15
WATER_SILKY_S = 1 / 4
WATER_MISTY_S = 2.0
"""Exposure times in seconds at which water changes its look; photographers' texts, no standard.

At or under the first it is frozen; each of the others is where its look begins.
"""

WATER_STARTS = (
    (WATER_MISTY_S, WaterLook.MISTY),
    (WATER_SILKY_S, WaterLook.SILKY),
    (WATER_STREAKED_S, WaterLook.STREAKED),
    (WATER_TRACES_S, WaterLook.TRACES),
)


def water_look(shutter_s: float) -> WaterLook:
    """How running water looks at an exposure time.

    Parameters
    ----------
    shutter_s : float
        Exposure time in seconds; compared in third stops, so 1/15 and 1/16 are one.

    Returns
    -------
    WaterLook
        A word of common practice. It knows nothing of speed, distance and focal length: give the
        travel in pixels beside it.

    Raises
    ------
    ValueError
        If the time is not above 0.
    """
    thirds = tv_thirds(shutter_s)
    for start_s, look in WATER_STARTS:
        if thirds <= tv_thirds(start_s):
            return look
    return WaterLook.FROZEN if thirds >= tv_thirds(WATER_FROZEN_S) else WaterLook.ALMOST_FROZEN
