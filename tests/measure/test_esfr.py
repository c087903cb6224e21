"""MTF50 and rise of the stacked profile, against formulas and a physics library."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from planted_steps import (
    F64,
    LOW_DN,
    blurred_step,
    gaussian_mtf50_cpp,
    gaussian_rise_px,
    slanted_stripes,
    stripes_from,
)
from prysm.otf import diffraction_limited_mtf

from audit.measure.esfr import BINS, Profiles, edge_shape
from audit.measure.noise import NoiseModel
from audit.measure.sharpness_map import SharpnessResult, measure_sharpness

STEP_TO_NOISE = 120.0
QUIET = NoiseModel(gain_dn=0.0, floor_dn2=1.0)


def mosaic(plane: F64, parity: int, seed: int = 0) -> NDArray[np.uint16]:
    """Bayer plane: green samples kept, the others without any relation to the scene."""
    row, col = np.indices(plane.shape)
    other = np.random.default_rng(seed).uniform(600, 9000, plane.shape)
    return np.rint(np.where((row + col) % 2 == parity, plane, other)).astype(np.uint16)


def measured(plane: NDArray[np.uint16], parity: int | None, noise: NoiseModel) -> SharpnessResult:
    result = measure_sharpness(
        plane, black_dn=512.0, clipped_dn=16_000.0, noise=noise, green_parity=parity
    )
    assert result.measurable
    return result


@pytest.mark.parametrize("sigma_px", [0.4, 0.5, 0.7, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("parity", [None, 0, 1])
@pytest.mark.parametrize("noisy", [False, True])
def test_slanted_edges_read_their_formula(sigma_px: float, parity: int | None, noisy: bool) -> None:
    """Gaussian times pixel: MTF = exp(-2 pi^2 sigma^2 f^2) sinc; clean and at step/noise 120.

    5 degrees is the slant of ISO 12233.
    """
    theta = math.radians(5.0)
    plane = 512.0 + slanted_stripes(sigma_px=sigma_px, theta=theta)
    noise = QUIET
    if noisy:
        sigma_dn = 6000.0 / STEP_TO_NOISE
        plane = plane + np.random.default_rng(3).normal(0.0, sigma_dn, plane.shape)
        noise = NoiseModel(gain_dn=0.0, floor_dn2=sigma_dn**2)
    whole = mosaic(plane, parity) if parity is not None else np.rint(plane).astype(np.uint16)

    result = measured(whole, parity, noise)

    assert result.mtf50_cpp == pytest.approx(gaussian_mtf50_cpp(sigma_px, theta), rel=0.03)
    assert result.edge_width_px == pytest.approx(gaussian_rise_px(sigma_px, theta), rel=0.03)


@pytest.mark.parametrize(
    ("sigma_px", "mtf50_cpp", "rise_px"),
    [(0.5, 0.3231, 1.486), (0.7, 0.2471, 1.943), (1.0, 0.1800, 2.669), (2.0, 0.0927, 5.179)],
)
def test_planted_edges_have_the_published_values(
    sigma_px: float, mtf50_cpp: float, rise_px: float
) -> None:
    """Values of a Gaussian with a 1-px box, computed elsewhere (common practice, no source)."""
    assert gaussian_mtf50_cpp(sigma_px, 0.0) == pytest.approx(mtf50_cpp, abs=2e-4)
    assert gaussian_rise_px(sigma_px, 0.0) == pytest.approx(rise_px, abs=2e-3)


@pytest.mark.parametrize("theta_deg", [33.0, 63.0, 118.0])
def test_direction_does_not_matter(theta_deg: float) -> None:
    theta = math.radians(theta_deg)
    plane = mosaic(512.0 + slanted_stripes(sigma_px=0.6, theta=theta), 1)

    result = measured(plane, 1, QUIET)

    assert result.mtf50_cpp == pytest.approx(gaussian_mtf50_cpp(0.6, theta), rel=0.03)


def diffraction_mtf(aperture_n: float, pitch_um: float, frequency_cpp: F64) -> F64:
    """Perfect lens (prysm) times pixel square, normal along a row."""
    cutoff_cpp = pitch_um / (0.55 * aperture_n)
    inside = frequency_cpp < cutoff_cpp
    lens = np.zeros(frequency_cpp.shape)
    lens[inside] = diffraction_limited_mtf(
        aperture_n, 0.55, frequencies=frequency_cpp[inside] * 1000.0 / pitch_um
    )
    pixel: F64 = np.sinc(frequency_cpp)
    return lens * pixel


@pytest.mark.parametrize("aperture_n", [8.0, 11.0, 16.0, 22.0])
def test_diffraction_limited_edges(aperture_n: float) -> None:
    """Edges of a perfect lens on 4.14 um pixels; PyPI package prysm gives the modulation.

    The tail of diffraction reaches beyond any patch: the reading is up to 3.5 % high.
    """
    frequency = (np.arange(2400) + 0.5) * 0.0005
    mtf = diffraction_mtf(aperture_n, 4.14, frequency)
    x = np.linspace(-700.0, 700.0, 35_001)
    near = np.abs(x) < 130.0
    wave = np.sin(2 * np.pi * frequency * x[near][:, None]) / (np.pi * frequency)
    profile = np.where(x > 0, 1.0, 0.0)
    profile[near] = 0.5 + wave @ mtf * (frequency[1] - frequency[0])
    theta = math.radians(5.0)
    plane = 512.0 + stripes_from(lambda d: np.interp(d, x, profile), theta=theta, spacing_px=80.0)

    result = measured(mosaic(plane, 1), 1, QUIET)

    truth_cpp = float(np.interp(-0.5, -mtf, frequency))
    assert result.mtf50_cpp == pytest.approx(truth_cpp, rel=0.04)


def test_profile_of_a_gaussian_is_the_gaussian() -> None:
    """No departure: MTF50 sigma = sqrt(ln 2 / 2) / pi and rise = 2 x 1.28155 sigma, exactly."""
    flat = Profiles(departure=np.zeros((3, BINS)), samples=np.ones((3, BINS)))

    shape = edge_shape(flat, np.ones(3))

    assert shape.mtf50_sigma == pytest.approx(math.sqrt(math.log(2) / 2) / math.pi, rel=1e-3)
    assert shape.rise_per_sigma == pytest.approx(2.5631, rel=5e-3)


def test_one_disturbed_edge_does_not_move_the_profile() -> None:
    """Nine clean edges and one whose flank carries a neighbour's detail."""
    departure = np.zeros((10, BINS))
    departure[0, 10:] = -0.3
    ten = Profiles(departure=departure, samples=np.ones((10, BINS)))

    assert abs(edge_shape(ten, np.ones(10)).departure[-1]) < 0.002


def test_planted_step_is_a_step() -> None:
    """The planted profile runs from 0 to 1 and is symmetric: the tests above rest on it."""
    x = np.array([-9.0, 0.0, 9.0])

    assert blurred_step(x, sigma_px=0.5, theta=0.4) == pytest.approx([0.0, 0.5, 1.0], abs=1e-9)
    assert slanted_stripes(sigma_px=0.5, theta=0.1).min() == pytest.approx(LOW_DN, abs=1.0)
