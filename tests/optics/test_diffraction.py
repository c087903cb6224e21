"""The diffraction formulas agree with handbook values and with routes that do not share them."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from prysm.otf import diffraction_limited_mtf
from scipy.integrate import cumulative_trapezoid, quad
from scipy.optimize import brentq
from scipy.special import j0, j1, jn_zeros

from audit.optics.diffraction import (
    AIRY_FACTOR,
    DiffractionCriterion,
    airy_diameter_um,
    ceiling_edge_width_px,
    ceiling_mtf50_cpp,
    ceiling_sigma_px,
    cutoff_cpmm,
    diffraction_limited_n,
    diffraction_mtf,
    diffraction_mtf50_cpmm,
    diffraction_sigma_um,
    exact_aperture_n,
    pixel_mtf,
    rayleigh_separation_um,
    system_mtf,
)

apertures = st.floats(1.0, 64.0)
pitches_um = st.floats(1.0, 12.0)


def airy_light_beyond(place: float) -> float:
    """Share of the Airy pattern's light past a straight line, place in wavelength x f-number.

    From the encircled energy 1 - J0^2 - J1^2 (Born & Wolf, 8.5.2), integrated over the circles
    that the line cuts: no transfer function is used.
    """
    angles = (np.arange(2000) + 0.5) * math.pi / 2 / 2000
    radii = math.pi * place / np.cos(angles)
    return float(np.mean(j0(radii) ** 2 + j1(radii) ** 2) / 2)


def airy_pixel_edge_width_px(aperture_n: float, pitch_um: float) -> float:
    """10-90 % rise of a line spread by the Airy pattern, averaged over pixels of 1 px."""
    scale_px = 0.55 * aperture_n / pitch_um
    places = np.concatenate(
        [np.linspace(0, 3 * scale_px, 250), np.geomspace(3 * scale_px, 3 * scale_px + 4, 250)[1:]]
    )
    beyond = [airy_light_beyond(place / scale_px) for place in places]
    summed = cumulative_trapezoid(beyond, places, initial=0)

    def lit_share(place: float) -> float:
        # Mean over the pixel of 1 - beyond(u) for u >= 0 and of beyond(-u) for u < 0.
        right = place + 0.5 - np.interp(place + 0.5, places, summed)
        left = place - 0.5
        if left >= 0:
            return float(right - (left - np.interp(left, places, summed)))
        return float(right + np.interp(-left, places, summed))

    return 2 * float(brentq(lambda place: lit_share(place) - 0.9, 0.0, 3.0 + 2 * scale_px))


def test_airy_factor_is_the_first_zero_of_j1() -> None:
    assert pytest.approx(2 * jn_zeros(1, 1)[0] / math.pi, abs=1e-7) == AIRY_FACTOR


@pytest.mark.parametrize(
    ("aperture_n", "diameter_um", "rayleigh_um", "cutoff", "mtf50"),
    [
        (2.8, 3.76, 1.88, 649.4, 262.3),
        (2.828, 3.80, 1.90, None, None),
        (4, 5.37, 2.68, 454.5, 183.6),
        (5.6, 7.52, 3.76, 324.7, 131.2),
        (8, 10.74, 5.37, 227.3, 91.8),
        (11, 14.76, 7.38, 165.3, 66.8),
        (11.314, 15.18, 7.59, None, None),
        (16, 21.47, 10.74, 113.6, 45.9),
        (22, 29.52, 14.76, 82.6, 33.4),
        (22.627, 30.37, 15.18, None, None),
        (32, 42.94, 21.47, 56.8, 23.0),
    ],
)
def test_airy_rayleigh_cutoff_and_mtf50_by_aperture(
    aperture_n: float,
    diameter_um: float,
    rayleigh_um: float,
    cutoff: float | None,
    mtf50: float | None,
) -> None:
    """Born & Wolf 8.5.2 and Goodman chapter 6; values computed from the stated formulas."""
    assert airy_diameter_um(aperture_n) == pytest.approx(diameter_um, rel=0.005)
    assert rayleigh_separation_um(aperture_n) == pytest.approx(rayleigh_um, rel=0.005)
    if cutoff is not None:
        assert cutoff_cpmm(aperture_n) == pytest.approx(cutoff, rel=0.005)
    if mtf50 is not None:
        assert diffraction_mtf50_cpmm(aperture_n) == pytest.approx(mtf50, rel=0.005)


def test_airy_diameter_of_a_published_article() -> None:
    """29.3 um at f/22 in green light of 546 nm: I. Hutchinson, "More mega pixels"."""
    assert airy_diameter_um(22, 546) == pytest.approx(29.3, rel=0.005)


def test_airy_disc_holds_83_8_percent_of_the_light() -> None:
    """Born & Wolf 8.5.2: the ring that we call the diameter encloses 83.8 % of the energy."""
    radius = math.pi * airy_diameter_um(8) / 2 / (0.55 * 8)
    assert 1 - j0(radius) ** 2 - j1(radius) ** 2 == pytest.approx(0.838, abs=5e-4)


@pytest.mark.parametrize(
    ("share", "contrast"),
    [
        (0.0, 1.0),
        (0.10, 0.87289),
        (0.25, 0.68504),
        (0.50, 0.39100),
        (0.75, 0.14429),
        (0.8197, 0.0894),
        (0.90, 0.03739),
        (0.15774, 0.8),
        (0.40397, 0.5),
        (0.58514, 0.3),
        (0.68705, 0.2),
        (0.80538, 0.1),
        (0.81884, 0.09),
        (1.0, 0.0),
        (3.0, 0.0),
    ],
)
def test_diffraction_mtf_values(share: float, contrast: float) -> None:
    """Goodman, Introduction to Fourier Optics, chapter 6; values computed from the formula."""
    assert diffraction_mtf(share) == pytest.approx(contrast, abs=1e-4)


def test_diffraction_mtf_equals_an_independent_library() -> None:
    """The open-source package prysm gives the same contrast at every frequency."""
    for aperture_n in (2.8, 8.0, 22.0):
        for frequency in np.linspace(1.0, 700.0, 40):
            theirs = diffraction_limited_mtf(aperture_n, 0.55, frequency)
            ours = diffraction_mtf(frequency / cutoff_cpmm(aperture_n))
            assert ours == pytest.approx(float(theirs), abs=1e-9)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_diffraction_mtf_is_the_overlap_of_two_apertures(share: float) -> None:
    """Goodman, chapter 6: common area of two equal discs moved apart, here by plain counting."""
    side = np.linspace(-1, 1, 1501)
    across, down = np.meshgrid(side, side)
    one = across**2 + down**2 <= 1
    other = (across - 2 * share) ** 2 + down**2 <= 1
    assert diffraction_mtf(share) == pytest.approx((one & other).sum() / one.sum(), abs=2e-3)


@pytest.mark.parametrize(
    ("frequency_cpp", "contrast"),
    [(0.0, 1.0), (0.5, 0.6366), (0.60335, 0.5), (1.0, 0.0)],
)
def test_pixel_mtf_values(frequency_cpp: float, contrast: float) -> None:
    """Boreman: sinc of the pixel's own width; 2 / pi at Nyquist."""
    assert pixel_mtf(frequency_cpp) == pytest.approx(contrast, abs=1e-4)


