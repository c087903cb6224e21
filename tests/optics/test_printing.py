"""Print sizes, the eye, noise and print sharpness agree with standards and published values."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from audit.optics.blur import gaussian_mtf
from audit.optics.printing import (
    ARCMIN_PER_RADIAN,
    BEST_ACUITY_CPD,
    SHARP_EDGE_WIDTH_PX,
    SNR_ACCEPTABLE,
    SNR_EXCELLENT,
    SQF_BAND_CPD,
    acutance,
    arcmin_mm,
    cm_from_inch,
    eye_limit_cpmm,
    foot_from_m,
    inch_from_cm,
    m_from_foot,
    needed_ppi,
    needed_snr,
    pixels_per_arcmin,
    print_edge_width_px,
    print_long_at_ppi_cm,
    print_long_cm,
    print_ppi,
    print_sigma_mm,
    print_viewing_cm,
    subjective_quality_factor,
)

lengths = st.floats(0.01, 1e5)


@given(lengths)
def test_lengths_come_back(length: float) -> None:
    assert cm_from_inch(inch_from_cm(length)) == pytest.approx(length, rel=1e-12)
    assert m_from_foot(foot_from_m(length)) == pytest.approx(length, rel=1e-12)


def test_inch_and_foot_are_those_of_1959() -> None:
    """International yard and pound agreement, 1959: 1 inch 25.4 mm, 1 foot 12 inches."""
    assert cm_from_inch(36) == pytest.approx(91.44)
    assert m_from_foot(1) == pytest.approx(cm_from_inch(12) / 100)
    assert foot_from_m(100) == pytest.approx(328.084, abs=1e-3)


def test_arcmin_per_radian() -> None:
    """A radian is 180 x 60 / pi arc-minutes, and 1' is small."""
    assert pytest.approx(180 * 60 / math.pi, rel=1e-6) == ARCMIN_PER_RADIAN


@pytest.mark.parametrize(
    ("viewing_cm", "arcmin", "ppi", "line_pairs", "best_ppi"),
    [
        (25, 0.0727, 349.3, 6.88, 699),
        (30, 0.0873, 291.1, 5.73, 582),
        (40, 0.1164, 218.3, 4.30, 437),
        (50, 0.1454, 174.6, 3.44, 349),
        (75, 0.2182, 116.4, 2.29, 233),
        (100, 0.2909, 87.3, 1.72, 175),
        (150, 0.4363, 58.2, 1.15, 116),
        (200, 0.5818, 43.7, 0.86, 87),
    ],
)
def test_what_the_eye_resolves(
    viewing_cm: float, arcmin: float, ppi: float, line_pairs: float, best_ppi: float
) -> None:
    """20/20 is one arc-minute a line, 30 cycles/degree (optometry); best eyes 60; computed."""
    assert arcmin_mm(viewing_cm) == pytest.approx(arcmin, abs=5.1e-5)
    assert needed_ppi(viewing_cm) == pytest.approx(ppi, abs=0.051)
    assert eye_limit_cpmm(viewing_cm) == pytest.approx(line_pairs, abs=0.0051)
    assert needed_ppi(viewing_cm, BEST_ACUITY_CPD) == pytest.approx(best_ppi, abs=0.51)


@pytest.mark.parametrize(
    ("long_px", "short_px", "sizes_cm"),
    [
        (6000, 4000, ((42.3, 28.2), (50.8, 33.9), (63.5, 42.3), (84.7, 56.4), (101.6, 67.7))),
        (8256, 5504, ((58.3, 38.8), (69.9, 46.6), (87.4, 58.3), (116.5, 77.7), (139.8, 93.2))),
        (9504, 6336, ((67.1, 44.7), (80.5, 53.6), (100.6, 67.1), (134.1, 89.4), (160.9, 107.3))),
        (11648, 8736, ((82.2, 61.6), (98.6, 74.0), (123.3, 92.5), (164.4, 123.3), (197.2, 147.9))),
    ],
)
def test_print_sizes_by_resolution(
    long_px: int, short_px: int, sizes_cm: tuple[tuple[float, float], ...]
) -> None:
    """Pixels over ppi; values computed, rounded to a millimetre."""
    for ppi, (long_cm, short_cm) in zip((360, 300, 240, 180, 150), sizes_cm, strict=True):
        assert print_long_at_ppi_cm(long_px, ppi) == pytest.approx(long_cm, abs=0.051)
        assert print_long_at_ppi_cm(short_px, ppi) == pytest.approx(short_cm, abs=0.051)
        assert print_ppi(long_px, print_long_at_ppi_cm(long_px, ppi)) == pytest.approx(ppi)


