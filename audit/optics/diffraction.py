"""What a perfect lens and a square pixel leave of fine detail, at an aperture and a pixel pitch.

All values hold for one wavelength (green by default), a round aperture, focus at a distance, and
pixels that gather light over their whole square. A real frame can only be softer; a frame that
reads sharper was sharpened, or its pitch is wrong.

Frequencies end in ``_cpp`` (cycles per pixel) or ``_cpmm`` (cycles per millimetre on the sensor).
"""

import math
from enum import Enum
from functools import lru_cache

from audit.optics.blur import (
    PIXEL_MTF50_CPP,
    combined_sigma_px,
    pixel_sigma_px,
    sigma_from_mtf50_px,
)
from audit.optics.quantities import require_not_negative, require_positive
from audit.optics.roots import crossing

GREEN_NM = 550.0
"""Wavelength in nanometres of the middle of the green channel; common practice, no source."""

AIRY_FACTOR = 2.4393398
"""Airy diameter / (wavelength x f-number): twice the first zero of J1 (3.8317060) over pi."""

RAYLEIGH_CUTOFF_SHARE = 2 / AIRY_FACTOR
"""Frequency of the Rayleigh separation, as a share of the cutoff (0.8199)."""

THIRD_STOPS_PER_DOUBLING_N = 6
"""An aperture number doubles in two stops, hence in six thirds."""


class DiffractionCriterion(Enum):
    """When an aperture is called diffraction limited; the answers span 3.6 stops, so name it."""

    AIRY_2_PX = "airy-2px"
    AIRY_2_5_PX = "airy-2.5px"
    AIRY_3_PX = "airy-3px"
    RAYLEIGH_AT_NYQUIST = "rayleigh-nyquist"
    CUTOFF_AT_NYQUIST = "cutoff-nyquist"
    CUTOFF_AT_GREEN_LATTICE = "cutoff-green"

    @property
    def meaning(self) -> str:
        """Words to print beside the f-number."""
        return CRITERION_MEANINGS[self]


CRITERION_MEANINGS = {
    DiffractionCriterion.AIRY_2_PX: "Airy diameter over 2 pixels",
    DiffractionCriterion.AIRY_2_5_PX: "Airy diameter over 2.5 pixels",
    DiffractionCriterion.AIRY_3_PX: "Airy diameter over 3 pixels",
    DiffractionCriterion.RAYLEIGH_AT_NYQUIST: "lens keeps under 9 % contrast at the pixel limit",
    DiffractionCriterion.CUTOFF_AT_NYQUIST: "lens keeps no contrast at the pixel limit",
    DiffractionCriterion.CUTOFF_AT_GREEN_LATTICE: "lens keeps no contrast at the limit of the "
    "green pixels alone",
}

AIRY_PIXELS = {
    DiffractionCriterion.AIRY_2_PX: 2.0,
    DiffractionCriterion.AIRY_2_5_PX: 2.5,
    DiffractionCriterion.AIRY_3_PX: 3.0,
}

CUTOFF_PITCHES = {
    DiffractionCriterion.CUTOFF_AT_NYQUIST: 2.0,
    DiffractionCriterion.RAYLEIGH_AT_NYQUIST: 2.0 * RAYLEIGH_CUTOFF_SHARE,
    DiffractionCriterion.CUTOFF_AT_GREEN_LATTICE: 2.0 * math.sqrt(2),
}
"""Wavelength x f-number at which the criterion is met, in pixel pitches."""


def exact_aperture_n(nominal_n: float) -> float:
    """Exact f-number that a marked one stands for: the nearest third stop.

    Parameters
    ----------
    nominal_n : float
        F-number as engraved or recorded (11).

    Returns
    -------
    float
        2 to a multiple of 1/6 (11.314). Half-stop marks go to the nearest third as well.

    Raises
    ------
    ValueError
        If the f-number is not above 0.

    References
    ----------
    APEX, Exif standard CIPA DC-008 annex C: Av = 2 log2 N.
    """
    require_positive(nominal_n=nominal_n)
    thirds = round(THIRD_STOPS_PER_DOUBLING_N * math.log2(nominal_n))
    return float(2.0 ** (thirds / THIRD_STOPS_PER_DOUBLING_N))


def airy_diameter_um(aperture_n: float, wavelength_nm: float = GREEN_NM) -> float:
    """Diameter of the Airy disc to its first dark ring, in micrometres.

    Parameters
    ----------
    aperture_n : float
        F-number.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        2.439 x wavelength x f-number, in micrometres on the sensor.

    Raises
    ------
    ValueError
        If either is not above 0.

    References
    ----------
    Born, M. and Wolf, E. Principles of Optics, section 8.5.2.
    """
    require_positive(aperture_n=aperture_n, wavelength_nm=wavelength_nm)
    return AIRY_FACTOR * wavelength_nm / 1000 * aperture_n