CEILINGS = {
    2.40: (0.409, 0.340, 0.271, 0.204, 0.153, 0.108, 0.079, 0.055),
    3.76: (0.478, 0.425, 0.363, 0.290, 0.227, 0.164, 0.122, 0.085),
    4.14: (0.490, 0.441, 0.382, 0.310, 0.245, 0.179, 0.134, 0.094),
    4.35: (0.495, 0.448, 0.391, 0.320, 0.255, 0.187, 0.140, 0.098),
    5.90: (0.524, 0.489, 0.444, 0.381, 0.317, 0.242, 0.185, 0.131),
    6.50: (0.532, 0.500, 0.458, 0.399, 0.337, 0.260, 0.201, 0.144),
}


@pytest.mark.parametrize("pitch_um", CEILINGS)
def test_ceiling_mtf50_by_pitch_and_aperture(pitch_um: float) -> None:
    """Perfect lens x square pixel; values computed from the two formulas, nominal f-numbers."""
    marked = (2.8, 4, 5.6, 8, 11, 16, 22, 32)
    for aperture_n, mtf50_cpp in zip(marked, CEILINGS[pitch_um], strict=True):
        assert ceiling_mtf50_cpp(aperture_n, pitch_um) == pytest.approx(mtf50_cpp, abs=0.002)


@pytest.mark.parametrize(
    ("pitch_um", "contrasts"),
    [
        (3.76, (0.472, 0.403, 0.314, 0.191, 0.064, 0.0)),
        (4.35, (0.494, 0.434, 0.356, 0.245, 0.122, 0.0)),
        (5.90, (0.531, 0.486, 0.427, 0.342, 0.240, 0.094)),
    ],
)
def test_system_mtf_at_nyquist(pitch_um: float, contrasts: tuple[float, ...]) -> None:
    """Values computed from the two formulas, nominal f-numbers."""
    for aperture_n, contrast in zip((2.8, 4, 5.6, 8, 11, 16), contrasts, strict=True):
        assert system_mtf(0.5, aperture_n, pitch_um) == pytest.approx(contrast, abs=0.001)


