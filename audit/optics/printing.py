"""What the eye sees on paper: pixels per arc-minute, print size, noise and print sharpness.

The eye tells one arc-minute apart. A frame whose edges rise within `SHARP_EDGE_WIDTH_PX` is fully
sharp and holds at one pixel per arc-minute; a softer one holds proportionally less. The same
numbers serve any viewing distance, since only the angle counts.
"""

import math
from collections.abc import Callable

from audit.optics.quantities import require_positive

CM_PER_INCH = 2.54
M_PER_FOOT = 0.3048

ARCMIN_PER_RADIAN = 1 / math.tan(math.radians(1 / 60))
"""Viewing distance / the length that spans one arc-minute there (3437.75)."""

SHARP_EDGE_WIDTH_PX = 1.5
"""10-90 % rise in pixels up to which a frame counts as fully sharp: what a perfect lens at f/6.3
leaves on pixels of 4 um (1.49; at f/8 it leaves 1.75). Project choice."""

ACUITY_CPD = 30.0
"""Line pairs per degree that a 20/20 eye resolves: two arc-minutes each (optometry)."""

BEST_ACUITY_CPD = 60.0
"""Line pairs per degree of the best eyes."""


def inch_from_cm(length_cm: float) -> float:
    """Inches from centimetres (1 inch is 2.54 cm by definition)."""
    return length_cm / CM_PER_INCH


def cm_from_inch(length_inch: float) -> float:
    """Centimetres from inches (1 inch is 2.54 cm by definition)."""
    return length_inch * CM_PER_INCH


def foot_from_m(length_m: float) -> float:
    """Feet from metres (1 foot is 0.3048 m by definition)."""
    return length_m / M_PER_FOOT


def m_from_foot(length_foot: float) -> float:
    """Metres from feet (1 foot is 0.3048 m by definition)."""
    return length_foot * M_PER_FOOT


def arcmin_mm(viewing_cm: float) -> float:
    """Length on paper that spans one arc-minute, in mm.

    Parameters
    ----------
    viewing_cm : float
        Viewing distance in cm.

    Returns
    -------
    float
        Viewing distance / 3437.75.

    Raises
    ------
    ValueError
        If the distance is not above 0.
    """
    require_positive(viewing_cm=viewing_cm)
    return 10 * viewing_cm / ARCMIN_PER_RADIAN


def needed_ppi(viewing_cm: float, acuity_cpd: float = ACUITY_CPD) -> float:
    """Pixels per inch past which an eye sees no more detail.

    Parameters
    ----------
    viewing_cm : float
        Viewing distance in cm.
    acuity_cpd : float
        Line pairs per degree that the eye resolves.

    Returns
    -------
    float
        Two pixels for each line pair: 349 at 25 cm for a 20/20 eye.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    return 2 * 10 * CM_PER_INCH * eye_limit_cpmm(viewing_cm, acuity_cpd)


def eye_limit_cpmm(viewing_cm: float, acuity_cpd: float = ACUITY_CPD) -> float:
    """Finest line pairs per mm on paper that an eye resolves.

    Parameters
    ----------
    viewing_cm : float
        Viewing distance in cm.
    acuity_cpd : float
        Line pairs per degree that the eye resolves.

    Returns
    -------
    float
        6.88 at 25 cm for a 20/20 eye.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    require_positive(acuity_cpd=acuity_cpd)
    return acuity_cpd / (60 * arcmin_mm(viewing_cm))


def print_long_at_ppi_cm(long_px: int, ppi: float) -> float:
    """Long side of a print at a given resolution, in cm.

    Parameters
    ----------
    long_px : int
        Pixels along the long side.
    ppi : float
        Pixels per inch.

    Returns
    -------
    float
        Long side in cm.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    require_positive(long_px=long_px, ppi=ppi)
    return cm_from_inch(long_px / ppi)


def print_ppi(long_px: int, print_long_cm: float) -> float:
    """Resolution of a print that shows every pixel, in pixels per inch.

    Parameters
    ----------
    long_px : int
        Pixels along the long side.
    print_long_cm : float
        Long side of the print in cm.

    Returns
    -------
    float
        Pixels per inch.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    require_positive(long_px=long_px, print_long_cm=print_long_cm)
    return long_px / inch_from_cm(print_long_cm)


