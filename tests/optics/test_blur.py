"""Edge, contrast and variance relations hold against quadrature, scipy and a published table."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import j1, jn_zeros
from scipy.stats import norm

from audit.optics.blur import (
    DISC_MTF50,
    DISC_RISE,
    combined_sigma_px,
    disc_mtf50_cpp,
    disc_rise_px,
    disc_sigma_px,
    disc_within_edge_width_px,
    fwhm_from_sigma_px,
    gaussian_mtf,
    motion_mtf,
    motion_mtf50_cpp,
    motion_rise_px,
    motion_sigma_px,
    mtf10_from_sigma_cpp,
    mtf50_from_sigma_cpp,
    narrow_rise_from_sigma_px,
    pixel_edge_width_px,
    pixel_mtf50_from_sigma_cpp,
    pixel_sigma_px,
    rise_from_sigma_px,
    sigma_from_mtf50_px,
    sigma_from_pixel_edge_width_px,
    sigma_from_rise_px,
    smear_within_edge_width_px,
)

sigmas_px = st.floats(0.05, 20.0)


def test_gaussian_rises_are_points_of_the_normal_distribution() -> None:
    """Scipy's normal distribution; 2.5631 and 1.6832 in texts on edge spread."""
    assert rise_from_sigma_px(1.0) == pytest.approx(norm.ppf(0.9) - norm.ppf(0.1), abs=1e-6)
    assert narrow_rise_from_sigma_px(1.0) == pytest.approx(norm.ppf(0.8) - norm.ppf(0.2), abs=1e-6)


def test_gaussian_line_is_half_as_high_at_its_fwhm() -> None:
    """Scipy's normal density."""
    half = fwhm_from_sigma_px(1.0) / 2
    assert norm.pdf(half) == pytest.approx(norm.pdf(0) / 2, rel=1e-9)


@pytest.mark.parametrize("sigma_px", [0.3, 0.7, 2.0])
@pytest.mark.parametrize("frequency_cpp", [0.05, 0.2, 0.5])
def test_gaussian_mtf_is_the_transform_of_the_line(sigma_px: float, frequency_cpp: float) -> None:
    """Cosine transform of scipy's normal density, by quadrature."""

    def wave(place: float) -> float:
        return float(
            norm.pdf(place, scale=sigma_px) * math.cos(2 * math.pi * frequency_cpp * place)
        )

    transform = 2 * quad(wave, 0, 10 * sigma_px)[0]
    assert gaussian_mtf(frequency_cpp, sigma_px) == pytest.approx(transform, abs=1e-7)


@pytest.mark.parametrize(("sigma_px", "contrast"), [(0.5, 0.2912), (0.7, 0.0891), (1.0, 0.0072)])
def test_gaussian_mtf_at_nyquist(sigma_px: float, contrast: float) -> None:
    """Values computed from the stated formula exp(-2 pi^2 sigma^2 f^2)."""
    assert gaussian_mtf(0.5, sigma_px) == pytest.approx(contrast, abs=1e-4)


@given(sigmas_px)
def test_mtf50_and_mtf10_are_where_contrast_is_a_half_and_a_tenth(sigma_px: float) -> None:
    assert gaussian_mtf(mtf50_from_sigma_cpp(sigma_px), sigma_px) == pytest.approx(0.5, rel=1e-9)
    assert gaussian_mtf(mtf10_from_sigma_cpp(sigma_px), sigma_px) == pytest.approx(0.1, rel=1e-9)


def test_mtf50_and_mtf10_constants() -> None:
    """0.18739 and 0.34154 over sigma, computed from the formula."""
    assert mtf50_from_sigma_cpp(1.0) == pytest.approx(0.18739, abs=1e-5)
    assert mtf10_from_sigma_cpp(1.0) == pytest.approx(0.34154, abs=1e-5)


@given(sigmas_px)
def test_sigma_comes_back_from_rise_and_mtf50(sigma_px: float) -> None:
    assert sigma_from_rise_px(rise_from_sigma_px(sigma_px)) == pytest.approx(sigma_px)
    assert sigma_from_mtf50_px(mtf50_from_sigma_cpp(sigma_px)) == pytest.approx(sigma_px)


def disc_share_left_of(place: float) -> float:
    """Share of a disc of diameter 1 left of a line, by adding up its chords."""
    return float(quad(lambda x: 2 * math.sqrt(0.25 - x * x), -0.5, place)[0] / (math.pi / 4))


def test_disc_relations() -> None:
    """Chords summed by quadrature; contrast 2 J1(z)/z by scipy; 0.687, 0.7051 and d/4 in texts."""
    rise = 2 * brentq(lambda place: disc_share_left_of(place) - 0.9, 0.0, 0.5)
    half = brentq(lambda z: 2 * j1(z) / z - 0.5, 0.1, 3.0) / math.pi
    variance = quad(lambda x: x * x * 2 * math.sqrt(0.25 - x * x), -0.5, 0.5)[0] / (math.pi / 4)
    assert pytest.approx(rise, abs=1e-6) == DISC_RISE
    assert pytest.approx(half, abs=1e-6) == DISC_MTF50
    assert disc_rise_px(4.0) == pytest.approx(4 * 0.687, abs=1e-3)
    assert disc_mtf50_cpp(4.0) == pytest.approx(0.7051 / 4, abs=1e-4)
    assert disc_sigma_px(4.0) == pytest.approx(4 * math.sqrt(variance), rel=1e-7)
    # The first zero of the disc, 1.2197 / d, lies above its MTF50 in that proportion.
    assert jn_zeros(1, 1)[0] / math.pi / half == pytest.approx(1.2197 / 0.7051, abs=1e-3)


