"""Energy of fine detail per tile: on drawn noise, blur, light and lines of known place."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from audit.measure.detail_map import (
    LEAST_SHARE_OF_NOISE,
    TILES_LONG,
    TILES_SHORT,
    DetailResult,
    measure_detail,
)
from audit.measure.noise import NoiseModel

SHAPE = (640, 960)
QUIET = NoiseModel(gain_dn=0.0, floor_dn2=4.0)


def measured(plane: NDArray[np.float64], noise: NoiseModel = QUIET) -> DetailResult:
    found = measure_detail(
        plane.astype(np.float32),
        black_dn=0.0,
        saturation_dn=16000.0,
        clipped_dn=15800.0,
        noise=noise,
        green_parity=None,
    )
    assert found is not None
    return found


def texture(seed: int = 0, shape: tuple[int, int] = SHAPE) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    out: NDArray[np.float64] = 4000 + 4000 * gaussian_filter(rng.standard_normal(shape), 1.0)
    return out


def test_noise_alone_reads_as_no_detail() -> None:
    """The noise is drawn with the variance that the model states."""
    rng = np.random.default_rng(1)
    found = measured(3000 + rng.normal(0, 2.0, SHAPE))

    # 6 x 4 DN^2 of noise, half of it as the floor, on a full scale of 16000 DN.
    assert found.log2_floor == pytest.approx(
        np.log2(LEAST_SHARE_OF_NOISE * 6 * 4 / 16000**2), abs=0.01
    )
    assert (found.log2_energy - found.log2_floor).max() < 0.5


def test_a_blurred_tile_reads_less_and_the_others_do_not() -> None:
    sharp = texture()
    blurred = sharp.copy()
    blurred[:, :480] = gaussian_filter(sharp, 2.0)[:, :480]

    change = measured(sharp).log2_energy - measured(blurred).log2_energy

    assert change[:, :11].min() > 2
    assert abs(change[:, 13:]).max() < 0.01


def test_energy_goes_with_the_square_of_the_light() -> None:
    change = measured(texture() / 2).log2_energy - measured(texture()).log2_energy

    assert change == pytest.approx(-2.0, abs=0.02)


@pytest.mark.parametrize("upright", [False, True])
def test_a_line_counts_wherever_it_lies_in_its_tile(upright: bool) -> None:
    """A large frame is looked at in a part of its rows and columns; no line may slip through."""
    energies = []
    for place in range(604, 616, 3):
        plane = np.full((2400, 3600), 4000.0)
        if upright:
            plane[:, place] = 200.0
        else:
            plane[place] = 200.0
        energies.append(measured(plane).log2_energy.max())

    assert max(energies) - min(energies) < 0.5


def test_white_noise_is_alike_at_all_arms_and_a_blur_takes_most_from_the_finest() -> None:
    """Second differences of white noise have 6 times its variance at every arm."""
    rng = np.random.default_rng(4)
    white = 4000 + rng.normal(0, 200.0, SHAPE)
    sharp, soft = measured(white), measured(gaussian_filter(white, 1.5))

    expected = np.log2(6 * 200.0**2 / 16000**2)
    middle = sharp.log2_coarser[:, :, 2:-2]
    assert np.median(middle, axis=(1, 2)) == pytest.approx(expected, abs=0.1)
    losses = [
        float(np.median(after - before))
        for before, after in zip(
            (sharp.log2_energy, *sharp.log2_coarser),
            (soft.log2_energy, *soft.log2_coarser),
            strict=True,
        )
    ]
    assert losses[0] < losses[1] < losses[2] + 0.1


def test_clipped_tiles_have_no_energy() -> None:
    plane = texture()
    plane[:40] = 16000.0

    energy = measured(plane).log2_energy

    assert np.isnan(energy[0]).all()
    assert np.isnan(measured(plane).log2_coarser[:, 0]).all()
    assert np.isfinite(energy[1:]).all()


@pytest.mark.parametrize(
    ("shape", "tiles"),
    [(SHAPE, (TILES_SHORT, TILES_LONG)), (SHAPE[::-1], (TILES_LONG, TILES_SHORT))],
)
def test_tiles_follow_the_long_side(shape: tuple[int, int], tiles: tuple[int, int]) -> None:
    assert measured(texture(shape=shape)).log2_energy.shape == tiles


def test_green_samples_of_a_mosaic_are_read_alone() -> None:
    """Red and blue sites hold rubbish; the green lattice reads as a plane of half the size."""
    mosaic = np.random.default_rng(2).uniform(0, 16000, (1280, 1920))
    mosaic[0::2, 1::2] = texture()
    found = measure_detail(
        mosaic.astype(np.float32),
        black_dn=0.0,
        saturation_dn=16000.0,
        clipped_dn=15800.0,
        noise=QUIET,
        green_parity=1,
    )

    assert found is not None
    # Arms of one sample there and of two here: a smooth texture differs more over two.
    assert (measured(texture()).log2_energy - found.log2_energy).min() > 0


def test_a_frame_smaller_than_its_tiles_has_none() -> None:
    assert (
        measure_detail(
            np.ones((40, 60), np.float32),
            black_dn=0.0,
            saturation_dn=1.0,
            clipped_dn=1.0,
            noise=QUIET,
            green_parity=None,
        )
        is None
    )