def pixels_per_arcmin(long_px: int, print_long_cm: float, viewing_cm: float) -> float:
    """Pixels that lie under one arc-minute of the print as it is seen.

    Parameters
    ----------
    long_px : int
        Pixels along the long side.
    print_long_cm : float
        Long side of the print in cm.
    viewing_cm : float
        Viewing distance in cm.

    Returns
    -------
    float
        1 where each pixel is just seen; more where there are pixels to spare.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    return print_ppi(long_px, print_long_cm) / needed_ppi(viewing_cm)


def print_long_cm(
    long_px: int,
    viewing_cm: float,
    edge_width_px: float,
    sharp_edge_width_px: float = SHARP_EDGE_WIDTH_PX,
) -> float:
    """Long side of the largest print that a frame holds at, in cm.

    Parameters
    ----------
    long_px : int
        Pixels along the long side.
    viewing_cm : float
        Viewing distance in cm.
    edge_width_px : float
        10-90 % rise of the frame's edges in pixels.
    sharp_edge_width_px : float
        Rise up to which a frame counts as fully sharp, in pixels.

    Returns
    -------
    float
        One pixel per arc-minute for a fully sharp frame, proportionally less for a softer one.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(
        long_px=long_px, edge_width_px=edge_width_px, sharp_edge_width_px=sharp_edge_width_px
    )
    sharp_long_cm = long_px * arcmin_mm(viewing_cm) / 10
    return sharp_long_cm * min(1.0, sharp_edge_width_px / edge_width_px)


def print_edge_width_px(
    long_px: int,
    viewing_cm: float,
    long_cm: float,
    sharp_edge_width_px: float = SHARP_EDGE_WIDTH_PX,
) -> float | None:
    """Widest edge with which a frame holds at a print: the inverse of `print_long_cm`.

    Parameters
    ----------
    long_px : int
        Pixels along the long side.
    viewing_cm : float
        Viewing distance in cm.
    long_cm : float
        Long side of the print in cm.
    sharp_edge_width_px : float
        Rise up to which a frame counts as fully sharp, in pixels.

    Returns
    -------
    float or None
        10-90 % rise in pixels; None where the pixels are too few however sharp the frame.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    largest_cm = print_long_cm(long_px, viewing_cm, sharp_edge_width_px, sharp_edge_width_px)
    require_positive(long_cm=long_cm)
    # Room for rounding: the largest print itself must give the sharp width back.
    if long_cm > largest_cm * (1 + 1e-9):
        return None
    return sharp_edge_width_px * max(1.0, largest_cm / long_cm)


def print_viewing_cm(
    long_px: int,
    long_cm: float,
    edge_width_px: float,
    sharp_edge_width_px: float = SHARP_EDGE_WIDTH_PX,
) -> float:
    """Nearest viewing distance at which a print of a frame holds, in cm.

    Parameters
    ----------
    long_px : int
        Pixels along the long side.
    long_cm : float
        Long side of the print in cm.
    edge_width_px : float
        10-90 % rise of the frame's edges in pixels.
    sharp_edge_width_px : float
        Rise up to which a frame counts as fully sharp, in pixels.

    Returns
    -------
    float
        Distance in cm.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(long_cm=long_cm)
    unit_distance_cm = 1.0
    return long_cm / print_long_cm(long_px, unit_distance_cm, edge_width_px, sharp_edge_width_px)


SNR_EXCELLENT = 40.0
SNR_ACCEPTABLE = 10.0
"""Signal-to-noise ratios of excellent and acceptable prints: ISO 12232:2019, 6.3.2 note 3."""

ISO_PRINT_PX_PER_CM = 70.0
"""Print resolution for which those hold (178 ppi): ISO 12232:2019, 6.3.2 note 3."""

ISO_VIEWING_CM = 25.0
"""Viewing distance for which those hold: ISO 12232:2019, 6.3.2 note 3."""