@pytest.mark.parametrize(
    ("pitch_um", "aperture_n", "sigma_px"),
    [(3.76, 8, 0.63), (3.76, 11, 0.81), (4.14, 16, 1.03), (5.9, 11, 0.57)],
)
def test_ceiling_as_gaussian_sigma(pitch_um: float, aperture_n: float, sigma_px: float) -> None:
    """Values computed from hypot(0.464 wavelength N / p, 0.3106)."""
    assert ceiling_sigma_px(aperture_n, pitch_um) == pytest.approx(sigma_px, abs=0.005)


def test_diffraction_sigma_is_0_464_of_wavelength_and_aperture() -> None:
    """The Gaussian with this sigma keeps half the contrast where the Airy pattern does."""
    assert diffraction_sigma_um(8) / (0.55 * 8) == pytest.approx(0.464, abs=5e-4)


@pytest.mark.parametrize(
    ("aperture_n", "pitch_um"),
    [(8, 4.0), (2.8, 3.76), (16, 4.14), (1.4, 10.0), (32, 2.4)],
)
def test_ceiling_edge_width_equals_the_summed_airy_pattern(
    aperture_n: float, pitch_um: float
) -> None:
    """Light past a line in the Airy pattern (Born & Wolf 8.5.2), averaged over each pixel."""
    expected = airy_pixel_edge_width_px(aperture_n, pitch_um)
    assert ceiling_edge_width_px(aperture_n, pitch_um) == pytest.approx(expected, rel=0.003)


def test_ceiling_edge_width_tends_to_that_of_the_pixel_alone() -> None:
    """A box of 1 px rises from 10 to 90 % in 0.8 px: geometry."""
    assert ceiling_edge_width_px(1.0, 100.0) == pytest.approx(0.8, rel=0.005)


def test_ceiling_edge_width_far_past_the_pixel_is_that_of_the_lens() -> None:
    """The Airy pattern alone, from its encircled energy."""
    lens_only = 2 * brentq(lambda place: airy_light_beyond(place) - 0.1, 0.1, 2.0)
    scale_px = 0.55 * 32 / 0.5
    assert ceiling_edge_width_px(32, 0.5) == pytest.approx(lens_only * scale_px, rel=0.002)


LIMITS = {
    DiffractionCriterion.AIRY_2_PX: (3.58, 5.60, 6.17, 6.48, 8.79, 9.69),
    DiffractionCriterion.AIRY_2_5_PX: (4.47, 7.00, 7.71, 8.10, 11.0, 12.1),
    DiffractionCriterion.AIRY_3_PX: (5.37, 8.41, 9.25, 9.72, 13.2, 14.5),
    DiffractionCriterion.CUTOFF_AT_NYQUIST: (8.73, 13.7, 15.1, 15.8, 21.5, 23.6),
    DiffractionCriterion.CUTOFF_AT_GREEN_LATTICE: (12.3, 19.3, 21.3, 22.4, 30.3, 33.4),
}


@pytest.mark.parametrize("criterion", LIMITS)
def test_diffraction_limited_aperture_by_criterion(criterion: DiffractionCriterion) -> None:
    """Values computed from the criteria as stated; the table rounds to three figures."""
    for pitch_um, aperture_n in zip(
        (2.40, 3.76, 4.14, 4.35, 5.90, 6.50), LIMITS[criterion], strict=True
    ):
        rounding = 0.011 if aperture_n < 10 else 0.051
        assert diffraction_limited_n(pitch_um, criterion) == pytest.approx(aperture_n, abs=rounding)


@pytest.mark.parametrize("pitch_um", [2.4, 3.76, 5.9])
def test_each_criterion_holds_at_its_own_aperture(pitch_um: float) -> None:
    """The criteria in words, judged by prysm's contrast and the Airy diameter."""
    nyquist_cpmm = 500 / pitch_um

    def contrast_at(frequency_cpmm: float, criterion: DiffractionCriterion) -> float:
        aperture_n = diffraction_limited_n(pitch_um, criterion)
        return float(diffraction_limited_mtf(aperture_n, 0.55, frequency_cpmm))

    three = diffraction_limited_n(pitch_um, DiffractionCriterion.AIRY_3_PX)
    assert airy_diameter_um(three) == pytest.approx(3 * pitch_um)
    at_rayleigh = contrast_at(nyquist_cpmm, DiffractionCriterion.RAYLEIGH_AT_NYQUIST)
    assert at_rayleigh == pytest.approx(0.09, abs=0.002)
    for frequency, criterion in (
        (nyquist_cpmm, DiffractionCriterion.CUTOFF_AT_NYQUIST),
        (nyquist_cpmm / math.sqrt(2), DiffractionCriterion.CUTOFF_AT_GREEN_LATTICE),
    ):
        assert contrast_at(frequency, criterion) == pytest.approx(0.0, abs=1e-6)
        assert contrast_at(0.98 * frequency, criterion) > 1e-3


