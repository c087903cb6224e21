"""How wide an edge looks and how much contrast is left for a blur of known shape.

Shapes: Gaussian (sigma), disc (defocus), straight smear (motion) and the square pixel itself.
Lengths are in pixels and frequencies in cycles/pixel; the relations hold in any other length unit
with its own cycles. Variances of blurs that follow one another add exactly; MTF50s do not.
"""

import math

from audit.optics.quantities import require_not_negative, require_positive
from audit.optics.roots import crossing

RISE_PER_SIGMA = 2.5631031
"""10-90 % rise of a Gaussian edge / sigma: twice the 90 % point of the normal distribution."""

NARROW_RISE_PER_SIGMA = 1.6832425
"""20-80 % rise of a Gaussian edge / sigma: twice the 80 % point of the normal distribution."""

FWHM_PER_SIGMA = 2 * math.sqrt(2 * math.log(2))
"""Width at half height of a Gaussian line / sigma (2.3548)."""

MTF50_SIGMA = math.sqrt(math.log(2) / 2) / math.pi
"""MTF50 x sigma of a Gaussian (0.18739)."""

MTF10_SIGMA = math.sqrt(math.log(10) / 2) / math.pi
"""MTF10 x sigma of a Gaussian (0.34154)."""

DISC_SIGMA = 1 / 4
"""Sigma of an even disc, along one axis, / diameter."""

DISC_RISE = 0.6870488
"""10-90 % rise of an even disc / diameter: twice where a chord leaves 10 % of the area aside."""

DISC_MTF50 = 0.7050848
"""MTF50 x diameter of an even disc: where 2 J1(z)/z is a half, over pi."""

MOTION_SIGMA = 1 / math.sqrt(12)
"""Sigma of an even smear / length."""

MOTION_RISE = 0.8
"""10-90 % rise of an even smear across the edge / length."""

MOTION_MTF50 = 0.6033545
"""MTF50 x length of an even smear: where sin(pi z)/(pi z) is a half."""

PIXEL_MTF50_CPP = MOTION_MTF50
"""A square pixel smears over its own width of 1 px."""


def rise_from_sigma_px(sigma_px: float) -> float:
    """10-90 % rise of a Gaussian edge.

    Parameters
    ----------
    sigma_px : float
        Standard deviation in pixels, 0 or more.

    Returns
    -------
    float
        2.5631 sigma, in pixels.

    Raises
    ------
    ValueError
        If sigma is negative.
    """
    require_not_negative(sigma_px=sigma_px)
    return RISE_PER_SIGMA * sigma_px


def sigma_from_rise_px(edge_width_px: float) -> float:
    """Sigma of the Gaussian whose edge rises from 10 to 90 % in a given distance.

    Parameters
    ----------
    edge_width_px : float
        Rise distance in pixels, 0 or more.

    Returns
    -------
    float
        Standard deviation in pixels.

    Raises
    ------
    ValueError
        If the width is negative.
    """
    require_not_negative(edge_width_px=edge_width_px)
    return edge_width_px / RISE_PER_SIGMA


def narrow_rise_from_sigma_px(sigma_px: float) -> float:
    """20-80 % rise of a Gaussian edge.

    Parameters
    ----------
    sigma_px : float
        Standard deviation in pixels, 0 or more.

    Returns
    -------
    float
        1.6832 sigma, in pixels.

    Raises
    ------
    ValueError
        If sigma is negative.
    """
    require_not_negative(sigma_px=sigma_px)
    return NARROW_RISE_PER_SIGMA * sigma_px


def fwhm_from_sigma_px(sigma_px: float) -> float:
    """Width at half height of a Gaussian line.

    Parameters
    ----------
    sigma_px : float
        Standard deviation in pixels, 0 or more.

    Returns
    -------
    float
        2.3548 sigma, in pixels.

    Raises
    ------
    ValueError
        If sigma is negative.
    """
    require_not_negative(sigma_px=sigma_px)
    return FWHM_PER_SIGMA * sigma_px


def gaussian_mtf(frequency_cpp: float, sigma_px: float) -> float:
    """Contrast that a Gaussian blur keeps.

    Parameters
    ----------
    frequency_cpp : float
        Frequency in cycles/pixel.
    sigma_px : float
        Standard deviation in pixels, 0 or more.

    Returns
    -------
    float
        exp(-2 pi^2 sigma^2 f^2).

    Raises
    ------
    ValueError
        If sigma is negative.
    """
    require_not_negative(sigma_px=sigma_px)
    return math.exp(-2 * (math.pi * sigma_px * frequency_cpp) ** 2)