def needed_snr(
    iso_print_snr: float, print_px_per_cm: float, viewing_cm: float = ISO_VIEWING_CM
) -> float:
    """Signal-to-noise ratio per pixel that a print asks for in its mid-tones.

    Parameters
    ----------
    iso_print_snr : float
        Ratio asked of the standard's print: `SNR_EXCELLENT` or `SNR_ACCEPTABLE`.
    print_px_per_cm : float
        Pixels per cm of the print.
    viewing_cm : float
        Viewing distance in cm.

    Returns
    -------
    float
        Ratio. Finer or farther pixels blend in the eye, so each may be noisier.

    Raises
    ------
    ValueError
        If any is not above 0.

    References
    ----------
    ISO 12232:2019, 6.3.2 note 3, for 25 cm: multiply by 70 / (pixels per cm). Other distances by
    the same angle; that step is this project's.
    """
    require_positive(
        iso_print_snr=iso_print_snr, print_px_per_cm=print_px_per_cm, viewing_cm=viewing_cm
    )
    same_angle_px_per_cm = print_px_per_cm * viewing_cm / ISO_VIEWING_CM
    return iso_print_snr * ISO_PRINT_PX_PER_CM / same_angle_px_per_cm


def print_sigma_mm(sigma_px: float, ppi: float) -> float:
    """Blur on paper of a blur in the frame, in mm.

    Parameters
    ----------
    sigma_px : float
        Standard deviation in pixels.
    ppi : float
        Resolution of the print in pixels per inch.

    Returns
    -------
    float
        Standard deviation in mm on paper.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    require_positive(sigma_px=sigma_px, ppi=ppi)
    return sigma_px * 10 * CM_PER_INCH / ppi


SQF_BAND_CPD = (3.0, 12.0)
"""Band in cycles/degree that the quality factor averages over: 10 to 40 cycles/mm on the retina
of an eye of 17 mm, rounded."""

SUM_STEPS = 400
"""Even number of steps of Simpson's rule; leaves less than 1e-6 for smooth curves."""


def subjective_quality_factor(mtf_cpmm: Callable[[float], float], viewing_cm: float) -> float:
    """Subjective quality factor (SQF) of a print, 0 to 100.

    Parameters
    ----------
    mtf_cpmm : callable
        Contrast kept at a frequency in cycles/mm on the print, everything included.
    viewing_cm : float
        Viewing distance in cm.

    Returns
    -------
    float
        Mean of the contrast over log frequency, from 3 to 12 cycles/degree, in per cent.

    Raises
    ------
    ValueError
        If the distance is not above 0.

    References
    ----------
    Granger, E. M. and Cupery, K. N. (1972). An optical merit function (SQF), which correlates with
    subjective image judgments. Photographic Science and Engineering, 16, 221-230.
    """
    require_positive(viewing_cm=viewing_cm)
    degree_mm = math.radians(10 * viewing_cm)
    low, high = (math.log(band_cpd / degree_mm) for band_cpd in SQF_BAND_CPD)
    return 100 * _simpson(lambda octave: mtf_cpmm(math.exp(octave)), low, high) / (high - low)


CSF_RISE = 0.8
CSF_FALL_DEG = 0.2
"""Exponents of the eye's contrast sensitivity v^0.8 exp(-0.2 v), v in cycles/degree; peak at 4."""

ACUTANCE_HIGHEST_CPD = 60.0
"""End of the sum in cycles/degree; the eye's curve has fallen below 1e-3 of its peak there."""


def acutance(mtf_cpd: Callable[[float], float]) -> float:
    """Acutance of a picture as the eye sees it, 0 to 1.

    Parameters
    ----------
    mtf_cpd : callable
        Contrast kept at a frequency in cycles/degree at the eye, everything included.

    Returns
    -------
    float
        Mean of the contrast, weighted by the eye's contrast sensitivity.

    References
    ----------
    Baxter, D., Cao, F., Eliasson, H. and Phillips, J. (2012). Development of the I3A CPIQ spatial
    metrics. SPIE 8293; IEEE 1858. The formula is from memory.
    """

    def sensitivity(frequency_cpd: float) -> float:
        return float(frequency_cpd**CSF_RISE) * math.exp(-CSF_FALL_DEG * frequency_cpd)

    def seen(frequency_cpd: float) -> float:
        return mtf_cpd(frequency_cpd) * sensitivity(frequency_cpd)

    whole = _simpson(sensitivity, 0.0, ACUTANCE_HIGHEST_CPD)
    return _simpson(seen, 0.0, ACUTANCE_HIGHEST_CPD) / whole


def _simpson(curve: Callable[[float], float], low: float, high: float) -> float:
    step = (high - low) / SUM_STEPS
    inner = math.fsum(
        (4 if index % 2 else 2) * curve(low + index * step) for index in range(1, SUM_STEPS)
    )
    return step / 3 * (curve(low) + inner + curve(high))
