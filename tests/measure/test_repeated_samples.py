"""Lost sectors are told from light: planted damage is found whole, sound frames have none."""

import numpy as np
import pytest
from numpy.typing import NDArray

from audit.measure.repeated_samples import repeated_share

ROWS, COLS = 300, 701
BLACK_DN, WHITE_DN = 512, 16383


def scene(*, gain: float = 1.0, black_dn: int = BLACK_DN, seed: int = 5) -> NDArray[np.uint16]:
    """A hill under a bright sky, with shot and read noise; the gain clips the sky."""
    chance = np.random.default_rng(seed)
    rows, cols = np.mgrid[:ROWS, :COLS]
    hill = 120 + 40 * np.sin(cols / 60) + 0.02 * cols
    light = 300 + 7000 / (1 + np.exp((rows - hill) / 0.8)) + 600 * (rows / ROWS)
    signal = light * gain
    noisy = signal + chance.normal(0, 1, signal.shape) * np.sqrt(signal * 0.3 + 9) + black_dn
    return np.clip(np.rint(noisy), 0, WHITE_DN).astype(np.uint16)


def filled(samples: NDArray[np.uint16], start: int, length: int, value: int) -> NDArray[np.uint16]:
    flat = samples.copy().reshape(-1)
    flat[start : start + length] = value
    return flat.reshape(samples.shape)


@pytest.mark.parametrize("black_dn", [0, BLACK_DN])
@pytest.mark.parametrize("gain", [0.001, 0.05, 1.0, 2.0, 8.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_sound_frames_have_no_such_runs(black_dn: int, gain: float, seed: int) -> None:
    """From black nights to clipped skies."""
    assert repeated_share(scene(gain=gain, black_dn=black_dn, seed=seed)) == 0.0


@pytest.mark.parametrize(
    "value",
    [0, 60, WHITE_DN],
    ids=["black", "grey", "clipped"],
)
def test_one_value_everywhere_is_no_damage(value: int) -> None:
    """A lens cap, a chart without noise, a frame lost to light: nothing has a border."""
    assert repeated_share(np.full((ROWS, COLS), value, np.uint16)) == 0.0


def test_dark_bars_along_the_borders_are_no_damage() -> None:
    """Bars that end with a row, as masked borders do."""
    samples = scene()
    samples[:30] = 0
    samples[-30:] = 0
    samples[:, :20] = 0

    assert repeated_share(samples) == 0.0


def test_a_level_horizon_under_a_clipped_sky_is_no_damage() -> None:
    """The straightest border that light draws: soft by the lens, with noise."""
    chance = np.random.default_rng(6)
    rows, cols = np.mgrid[:ROWS, :COLS]
    light = 20000 / (1 + np.exp((rows - 150 - 0.001 * cols) / 0.7)) + 900
    noisy = light + chance.normal(0, 1, light.shape) * np.sqrt(light * 0.3) + BLACK_DN
    assert repeated_share(np.clip(noisy, 0, WHITE_DN).astype(np.uint16)) == 0.0


@pytest.mark.parametrize("black_dn", [0, BLACK_DN])
@pytest.mark.parametrize("share", [0.01, 0.1, 0.5, 0.9])
def test_zeros_to_the_end_are_found_with_their_share(black_dn: int, share: float) -> None:
    samples = scene(black_dn=black_dn)
    length = int(share * samples.size) + 137  # not a whole number of rows

    damaged = filled(samples, samples.size - length, length, 0)

    assert repeated_share(damaged) == pytest.approx(length / samples.size, rel=0.02)


@pytest.mark.parametrize("value", [0, WHITE_DN, 65535])
@pytest.mark.parametrize("start", [33_333, 101_010, 177_777])
def test_lost_sectors_are_found_with_their_share(value: int, start: int) -> None:
    samples = scene()
    length = 16 * 256

    damaged = filled(samples, start, length, value)

    assert repeated_share(damaged) == pytest.approx(length / samples.size, rel=0.01)


def test_a_single_lost_sector_is_found() -> None:
    damaged = filled(scene(), 150 * COLS + 100, 256, 0)

    assert repeated_share(damaged) == pytest.approx(256 / damaged.size, rel=0.02)


def test_pictures_too_small_to_tell_are_left_alone() -> None:
    assert repeated_share(np.zeros((4, 4), np.uint16)) == 0.0