def mtf50_from_sigma_cpp(sigma_px: float) -> float:
    """MTF50 of a Gaussian blur.

    Parameters
    ----------
    sigma_px : float
        Standard deviation in pixels, above 0.

    Returns
    -------
    float
        0.18739 / sigma, in cycles/pixel.

    Raises
    ------
    ValueError
        If sigma is not above 0.
    """
    require_positive(sigma_px=sigma_px)
    return MTF50_SIGMA / sigma_px


def mtf10_from_sigma_cpp(sigma_px: float) -> float:
    """MTF10 of a Gaussian blur.

    Parameters
    ----------
    sigma_px : float
        Standard deviation in pixels, above 0.

    Returns
    -------
    float
        0.34154 / sigma, in cycles/pixel.

    Raises
    ------
    ValueError
        If sigma is not above 0.
    """
    require_positive(sigma_px=sigma_px)
    return MTF10_SIGMA / sigma_px


def sigma_from_mtf50_px(mtf50_cpp: float) -> float:
    """Sigma of the Gaussian with a given MTF50.

    Parameters
    ----------
    mtf50_cpp : float
        Frequency in cycles/pixel, above 0.

    Returns
    -------
    float
        Standard deviation in pixels.

    Raises
    ------
    ValueError
        If the frequency is not above 0.
    """
    require_positive(mtf50_cpp=mtf50_cpp)
    return MTF50_SIGMA / mtf50_cpp


def disc_sigma_px(diameter_px: float) -> float:
    """Standard deviation, along one axis, of an even disc of defocus.

    Parameters
    ----------
    diameter_px : float
        Diameter in pixels, 0 or more.

    Returns
    -------
    float
        A quarter of the diameter.

    Raises
    ------
    ValueError
        If the diameter is negative.
    """
    require_not_negative(diameter_px=diameter_px)
    return DISC_SIGMA * diameter_px


def disc_rise_px(diameter_px: float) -> float:
    """10-90 % rise of an edge blurred by an even disc of defocus.

    Parameters
    ----------
    diameter_px : float
        Diameter in pixels, 0 or more.

    Returns
    -------
    float
        0.687 of the diameter.

    Raises
    ------
    ValueError
        If the diameter is negative.
    """
    require_not_negative(diameter_px=diameter_px)
    return DISC_RISE * diameter_px


def disc_mtf50_cpp(diameter_px: float) -> float:
    """MTF50 of an even disc of defocus.

    Parameters
    ----------
    diameter_px : float
        Diameter in pixels, above 0.

    Returns
    -------
    float
        0.7051 / diameter, in cycles/pixel.

    Raises
    ------
    ValueError
        If the diameter is not above 0.
    """
    require_positive(diameter_px=diameter_px)
    return DISC_MTF50 / diameter_px


def disc_within_edge_width_px(limit_edge_width_px: float, own_edge_width_px: float) -> float:
    """Largest disc of defocus that keeps an edge within a limit.

    Parameters
    ----------
    limit_edge_width_px : float
        10-90 % rise that may not be passed, in pixels.
    own_edge_width_px : float
        10-90 % rise in perfect focus: lens, pixel and all else, in pixels.

    Returns
    -------
    float
        Diameter in pixels; 0 where the edge is past its limit before any defocus.

    Raises
    ------
    ValueError
        If either width is negative.

    Notes
    -----
    Adds variances and reads widths as those of Gaussians: within 7 % even where the disc dominates.
    """
    room_sigma_px = _room_sigma_px(limit_edge_width_px, own_edge_width_px)
    return room_sigma_px / DISC_SIGMA


def motion_sigma_px(length_px: float) -> float:
    """Standard deviation, along the movement, of an even straight smear.

    Parameters
    ----------
    length_px : float
        Length in pixels, 0 or more.

    Returns
    -------
    float
        Length over the root of 12.

    Raises
    ------
    ValueError
        If the length is negative.
    """
    require_not_negative(length_px=length_px)
    return MOTION_SIGMA * length_px


def motion_rise_px(length_px: float) -> float:
    """10-90 % rise of an edge that an even smear crosses at a right angle.

    Parameters
    ----------
    length_px : float
        Length in pixels, 0 or more.

    Returns
    -------
    float
        0.8 of the length.

    Raises
    ------
    ValueError
        If the length is negative.
    """
    require_not_negative(length_px=length_px)
    return MOTION_RISE * length_px


def motion_mtf(frequency_cpp: float, length_px: float) -> float:
    """Contrast that an even straight smear keeps along its direction.

    Parameters
    ----------
    frequency_cpp : float
        Frequency in cycles/pixel.
    length_px : float
        Length in pixels, 0 or more.

    Returns
    -------
    float
        |sin(pi L f) / (pi L f)|: first zero at 1 / length.

    Raises
    ------
    ValueError
        If the length is negative.
    """
    require_not_negative(length_px=length_px)
    phase = math.pi * length_px * frequency_cpp
    return abs(math.sin(phase) / phase) if phase else 1.0


