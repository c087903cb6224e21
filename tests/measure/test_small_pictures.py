"""Small pictures: closed forms of interpolation, white that stays white, places that are inside."""

import numpy as np
import pytest

from audit.measure.orientation import stored_tile, viewed, viewed_box, viewed_tile
from audit.measure.small_pictures import (
    CROP_SIDE_PX,
    SRGB_FROM_XYZ,
    brightening,
    busiest_corner,
    matrix_to_srgb,
    mosaic_cut,
    mosaic_view,
    rendered,
)

RGGB = np.array([[0, 1], [1, 2]], np.uint8)
BLACK = np.full((2, 2), 100, np.float32)
FULL = (1000.0, 1000.0, 1000.0)
D65_XYZ = (0.9505, 1.0, 1.0890)
"""White of sRGB, IEC 61966-2-1 (from memory)."""


def mosaic_of(red: float, green: float, blue: float, side: int = 400) -> np.ndarray:
    cell = np.array([[red, green], [green, blue]]) * 1000 + 100
    return np.tile(cell, (side // 2, side // 2)).astype(np.uint16)


def test_the_matrix_gives_the_white_of_the_standard() -> None:
    assert pytest.approx([1, 1, 1], abs=1e-3) == SRGB_FROM_XYZ @ D65_XYZ


def test_flat_colours_come_out_as_they_went_in() -> None:
    samples = mosaic_of(0.2, 0.5, 0.8)

    view = mosaic_view(samples, RGGB, BLACK, FULL)
    cut = mosaic_cut(samples, RGGB, BLACK, FULL, (101, 55))

    for picture in (view, cut):
        assert picture.reshape(-1, 3).mean(axis=0) == pytest.approx([0.2, 0.5, 0.8], abs=1e-3)
        assert np.ptp(picture, axis=(0, 1)).max() < 1e-4


def test_interpolation_is_exact_on_a_ramp() -> None:
    """Bilinear interpolation reproduces any function that is linear in both directions."""
    ramp = np.add.outer(np.arange(300), 2 * np.arange(300)).astype(np.uint16) + 100

    cut = mosaic_cut(ramp, RGGB, BLACK, FULL, (50, 70))

    truth = (ramp[50:242, 70:262] - 100.0) / 1000
    for colour in range(3):
        assert cut[1:-1, 1:-1, colour] == pytest.approx(truth[1:-1, 1:-1], abs=1e-4)


def test_white_stays_white_and_saturation_is_never_tinted() -> None:
    camera = np.array([[0.6, 0.2, -0.1], [-0.3, 1.1, 0.2], [0.0, 0.3, 0.7]])
    matrix = matrix_to_srgb(camera)
    assert matrix is not None

    shown = rendered(np.ones((2, 2, 3), np.float32), (2.1, 1.0, 1.6), matrix)

    assert matrix.sum(axis=1) == pytest.approx([1, 1, 1])
    assert shown == pytest.approx(np.ones((2, 2, 3)), abs=1e-5)


def test_a_matrix_that_cannot_be_turned_round_is_none() -> None:
    assert matrix_to_srgb(np.zeros((3, 3))) is None


def test_dark_cuts_are_brightened_and_others_left() -> None:
    assert brightening(np.full((9, 9, 3), 0.1, np.float32)) == pytest.approx(8.0)
    assert brightening(np.full((9, 9, 3), 0.7, np.float32)) == 1.0
    assert brightening(np.zeros((9, 9, 3), np.float32)) == 16.0


@pytest.mark.parametrize("step", [1, 2])
def test_the_cut_shows_the_step_of_its_tile(step: int) -> None:
    plane = np.full((2000, 3000), 100, np.uint16)
    plane[700:760, 1300:1360] = 3000

    row, col = busiest_corner(plane, (1, 2), (4, 6), step)

    assert row <= 700
    assert row + CROP_SIDE_PX >= 760
    assert col <= 1300
    assert col + CROP_SIDE_PX >= 1360


@pytest.mark.parametrize("tile", [(0, 0), (7, 11), (0, 11), (7, 0)])
def test_the_cut_lies_inside_the_frame(tile: tuple[int, int]) -> None:
    rng = np.random.default_rng(1)
    plane = rng.integers(0, 4000, (900, 1300), dtype=np.uint16)

    row, col = busiest_corner(plane, tile, (8, 12), 2)

    assert 0 <= row <= 900 - CROP_SIDE_PX
    assert 0 <= col <= 1300 - CROP_SIDE_PX


@pytest.mark.parametrize("orientation", range(1, 9))
def test_stored_tile_undoes_viewed_tile(orientation: int) -> None:
    shown = viewed_tile((1, 4), (3, 5), orientation)
    shape = viewed(np.zeros((3, 5)), orientation).shape

    assert stored_tile(shown, shape, orientation) == ((1, 4), (3, 5))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_box_turns_with_its_picture(orientation: int) -> None:
    picture = np.zeros((60, 100), np.uint8)
    picture[6:18, 70:90] = 1

    top, left, height, width = viewed_box((6 / 60, 70 / 100, 12 / 60, 20 / 100), orientation)

    turned = viewed(picture, orientation)
    rows, cols = np.nonzero(turned)
    assert top * turned.shape[0] == pytest.approx(rows.min())
    assert left * turned.shape[1] == pytest.approx(cols.min())
    assert height * turned.shape[0] == pytest.approx(np.ptp(rows) + 1)
    assert width * turned.shape[1] == pytest.approx(np.ptp(cols) + 1)
