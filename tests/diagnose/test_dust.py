"""Dust in one frame: which spot is told, where it lies as viewed, and when nothing is said."""

import msgspec
import numpy as np
import pytest

from audit.diagnose.dust import dust, viewed_place
from audit.measure.orientation import viewed
from audit.records import DustSpot
from audit.settings import Limits, Settings

SPOT = DustSpot(
    body="Velmark VK-50",
    x_share=0.25,
    y_share=0.1,
    diameter_share=0.006,
    contrast=0.08,
    frames=12,
)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_place_follows_the_picture_as_it_is_turned(orientation: int) -> None:
    """One bright pixel turned with the whole picture: a second way to the same place."""
    stored = np.zeros((40, 60), np.float32)
    stored[4, 15] = 1.0
    turned = viewed(stored, orientation)
    row, col = np.argwhere(turned)[0]

    x, y = viewed_place((15 + 0.5) / 60, (4 + 0.5) / 40, orientation)

    assert x == pytest.approx((col + 0.5) / turned.shape[1])
    assert y == pytest.approx((row + 0.5) / turned.shape[0])


def test_the_deepest_spot_is_told_and_the_others_counted() -> None:
    other = msgspec.structs.replace(SPOT, x_share=0.9)

    found = dust([(other, 0.04), (SPOT, 0.08)], 1, Settings())

    assert found is not None
    assert (found.kind, found.severity, found.value) == ("dust", "note", 0.08)
    assert "8.0 % darker" in found.message
    assert "25 % from the left and 10 % from the top" in found.message
    assert "1 more of this body" in found.message


def test_spots_fainter_than_the_limit_are_not_worth_a_word() -> None:
    limit = Limits().dust_contrast

    assert dust([(SPOT, limit - 0.001)], 1, Settings()) is None
    assert dust([(SPOT, limit)], 1, Settings()) is not None
    assert dust([], 1, Settings()) is None