def test_a_sharp_50_megapixel_frame_holds_at_60_by_40_inches_from_60_cm() -> None:
    """Common practice, no source: 8256 px seen from about 60 cm; 300 ppi is right at 29 cm."""
    long_inch = inch_from_cm(print_long_cm(8256, 60, SHARP_EDGE_WIDTH_PX))
    assert long_inch == pytest.approx(60, rel=0.1)
    assert needed_ppi(29.1) == pytest.approx(300, abs=1)
    assert needed_ppi(60) == pytest.approx(145, abs=1)


def test_a_softer_frame_holds_proportionally_less() -> None:
    """Long side = pixels x distance / 3437.7 x min(1, 1.5 / edge width)."""
    assert print_long_cm(8256, 50, 1.0) == pytest.approx(8256 * 50 / 3437.7, rel=1e-4)
    assert print_long_cm(8256, 50, 1.5) == print_long_cm(8256, 50, 1.0)
    assert print_long_cm(8256, 50, 3.0) == pytest.approx(8256 * 50 / 3437.7 / 2, rel=1e-4)


@given(st.integers(500, 100_000), st.floats(10, 500), st.floats(1.5, 20))
def test_edge_width_comes_back_from_the_print(
    long_px: int, viewing_cm: float, edge_width_px: float
) -> None:
    long_cm = print_long_cm(long_px, viewing_cm, edge_width_px)
    assert print_edge_width_px(long_px, viewing_cm, long_cm) == pytest.approx(edge_width_px)
    assert print_viewing_cm(long_px, long_cm, edge_width_px) == pytest.approx(viewing_cm)


def test_no_edge_is_sharp_enough_for_a_print_with_too_few_pixels() -> None:
    assert print_edge_width_px(6000, 25, 100) is None
    assert print_edge_width_px(6000, 25, print_long_cm(6000, 25, 1.5)) == pytest.approx(1.5)


def test_pixels_per_arcmin_is_one_where_a_sharp_frame_just_holds() -> None:
    full_cm = print_long_cm(9504, 50, 1.5)
    assert pixels_per_arcmin(9504, full_cm, 50) == pytest.approx(1.0)
    assert pixels_per_arcmin(9504, full_cm / 2, 50) == pytest.approx(2.0)


@pytest.mark.parametrize("size_cm", [(60, 40), (90, 60), (120, 80), (150, 100), (180, 120)])
def test_seen_from_its_diagonal_a_print_of_any_size_needs_the_same_pixels(
    size_cm: tuple[float, float],
) -> None:
    """About 3438 pixels along the diagonal (computed): the distance rule never limits size."""
    diagonal_cm = math.hypot(*size_cm)
    assert needed_ppi(diagonal_cm) * inch_from_cm(diagonal_cm) == pytest.approx(3437.7, rel=1e-4)


@pytest.mark.parametrize(
    ("diagonal_cm", "one", "one_and_half"),
    [(72.1, 121, 81), (108.2, 81, 54), (144.2, 61, 40), (180.3, 48, 32), (216.3, 40, 27)],
)
def test_ppi_needed_at_the_diagonal(diagonal_cm: float, one: float, one_and_half: float) -> None:
    """Prints 60 x 40 to 180 x 120 cm; values computed, whole ppi."""
    assert needed_ppi(diagonal_cm) == pytest.approx(one, abs=0.6)
    assert needed_ppi(1.5 * diagonal_cm) == pytest.approx(one_and_half, abs=0.6)


