"""Patterns and linear planes."""

import numpy as np
import pytest

from audit.decode import Mosaic


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
