"""Energy orders the frames of one scene; the Laplacian's variance is that of other people."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, laplace, uniform_filter1d

from audit.measure.energy import energy, laplacian_variance
from audit.measure.noise import NoiseModel

Plane = NDArray[np.float32]
QUIET = NoiseModel(gain_dn=0.0, floor_dn2=1e-6)


def scene(seed: int = 1, side: int = 400) -> Plane:
    """Overlapping discs of many sizes and tones."""
    rng = np.random.default_rng(seed)
    picture = np.full((side, side), 2000.0, np.float32)
    row, col = np.mgrid[:side, :side]
    for radius in 40.0 * rng.random(300) ** 2 + 2:
        y, x = rng.uniform(0, side, 2)
        picture[(row - y) ** 2 + (col - x) ** 2 < radius**2] = rng.uniform(300, 8000)
    return picture


def energy_of(plane: Plane, noise: NoiseModel = QUIET, parity: int | None = None) -> float:
    return energy(plane, black_dn=0.0, noise=noise, green_parity=parity)


@pytest.mark.parametrize("parity", [None, 0, 1])
def test_more_blur_is_less_energy(parity: int | None) -> None:
    blurred = [gaussian_filter(scene(), sigma) for sigma in (0.5, 0.8, 1.2, 2.0, 3.0, 5.0)]

    found = [energy_of(plane, parity=parity) for plane in blurred]

    assert found == sorted(found, reverse=True)
    assert found[0] > 3 * found[-1]


def test_exposure_and_contrast_cancel() -> None:
    plane = gaussian_filter(scene(), 1.0)

    assert energy_of(plane * 0.25 + 500) == pytest.approx(energy_of(plane), rel=1e-4)


def test_noise_does_not_pass_for_detail() -> None:
    """A soft frame at high ISO stays below a sharp one at low ISO."""
    rng = np.random.default_rng(2)
    noisy = gaussian_filter(scene(), 3.0) + rng.normal(0, 150, (400, 400)).astype(np.float32)
    sharp = gaussian_filter(scene(), 1.0)

    assert energy_of(noisy, NoiseModel(gain_dn=0.0, floor_dn2=150.0**2)) < energy_of(sharp)


@pytest.mark.parametrize("axis", [0, 1])
def test_a_smear_ranks_below_an_even_blur_that_is_narrower_than_it(axis: int) -> None:
    """Crisp along one direction is no help: the worst direction counts."""
    smeared = uniform_filter1d(scene(), 9, axis=axis)
    even = gaussian_filter(scene(), 1.5)

    assert energy_of(smeared) < energy_of(even)


def test_planes_too_small_have_none() -> None:
    assert energy_of(np.ones((8, 8), np.float32)) == 0.0


def test_laplacian_variance_is_scipys_when_there_is_no_noise() -> None:
    """Variance of `scipy.ndimage.laplace`, away from the border."""
    plane = gaussian_filter(scene(side=256), 1.0)

    found = laplacian_variance(plane, black_dn=0.0, noise=QUIET, green_parity=None)

    assert found == pytest.approx(float(laplace(plane)[1:-1, 1:-1].var()), rel=0.05)


def test_the_laplacian_of_pure_noise_is_removed() -> None:
    """White noise of variance s^2 reads 20 s^2: the sum of squares of the kernel."""
    plane = np.random.default_rng(3).normal(1000, 10, (800, 800)).astype(np.float32)
    nothing = NoiseModel(gain_dn=0.0, floor_dn2=0.0)
    known = NoiseModel(gain_dn=0.0, floor_dn2=100.0)

    raw = laplacian_variance(plane, black_dn=0.0, noise=nothing, green_parity=None)
    corrected = laplacian_variance(plane, black_dn=0.0, noise=known, green_parity=None)

    assert raw == pytest.approx(2000.0, rel=0.02)
    assert corrected < 0.03 * raw
