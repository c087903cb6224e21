"""Histogram in stops: levels of known distance from saturation fall where they must."""

import numpy as np
import pytest

from audit.measure.stops_histogram import (
    BINS,
    LOWEST_EV,
    SAMPLES_WANTED,
    STEP_EV,
    histogram_of_developed,
    histogram_of_mosaic,
)

RGGB = np.array([[0, 1], [1, 2]], np.uint8)
BLACK = np.zeros((2, 2), np.float32)


def bin_of(level_ev: float) -> int:
    return min(int((level_ev - LOWEST_EV) / STEP_EV + 1e-6), BINS - 1)


@pytest.mark.parametrize("stops", [0, 1, 3, 7, 12])
def test_a_level_falls_into_the_bin_of_its_stops(stops: int) -> None:
    samples = np.full((100, 100), 2 ** (13 - stops), np.uint16)

    red, green, blue = histogram_of_mosaic(samples, RGGB, BLACK, (2.0**13,) * 3).shares

    for shares in (red, green, blue):
        assert shares is not None
        assert shares[bin_of(-stops)] == 1.0
        assert sum(shares) == 1.0


def test_black_and_darker_fall_into_the_first_bin() -> None:
    samples = np.zeros((40, 40), np.uint16)

    shares = histogram_of_mosaic(samples, RGGB, BLACK + 5, (1000.0,) * 3).shares[1]

    assert shares is not None
    assert shares[0] == 1.0


def test_the_share_is_known_to_the_error_that_is_stated() -> None:
    """Half the samples at one level, half at another, thinned: within four standard errors."""
    rng = np.random.default_rng(2)
    samples = np.where(rng.random((2400, 3000)) < 0.5, 4096, 1024).astype(np.uint16)

    found = histogram_of_mosaic(samples, RGGB, BLACK, (8192.0,) * 3)

    assert found.samples >= SAMPLES_WANTED
    shares = found.shares[0]
    assert shares is not None
    assert shares[bin_of(-1)] == pytest.approx(0.5, abs=4 * found.error_share)


def test_a_developed_picture_goes_through_its_curve() -> None:
    codes = np.full((50, 50, 3), 128, np.uint8)
    curve = (np.linspace(0, 1, 256, dtype=np.float32) ** 2,)

    shares = histogram_of_developed(codes, curve).shares[2]

    assert shares is not None
    assert shares[bin_of(2 * np.log2(128 / 255))] == 1.0


def test_grey_has_one_colour() -> None:
    codes = np.full((50, 50), 255, np.uint8)

    red, grey, blue = histogram_of_developed(
        codes, (np.linspace(0, 1, 256, dtype=np.float32),)
    ).shares

    assert red is None
    assert blue is None
    assert grey is not None
    assert grey[-1] == 1.0
