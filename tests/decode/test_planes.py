"""Patterns and linear planes."""

import numpy as np
import pytest

from audit.decode import Developed, Mosaic
from audit.decode.curves import srgb_curve


def mosaic(pattern: list[list[int]]) -> Mosaic:
    cell = np.array(pattern, dtype=np.uint8)
    level = np.zeros(cell.shape, dtype=np.float32)
    return Mosaic(
        samples=np.zeros((6, 6), np.uint16), pattern=cell, black_dn=level, white_dn=level + 1
    )


@pytest.mark.parametrize(
    ("pattern", "parity"),
    [
        ([[0, 1], [1, 2]], 1),
        ([[2, 1], [1, 0]], 1),
        ([[1, 0], [2, 1]], 0),
        ([[1, 2], [0, 1]], 0),
        ([[1, 1], [0, 2]], None),
        ([[0, 2], [1, 1]], None),
        ([[1]], None),
        ([[0, 1, 2]], None),
    ],
)
def test_green_parity_holds_at_every_green_site(
    pattern: list[list[int]], parity: int | None
) -> None:
    """All four Bayer orders, and patterns that only resemble them."""
    found = mosaic(pattern)
    assert found.green_parity == parity
    assert found.is_bayer == (parity is not None)
    if parity is not None:
        rows, cols = np.nonzero(found.pattern == 1)
        assert ((rows + cols) % 2 == parity).all()


def test_luma_is_the_weighted_sum_of_linear_channels() -> None:
    """Y = 0.2126 R + 0.7152 G + 0.0722 B of linear values, IEC 61966-2-1."""
    codes = np.random.default_rng(1).integers(0, 256, (37, 7, 3)).astype(np.uint8)
    picture = Developed(codes=codes, curve=(srgb_curve(256),), encoding="sRGB")
    linear = srgb_curve(256).astype(float)[codes]
    expected = linear @ [0.2126, 0.7152, 0.0722]
    luma = picture.luma_linear()
    assert luma.dtype == np.float32
    np.testing.assert_allclose(luma, expected, atol=2e-7)


def test_each_channel_goes_through_its_own_curve() -> None:
    tables = tuple(np.full(256, level, np.float32) for level in (0.1, 0.5, 0.9))
    picture = Developed(
        codes=np.zeros((2, 2, 3), np.uint8), curve=tables, encoding="embedded profile"
    )
    assert [float(picture.channel_linear(c)[0, 0]) for c in range(3)] == pytest.approx(
        [0.1, 0.5, 0.9]
    )
    expected = 0.2126 * 0.1 + 0.7152 * 0.5 + 0.0722 * 0.9
    assert float(picture.luma_linear()[0, 0]) == pytest.approx(expected)


def test_grey_sixteen_bit_codes_are_looked_up_directly() -> None:
    codes = np.array([[0, 32768, 65535]], dtype=np.uint16)
    picture = Developed(codes=codes, curve=(srgb_curve(65536),), encoding="sRGB")
    np.testing.assert_allclose(picture.luma_linear()[0], [0, 0.21404, 1], atol=1e-5)
