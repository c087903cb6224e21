"""Slope of the edge width over the map."""

import numpy as np
import pytest
from numpy.typing import NDArray

from audit.measure.field_slope import MIN_TILES, field_slope


def tiles(right: float, down: float) -> NDArray[np.float32]:
    """A 6 x 9 map of widths whose logarithm is an exact plane."""
    row, col = np.mgrid[:6, :9]
    plane = right * ((col + 0.5) / 9 - 0.5) + down * ((row + 0.5) / 6 - 0.5)
    widths: NDArray[np.float32] = (1.6 * np.exp(plane)).astype(np.float32)
    return widths


def test_the_slopes_of_a_plane_come_back() -> None:
    slope = field_slope(tiles(0.5, -0.2))

    assert slope.right == pytest.approx(0.5, abs=1e-4)
    assert slope.down == pytest.approx(-0.2, abs=1e-4)


def test_a_soft_object_does_not_tilt_the_plane() -> None:
    widths = tiles(0.0, 0.0)
    widths[:2, 7:] = 6.0
    slope = field_slope(widths)

    assert abs(slope.right or 9.0) < 0.15


def test_unmeasured_tiles_are_left_out() -> None:
    widths = tiles(0.4, 0.0)
    widths[::2, ::2] = np.nan

    assert field_slope(widths).right == pytest.approx(0.4, abs=1e-4)


def test_too_few_or_too_narrow_tiles_tell_nothing() -> None:
    few, narrow = tiles(0.4, 0.0), tiles(0.4, 0.0)
    few.ravel()[MIN_TILES - 1 :] = np.nan
    narrow[:, 3:] = np.nan

    assert field_slope(few) == (None, None)
    assert field_slope(narrow).right is None
    assert field_slope(narrow).down is not None