@pytest.mark.parametrize(
    ("snr", "px_per_cm", "viewing_cm", "needed"),
    [
        (SNR_EXCELLENT, 70, 25, 40),
        (SNR_ACCEPTABLE, 70, 25, 10),
        (SNR_EXCELLENT, 140, 25, 20),
        (SNR_ACCEPTABLE, 35, 25, 20),
        (SNR_EXCELLENT, 70, 50, 20),
    ],
)
def test_noise_criterion(snr: float, px_per_cm: float, viewing_cm: float, needed: float) -> None:
    """ISO 12232:2019, 6.3.2 note 3: 40 and 10 at 70 px/cm and 25 cm, times 70 / (px/cm)."""
    assert needed_snr(snr, px_per_cm, viewing_cm) == pytest.approx(needed)


def test_iso_print_is_30_pixels_a_degree() -> None:
    """ISO 12232:2019, 6.3.2 note 3 says 30 px/degree for 70 px/cm at 25 cm."""
    assert 70 * 25 * math.tan(math.radians(1)) == pytest.approx(30, rel=0.02)
    assert needed_snr(SNR_EXCELLENT, 30 / (25 * math.tan(math.radians(1)))) == pytest.approx(
        SNR_EXCELLENT, rel=0.02
    )


@pytest.mark.parametrize(
    ("sigma_mm", "viewing_cm", "quality"),
    [(0.02, 25, 98.0), (0.05, 25, 88.5), (0.10, 25, 64.4), (0.20, 25, 27.0), (0.10, 50, 88.5)],
)
def test_subjective_quality_factor(sigma_mm: float, viewing_cm: float, quality: float) -> None:
    """Granger & Cupery (1972); values computed for Gaussians; again by scipy over cycles/degree."""
    found = subjective_quality_factor(lambda u: gaussian_mtf(u, sigma_mm), viewing_cm)
    assert found == pytest.approx(quality, abs=0.1)
    sigma_deg = math.degrees(sigma_mm / (10 * viewing_cm))
    area = quad(lambda v: math.exp(-2 * (math.pi * sigma_deg * v) ** 2) / v, 3, 12)[0]
    assert found == pytest.approx(100 * area / math.log(4), abs=1e-4)


def test_quality_band_is_that_of_the_retina() -> None:
    """Granger & Cupery (1972): 10 to 40 cycles/mm on the retina, 17 mm behind the nodal point."""
    for band_cpd, retina_cpmm in zip(SQF_BAND_CPD, (10, 40), strict=True):
        assert band_cpd == pytest.approx(retina_cpmm * math.radians(17), rel=0.02)


@pytest.mark.parametrize(
    ("sigma_arcmin", "value"), [(0.25, 0.960), (0.5, 0.866), (1.0, 0.655), (2.0, 0.380)]
)
def test_acutance(sigma_arcmin: float, value: float) -> None:
    """Baxter et al. (2012), formula from memory; values computed; again by scipy to infinity."""
    found = acutance(lambda v: gaussian_mtf(v, sigma_arcmin / 60))
    assert found == pytest.approx(value, abs=0.002)

    def seen(v: float) -> float:
        return float(v**0.8 * math.exp(-0.2 * v)) * gaussian_mtf(v, sigma_arcmin / 60)

    whole = math.gamma(1.8) / 0.2**1.8
    assert found == pytest.approx(quad(seen, 0, math.inf)[0] / whole, abs=5e-4)


def test_blur_on_paper() -> None:
    """1 px at 254 ppi is 0.1 mm: the inch of 25.4 mm."""
    assert print_sigma_mm(1.0, 254) == pytest.approx(0.1)


def test_impossible_prints_are_refused() -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: arcmin_mm(0),
        lambda: needed_ppi(50, 0),
        lambda: print_long_cm(0, 50, 1.5),
        lambda: print_long_cm(6000, 50, math.nan),
        lambda: print_edge_width_px(6000, 50, 0),
        lambda: print_viewing_cm(6000, -1, 1.5),
        lambda: needed_snr(40, 0),
        lambda: subjective_quality_factor(lambda _: 1.0, 0),
    )
    for call in calls:
        with pytest.raises(ValueError, match="must be a finite number above 0"):
            call()