def rayleigh_separation_um(aperture_n: float, wavelength_nm: float = GREEN_NM) -> float:
    """Least distance at which two points are told apart, in micrometres on the sensor.

    Parameters
    ----------
    aperture_n : float
        F-number.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        Half the Airy diameter.

    Raises
    ------
    ValueError
        If either is not above 0.

    References
    ----------
    Born, M. and Wolf, E. Principles of Optics, section 8.6.2 (Rayleigh's criterion).
    """
    return airy_diameter_um(aperture_n, wavelength_nm) / 2


def cutoff_cpmm(aperture_n: float, wavelength_nm: float = GREEN_NM) -> float:
    """Frequency in cycles/mm past which a perfect lens passes nothing.

    Parameters
    ----------
    aperture_n : float
        F-number.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        1 / (wavelength x f-number).

    Raises
    ------
    ValueError
        If either is not above 0.

    References
    ----------
    Goodman, J. W. Introduction to Fourier Optics, chapter 6.
    """
    require_positive(aperture_n=aperture_n, wavelength_nm=wavelength_nm)
    return 1e6 / (wavelength_nm * aperture_n)


def cutoff_cpp(aperture_n: float, pitch_um: float, wavelength_nm: float = GREEN_NM) -> float:
    """Frequency in cycles/pixel past which a perfect lens passes nothing.

    Parameters
    ----------
    aperture_n : float
        F-number.
    pitch_um : float
        Pixel pitch in micrometres.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        Cutoff; above 0.5 the pixels, not the lens, set the limit.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(pitch_um=pitch_um)
    return cutoff_cpmm(aperture_n, wavelength_nm) * pitch_um / 1000


def diffraction_mtf(cutoff_share: float) -> float:
    """Contrast that a perfect lens with a round aperture keeps.

    Parameters
    ----------
    cutoff_share : float
        Frequency as a share of the cutoff, 0 or more.

    Returns
    -------
    float
        1 at 0, falling to 0 at the cutoff and beyond.

    Raises
    ------
    ValueError
        If the share is negative.

    References
    ----------
    Goodman, J. W. Introduction to Fourier Optics, chapter 6: optical transfer function of a
    diffraction-limited system with a circular pupil, incoherent light.
    """
    require_not_negative(cutoff_share=cutoff_share)
    if cutoff_share >= 1:
        return 0.0
    chord = cutoff_share * math.sqrt(1 - cutoff_share**2)
    return 2 / math.pi * (math.acos(cutoff_share) - chord)


def diffraction_mtf50_cpmm(aperture_n: float, wavelength_nm: float = GREEN_NM) -> float:
    """Frequency in cycles/mm at which a perfect lens keeps half the contrast.

    Parameters
    ----------
    aperture_n : float
        F-number.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        0.404 of the cutoff.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    return half_contrast_cutoff_share() * cutoff_cpmm(aperture_n, wavelength_nm)


@lru_cache(maxsize=1)
def half_contrast_cutoff_share() -> float:
    """Share of the cutoff at which a perfect lens keeps half the contrast (0.40397)."""
    return crossing(lambda share: diffraction_mtf(share) - 0.5, 0.0, 1.0)


def pixel_mtf(frequency_cpp: float) -> float:
    """Contrast that a square pixel keeps along its rows or columns.

    Parameters
    ----------
    frequency_cpp : float
        Frequency in cycles/pixel, 0 or more.

    Returns
    -------
    float
        1 at 0, 0.637 at Nyquist (0.5), 0 at 1.

    Raises
    ------
    ValueError
        If the frequency is negative.

    References
    ----------
    Boreman, G. D. Modulation Transfer Function in Optical and Electro-Optical Systems: detector
    footprint, all of the pixel sensitive.
    """
    require_not_negative(frequency_cpp=frequency_cpp)
    phase = math.pi * frequency_cpp
    return abs(math.sin(phase) / phase) if phase else 1.0


def system_mtf(
    frequency_cpp: float, aperture_n: float, pitch_um: float, wavelength_nm: float = GREEN_NM
) -> float:
    """Contrast that a perfect lens and a square pixel keep together.

    Parameters
    ----------
    frequency_cpp : float
        Frequency in cycles/pixel, 0 or more.
    aperture_n : float
        F-number.
    pitch_um : float
        Pixel pitch in micrometres.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        Product of the two contrasts, 0 to 1.

    Raises
    ------
    ValueError
        If the frequency is negative or another number not above 0.
    """
    cutoff = cutoff_cpp(aperture_n, pitch_um, wavelength_nm)
    return diffraction_mtf(frequency_cpp / cutoff) * pixel_mtf(frequency_cpp)