def test_criteria_carry_words_of_their_own() -> None:
    meanings = {criterion.meaning for criterion in DiffractionCriterion}
    assert len(meanings) == len(DiffractionCriterion)


@pytest.mark.parametrize(
    ("nominal_n", "exact_n"),
    [
        (1.4, 1.414), (2, 2.0), (2.2, 2.245), (2.5, 2.520), (2.8, 2.828), (3.2, 3.175),
        (3.5, 3.564), (4, 4.0), (4.5, 4.490), (5, 5.040), (5.6, 5.657), (6.3, 6.350), (7.1, 7.127),
        (8, 8.0), (9, 8.980), (10, 10.079), (11, 11.314), (13, 12.699), (14, 14.254), (16, 16.0),
        (18, 17.959), (20, 20.159), (22, 22.627), (32, 32.0),
    ],
)  # fmt: skip
def test_marked_apertures_stand_for_exact_third_stops(nominal_n: float, exact_n: float) -> None:
    """Marks are common practice; exact values 2^(k/6) follow from APEX, DC-008 annex C."""
    assert exact_aperture_n(nominal_n) == pytest.approx(exact_n, abs=5e-4)


@given(apertures)
def test_exact_aperture_is_a_fixed_point_within_a_sixth_of_a_stop(aperture_n: float) -> None:
    exact = exact_aperture_n(aperture_n)
    assert exact_aperture_n(exact) == pytest.approx(exact, rel=1e-12)
    assert abs(2 * math.log2(exact / aperture_n)) <= 1 / 6 + 1e-9


@given(apertures, pitches_um)
def test_stopping_down_never_sharpens(aperture_n: float, pitch_um: float) -> None:
    smaller_n = aperture_n * 2 ** (1 / 6)
    assert ceiling_mtf50_cpp(smaller_n, pitch_um) < ceiling_mtf50_cpp(aperture_n, pitch_um)
    assert ceiling_edge_width_px(smaller_n, pitch_um) > ceiling_edge_width_px(aperture_n, pitch_um)


@given(apertures, pitches_um)
def test_ceiling_depends_on_the_ratio_of_aperture_and_pitch_alone(
    aperture_n: float, pitch_um: float
) -> None:
    scaled = ceiling_edge_width_px(2 * aperture_n, 2 * pitch_um)
    assert scaled == pytest.approx(ceiling_edge_width_px(aperture_n, pitch_um), rel=1e-6)


def test_airy_fwhm_is_about_one_wavelength_times_aperture() -> None:
    """1.029 wavelength N (computed from 2 J1(z) / z): places our Rayleigh radius on the pattern."""
    half = brentq(lambda z: (2 * j1(z) / z) ** 2 - 0.5, 0.1, 3.0)
    zero = math.pi * rayleigh_separation_um(8) / (0.55 * 8)
    assert 2 * half / math.pi == pytest.approx(1.029, abs=5e-4)
    assert j1(zero) == pytest.approx(0.0, abs=1e-6)


def test_light_in_the_ring_agrees_with_the_summed_pattern() -> None:
    """The reference used above is itself sound: its line edge equals a direct 2-D sum."""

    def strip(place: float) -> float:
        def ring(radius: float) -> float:
            z = math.pi * radius
            bright = (2 * j1(z) / z) ** 2 * math.pi / 4
            return float(bright * 2 * radius * math.acos(place / radius))

        return float(quad(ring, place, 60.0, limit=2000)[0])

    # What lies past 60 is left out: 2 / (pi^2 60) of all light at most, of which half counts.
    assert airy_light_beyond(0.5) == pytest.approx(strip(0.5), abs=2e-3)


@pytest.mark.parametrize("wrong", [0.0, -8.0, math.nan, math.inf])
def test_impossible_apertures_and_pitches_are_refused(wrong: float) -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: airy_diameter_um(wrong),
        lambda: cutoff_cpmm(8, wrong),
        lambda: ceiling_mtf50_cpp(8, wrong),
        lambda: ceiling_edge_width_px(wrong, 4),
        lambda: ceiling_sigma_px(8, wrong),
        lambda: exact_aperture_n(wrong),
        lambda: diffraction_limited_n(wrong, DiffractionCriterion.AIRY_3_PX),
    )
    for call in calls:
        with pytest.raises(ValueError, match="must be a finite number above 0"):
            call()


def test_negative_frequencies_are_refused() -> None:
    with pytest.raises(ValueError, match="cutoff_share"):
        diffraction_mtf(-0.1)
    with pytest.raises(ValueError, match="frequency_cpp"):
        pixel_mtf(-0.1)