def motion_mtf50_cpp(length_px: float) -> float:
    """MTF50 of an even straight smear along its direction.

    Parameters
    ----------
    length_px : float
        Length in pixels, above 0.

    Returns
    -------
    float
        0.6034 / length, in cycles/pixel.

    Raises
    ------
    ValueError
        If the length is not above 0.
    """
    require_positive(length_px=length_px)
    return MOTION_MTF50 / length_px


def smear_within_edge_width_px(limit_edge_width_px: float, own_edge_width_px: float) -> float:
    """Longest smear that keeps an edge across it within a limit.

    Parameters
    ----------
    limit_edge_width_px : float
        10-90 % rise that may not be passed, in pixels.
    own_edge_width_px : float
        10-90 % rise without movement: lens, pixel and all else, in pixels.

    Returns
    -------
    float
        Length in pixels; 0 where the edge is past its limit before any movement.

    Raises
    ------
    ValueError
        If either width is negative.

    Notes
    -----
    Adds variances and reads widths as those of Gaussians: within 8 % even where the smear
    dominates.
    """
    return _room_sigma_px(limit_edge_width_px, own_edge_width_px) / MOTION_SIGMA


def _room_sigma_px(limit_edge_width_px: float, own_edge_width_px: float) -> float:
    limit = sigma_from_rise_px(limit_edge_width_px)
    own = sigma_from_rise_px(own_edge_width_px)
    return math.sqrt(max(0.0, limit**2 - own**2))


def pixel_sigma_px() -> float:
    """Standard deviation of the square pixel itself, in pixels: 1 over the root of 12."""
    return motion_sigma_px(1.0)


def combined_sigma_px(*sigmas_px: float) -> float:
    """Sigma of blurs that follow one another.

    Parameters
    ----------
    *sigmas_px : float
        Standard deviations in pixels, 0 or more.

    Returns
    -------
    float
        Root of the summed squares: exact for variances of any shape.

    Raises
    ------
    ValueError
        If one is negative.
    """
    for sigma_px in sigmas_px:
        require_not_negative(sigma_px=sigma_px)
    return math.hypot(*sigmas_px)


def pixel_edge_width_px(sigma_px: float) -> float:
    """10-90 % rise of an edge blurred by a Gaussian and then by the square pixel.

    Parameters
    ----------
    sigma_px : float
        Standard deviation of the Gaussian alone, in pixels, above 0.

    Returns
    -------
    float
        Rise distance in pixels (2.669 at sigma 1).

    Raises
    ------
    ValueError
        If sigma is not above 0.
    """
    require_positive(sigma_px=sigma_px)

    def ramp(place_px: float) -> float:
        # Integral of the Gaussian edge up to this place.
        score = place_px / sigma_px
        below = math.erfc(-score / math.sqrt(2)) / 2
        height = math.exp(-(score**2) / 2) / math.sqrt(2 * math.pi)
        return place_px * below + sigma_px * height

    def above_ninety(place_px: float) -> float:
        return ramp(place_px + 0.5) - ramp(place_px - 0.5) - 0.9

    return 2 * crossing(above_ninety, 0.0, rise_from_sigma_px(sigma_px) + 0.5)


def sigma_from_pixel_edge_width_px(edge_width_px: float) -> float | None:
    """Sigma of the Gaussian that, with the square pixel, gives an edge of this width.

    Parameters
    ----------
    edge_width_px : float
        10-90 % rise in pixels, the pixel's own aperture included.

    Returns
    -------
    float or None
        Standard deviation of the Gaussian alone, in pixels; None for an edge no wider than the
        pixel alone leaves it (0.8 px), which only sharpening can give.

    Raises
    ------
    ValueError
        If the width is not above 0.
    """
    require_positive(edge_width_px=edge_width_px)
    narrowest_sigma_px = 1e-3
    if edge_width_px <= pixel_edge_width_px(narrowest_sigma_px):
        return None
    return crossing(
        lambda sigma_px: pixel_edge_width_px(sigma_px) - edge_width_px,
        narrowest_sigma_px,
        edge_width_px,
    )


def pixel_mtf50_from_sigma_cpp(sigma_px: float) -> float:
    """MTF50 of a Gaussian blur followed by the square pixel.

    Parameters
    ----------
    sigma_px : float
        Standard deviation of the Gaussian alone, in pixels, 0 or more.

    Returns
    -------
    float
        Frequency in cycles/pixel (0.180 at sigma 1).

    Raises
    ------
    ValueError
        If sigma is negative.
    """
    require_not_negative(sigma_px=sigma_px)

    def above_half(frequency_cpp: float) -> float:
        return gaussian_mtf(frequency_cpp, sigma_px) * motion_mtf(frequency_cpp, 1.0) - 0.5

    return crossing(above_half, 0.0, 1.0)
