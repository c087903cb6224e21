"""Noise that was put in comes out again, and rounding to codes is noise too."""

import numpy as np
import pytest
from numpy.typing import NDArray

from audit.measure.noise import NoiseModel, fit_noise, with_code_steps

BLACK, CLIPPED = 512.0, 16000.0


def lit_ramp(gain_dn: float, read_dn: float, seed: int = 1) -> NDArray[np.uint16]:
    """Twelve even fields from dark to bright with Poisson-Gauss noise, as a sensor draws them."""
    rng = np.random.default_rng(seed)
    level = np.repeat(np.linspace(20, 9000, 12), 100)[None, :].repeat(800, axis=0)
    noise = rng.normal(0, np.sqrt(gain_dn * level + read_dn**2))
    return np.clip(np.rint(BLACK + level + noise), 0, 16383).astype(np.uint16)


@pytest.mark.parametrize("parity", [0, 1, None])
@pytest.mark.parametrize(("gain_dn", "read_dn"), [(0.25, 3.0), (0.34, 1.2), (3.0, 8.0)])
def test_planted_noise_is_found(gain_dn: float, read_dn: float, parity: int | None) -> None:
    """Handbook model: var = K mu + K^2 read^2 + 1/12 (EMVA 1288); K .25, mu 4000 DN: 1000."""
    found = fit_noise(
        lit_ramp(gain_dn, read_dn), black_dn=BLACK, clipped_dn=CLIPPED, green_parity=parity
    )

    planted = np.sqrt(gain_dn * 3000 + read_dn**2)
    assert float(found.sigma_dn(3000.0)) == pytest.approx(planted, rel=0.10)


def test_more_light_is_more_noise() -> None:
    found = fit_noise(lit_ramp(0.34, 1.2), black_dn=BLACK, clipped_dn=CLIPPED, green_parity=None)

    assert found.sigma_dn(8000.0) > found.sigma_dn(100.0)


def test_a_picture_too_small_for_blocks_has_the_floor_of_rounding() -> None:
    """Uniform rounding to whole DN has a variance of 1/12."""
    found = fit_noise(
        np.full((4, 4), 600, np.uint16), black_dn=BLACK, clipped_dn=CLIPPED, green_parity=None
    )

    assert (found.gain_dn, found.floor_dn2) == (0.0, pytest.approx(1 / 12))


def test_a_developed_plane_is_never_surer_than_its_codes() -> None:
    """IEC 61966-2-1: code 1 is 0.000304 linear; mid-grey lies between codes 117 and 118.

    On a scale of 65535 the step at black is 19.9 DN, that from code 117 to 118 is 215 DN.
    """
    codes = np.arange(256) / 255
    curve = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)

    found = with_code_steps(
        NoiseModel(gain_dn=0.0, floor_dn2=1 / 12), curve.astype(np.float32), 65535.0
    )

    assert float(found.sigma_dn(0.0)) == pytest.approx(19.9 / np.sqrt(12), rel=0.01)
    assert float(found.sigma_dn(0.18 * 65535)) == pytest.approx(215 / np.sqrt(12), rel=0.01)


def test_real_noise_above_the_codes_is_kept() -> None:
    noise = NoiseModel(gain_dn=50.0, floor_dn2=9000.0)

    assert with_code_steps(noise, np.linspace(0, 1, 256, dtype=np.float32), 65535.0) == noise