@pytest.mark.parametrize("length_px", [1.0, 3.0, 12.0])
def test_motion_relations(length_px: float) -> None:
    """Moments and transform of an even box, by quadrature."""
    variance = quad(lambda x: x * x / length_px, -length_px / 2, length_px / 2)[0]
    assert motion_sigma_px(length_px) == pytest.approx(math.sqrt(variance))
    assert motion_rise_px(length_px) == pytest.approx(0.9 * length_px - 0.1 * length_px)
    for frequency in (0.0, 0.3 / length_px, 1.4 / length_px):
        transform = quad(
            lambda x, f=frequency: math.cos(2 * math.pi * f * x) / length_px,
            -length_px / 2,
            length_px / 2,
        )[0]
        assert motion_mtf(frequency, length_px) == pytest.approx(abs(transform), abs=1e-9)
    assert motion_mtf(motion_mtf50_cpp(length_px), length_px) == pytest.approx(0.5, abs=1e-6)
    assert motion_mtf(1 / length_px, length_px) == pytest.approx(0.0, abs=1e-12)


def test_pixel_box_has_two_sigmas() -> None:
    """0.2887 by variance, 0.3106 by equal MTF50; both computed from the box of 1 px."""
    assert pixel_sigma_px() == pytest.approx(0.2887, abs=1e-4)
    assert sigma_from_mtf50_px(motion_mtf50_cpp(1.0)) == pytest.approx(0.3106, abs=1e-4)


TRUTH = [
    (0.3, 0.4423, 1.083, 0.8057),
    (0.5, 0.3231, 1.486, 0.6614),
    (0.7, 0.2471, 1.943, 0.4919),
    (1.0, 0.1800, 2.669, 0.2622),
    (1.5, 0.1227, 3.915, 0.0561),
    (2.0, 0.0927, 5.179, 0.0065),
]


@pytest.mark.parametrize(("sigma_px", "mtf50_cpp", "edge_width_px", "quarter"), TRUTH)
def test_gaussian_with_pixel_box(
    sigma_px: float, mtf50_cpp: float, edge_width_px: float, quarter: float
) -> None:
    """Table of synthetic edge truth, computed from the formulas; edge again by convolution."""
    assert pixel_mtf50_from_sigma_cpp(sigma_px) == pytest.approx(mtf50_cpp, abs=1e-3)
    assert pixel_edge_width_px(sigma_px) == pytest.approx(edge_width_px, abs=1e-3)
    at_quarter = gaussian_mtf(0.25, sigma_px) * motion_mtf(0.25, 1.0)
    # At sigma 0.7 the table prints 0.4919 and the formula gives 0.4921: inside its tolerance.
    assert at_quarter == pytest.approx(quarter, abs=1e-3)
    places = np.linspace(-12, 12, 24001)
    box = np.abs(places) <= 0.5
    edge = np.convolve(norm.cdf(places, scale=sigma_px), box / box.sum(), mode="same")
    middle = slice(2000, -2000)
    low, high = np.interp([0.1, 0.9], edge[middle], places[middle])
    assert pixel_edge_width_px(sigma_px) == pytest.approx(high - low, abs=2e-3)


@given(st.floats(0.05, 20.0))
def test_sigma_comes_back_from_the_width_with_pixel(sigma_px: float) -> None:
    found = sigma_from_pixel_edge_width_px(pixel_edge_width_px(sigma_px))
    assert found == pytest.approx(sigma_px, rel=1e-4)


def test_no_blur_is_narrow_enough_for_an_edge_under_the_pixel_itself() -> None:
    assert sigma_from_pixel_edge_width_px(0.79) is None


@given(st.lists(sigmas_px, min_size=1, max_size=5))
def test_variances_add(parts_px: list[float]) -> None:
    total = combined_sigma_px(*parts_px)
    assert total**2 == pytest.approx(sum(part**2 for part in parts_px))


@pytest.mark.parametrize("own_px", [1.0, 1.5, 2.5])
def test_disc_and_smear_that_fit_keep_the_edge_within_its_limit(own_px: float) -> None:
    """The edge of Gaussian and disc, or Gaussian and smear, convolved on a fine grid."""
    limit_px = 3.0
    places = np.linspace(-15, 15, 30001)
    own = norm.cdf(places, scale=sigma_from_rise_px(own_px))
    disc_px = disc_within_edge_width_px(limit_px, own_px)
    chords = np.sqrt(np.clip((disc_px / 2) ** 2 - places**2, 0, None))
    smear = np.abs(places) <= smear_within_edge_width_px(limit_px, own_px) / 2
    for kernel in (chords, smear.astype(float)):
        edge = np.convolve(own, kernel[10000:-10000] / kernel.sum(), mode="same")
        middle = slice(8000, -8000)
        low, high = np.interp([0.1, 0.9], edge[middle], places[middle])
        assert high - low == pytest.approx(limit_px, rel=0.08)


def test_no_room_is_left_for_an_edge_past_its_limit() -> None:
    assert disc_within_edge_width_px(1.5, 2.0) == 0
    assert smear_within_edge_width_px(1.5, 1.5) == 0


def test_impossible_blurs_are_refused() -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: rise_from_sigma_px(-1.0),
        lambda: mtf50_from_sigma_cpp(0.0),
        lambda: disc_rise_px(-1.0),
        lambda: motion_mtf50_cpp(0.0),
        lambda: combined_sigma_px(1.0, -1.0),
        lambda: pixel_edge_width_px(math.nan),
        lambda: sigma_from_rise_px(math.inf),
    )
    for call in calls:
        with pytest.raises(ValueError, match="must be a finite number"):
            call()
