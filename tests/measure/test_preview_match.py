"""A picture against its own preview: sound ones agree, damage shows with its share."""

import numpy as np
import pytest
from numpy.typing import NDArray

from audit.measure.preview import shrink
from audit.measure.preview_match import share_unlike

ROWS, COLS = 960, 1280


def picture() -> NDArray[np.uint8]:
    """Soft shapes over the whole range of codes."""
    rows, cols = np.mgrid[:ROWS, :COLS]
    wave = np.sin(rows / 70 + np.cos(cols / 90) * 2) + np.cos(cols / 45) * 0.7
    return np.clip(128 + 70 * wave, 0, 255).astype(np.uint8)


def preview_of(codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """As a camera makes it: small, with another tone and some noise."""
    small = shrink(codes, 160)
    noisy = 255 * (small / 255) ** 0.9 + np.random.default_rng(1).normal(0, 2, small.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


def test_a_sound_picture_agrees() -> None:
    assert share_unlike(picture(), preview_of(picture())) == pytest.approx(0.0, abs=0.005)


def test_a_preview_that_is_shifted_or_has_bars_agrees() -> None:
    small = preview_of(picture())
    barred = np.zeros((small.shape[0] + 20, small.shape[1]), np.uint8)
    barred[10:-10] = small

    assert share_unlike(picture(), barred) == pytest.approx(0.0, abs=0.005)
    assert share_unlike(picture(), np.roll(small, 2, axis=0)) == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("share", [0.2, 0.3, 0.5])
def test_grey_from_a_row_on_is_the_lost_share(share: float) -> None:
    """Grey hides where the picture is grey itself: the share is a lower bound."""
    damaged = picture()
    damaged[int(ROWS * (1 - share)) :] = 128

    found = share_unlike(damaged, preview_of(picture()))

    assert found is not None
    assert 0.4 * share < found <= 1.1 * share


def test_a_preview_of_another_picture_proves_nothing() -> None:
    other = preview_of(np.ascontiguousarray(picture()[::-1, ::-1]))
    noise = np.random.default_rng(4).integers(0, 256, other.shape, np.uint8)

    assert share_unlike(picture(), noise) is None
    assert share_unlike(picture(), other[:30, :40]) is None