@lru_cache(maxsize=1024)
def ceiling_mtf50_cpp(aperture_n: float, pitch_um: float, wavelength_nm: float = GREEN_NM) -> float:
    """Highest MTF50 that physics allows, in cycles/pixel.

    Parameters
    ----------
    aperture_n : float
        F-number.
    pitch_um : float
        Pixel pitch in micrometres.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        Where a perfect lens and a square pixel keep half the contrast: no filter in front of the
        sensor, no processing. A higher reading means sharpening or a wrong pitch.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    first_zero_cpp = min(1.0, cutoff_cpp(aperture_n, pitch_um, wavelength_nm))

    def above_half(frequency_cpp: float) -> float:
        return system_mtf(frequency_cpp, aperture_n, pitch_um, wavelength_nm) - 0.5

    return crossing(above_half, 0.0, first_zero_cpp)


def diffraction_sigma_um(aperture_n: float, wavelength_nm: float = GREEN_NM) -> float:
    """Sigma of the Gaussian with the MTF50 of a perfect lens, in micrometres on the sensor.

    Parameters
    ----------
    aperture_n : float
        F-number.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        0.464 x wavelength x f-number.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    return 1000 * sigma_from_mtf50_px(diffraction_mtf50_cpmm(aperture_n, wavelength_nm))


def ceiling_sigma_px(aperture_n: float, pitch_um: float, wavelength_nm: float = GREEN_NM) -> float:
    """Sigma of the Gaussian that stands for a perfect lens and a square pixel, in pixels.

    Parameters
    ----------
    aperture_n : float
        F-number.
    pitch_um : float
        Pixel pitch in micrometres.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        Root of the summed variances of the two Gaussians with the same MTF50. An approximation:
        use `ceiling_mtf50_cpp` and `ceiling_edge_width_px` where the exact value matters.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(pitch_um=pitch_um)
    lens_sigma_px = diffraction_sigma_um(aperture_n, wavelength_nm) / pitch_um
    return combined_sigma_px(lens_sigma_px, sigma_from_mtf50_px(PIXEL_MTF50_CPP))


HIGHEST_SUMMED_CPP = 64.0
"""The pixel leaves nothing that matters above this: the edge changes by less than 1e-4."""

FEWEST_SUM_TERMS = 96
SUM_TERMS_PER_CPP = 16


@lru_cache(maxsize=1024)
def ceiling_edge_width_px(
    aperture_n: float, pitch_um: float, wavelength_nm: float = GREEN_NM
) -> float:
    """Narrowest 10-90 % edge that physics allows, in pixels.

    Parameters
    ----------
    aperture_n : float
        F-number.
    pitch_um : float
        Pixel pitch in micrometres.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        Rise distance of a straight edge along a row or column, seen by a perfect lens and a square
        pixel, in linear light. Exact to 0.1 %. The far skirts of the Airy pattern are counted in
        full; a measurement whose window ends after a few pixels misses some and reads narrower.

    Raises
    ------
    ValueError
        If any is not above 0.

    Notes
    -----
    The edge is the sine transform of the MTF: E(x) = 1/2 + integral of MTF(f) sin(2 pi f x) /
    (pi f) df from 0 to the cutoff, summed by the midpoint rule in the angle a of
    f = cutoff (1 - cos a) / 2, which crowds the terms towards both ends.
    """
    cutoff = cutoff_cpp(aperture_n, pitch_um, wavelength_nm)
    last_cpp = min(cutoff, HIGHEST_SUMMED_CPP)
    terms = FEWEST_SUM_TERMS + math.ceil(SUM_TERMS_PER_CPP * last_cpp)
    waves, weights = [], []
    for term in range(terms):
        angle = math.pi * (term + 0.5) / terms
        wave = last_cpp * (1 - math.cos(angle)) / 2
        step = last_cpp / 2 * math.sin(angle) * math.pi / terms
        phase = math.pi * wave
        # The pixel's sign matters here: past 1 cycle/pixel it turns contrast over.
        contrast = diffraction_mtf(wave / cutoff) * math.sin(phase) / phase
        waves.append(wave)
        weights.append(step * contrast / phase)

    def above_ninety(place_px: float) -> float:
        pairs = zip(weights, waves, strict=True)
        turn = 2 * math.pi * place_px
        return math.fsum(weight * math.sin(turn * wave) for weight, wave in pairs) - 0.4

    # 90 % lies within the pixel's half width plus the Airy radius, whatever the aperture.
    reach_px = pixel_sigma_px() * 2 + airy_diameter_um(aperture_n, wavelength_nm) / 2 / pitch_um
    return 2 * crossing(above_ninety, 0.0, reach_px)


def diffraction_limited_n(
    pitch_um: float, criterion: DiffractionCriterion, wavelength_nm: float = GREEN_NM
) -> float:
    """F-number from which a criterion calls the frame diffraction limited.

    Parameters
    ----------
    pitch_um : float
        Pixel pitch in micrometres.
    criterion : DiffractionCriterion
        Which of the published meanings; quote it with the number.
    wavelength_nm : float
        Wavelength in nanometres.

    Returns
    -------
    float
        F-number at which the criterion is just met (exact, not a marked one).

    Raises
    ------
    ValueError
        If pitch or wavelength is not above 0.
    """
    require_positive(pitch_um=pitch_um, wavelength_nm=wavelength_nm)
    pixels = AIRY_PIXELS.get(criterion)
    pitches = CUTOFF_PITCHES[criterion] if pixels is None else pixels / AIRY_FACTOR
    return pitches * pitch_um / (wavelength_nm / 1000)
