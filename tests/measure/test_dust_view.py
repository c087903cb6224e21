"""The view for dust, and that its reader takes it apart as it was put together."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from audit.measure import dust_view as writer
from audit.measure.dust_view import dust_view
from audit.series import dust_sheet as reader
from audit.series.dust_sheet import WEIGHTS, contrast_table, per_pixel, sheet_sizes

EXACT = contrast_table(1e9)


def contrast_of(sheet: NDArray[np.uint8], size: int = 0) -> NDArray[np.float32]:
    """Log contrast as a stack reads it."""
    sizes = sheet_sizes(sheet)
    assert sizes is not None
    codes, spread = sizes[size]
    weights = per_pixel(WEIGHTS[spread], codes.shape)
    return np.where(weights > 0, EXACT[codes] / np.maximum(weights, 1e-9), 0).astype(np.float32)


def grainy(rows: int, cols: int, sigma: float = 0.01) -> NDArray[np.float32]:
    noise = np.random.default_rng(3).standard_normal((rows, cols)).astype(np.float32)
    return (0.3 * np.exp(sigma * noise)).astype(np.float32)


@pytest.mark.parametrize("shape", [(341, 512), (342, 512), (512, 341), (384, 511)])
def test_what_is_written_is_read_again(shape: tuple[int, int]) -> None:
    """Local contrast recomputed by Gaussian windows, an independent band, agrees closely."""
    levels = grainy(*shape)
    logs = np.log(levels)

    read = contrast_of(dust_view(levels))

    expected = logs - gaussian_filter(logs, 3.7)  # a box of 9 applied twice has this sigma
    assert np.corrcoef(read.ravel(), expected.ravel())[0, 1] > 0.9
    assert read.std() == pytest.approx(expected.std(), rel=0.12)


def test_writer_and_reader_use_the_same_figures() -> None:
    for name in (
        "SIZES",
        "BLOCK_PX",
        "SURROUND_PX",
        "SPREAD_STEP",
        "SPREAD_UNIT",
        "CONTRAST_STEP",
        "LINEAR_CODES",
    ):
        assert getattr(writer, name) == getattr(reader, name), name


def test_brightness_changes_nothing() -> None:
    """Contrast is relative: the same scene a stop darker gives the same view."""
    levels = grainy(341, 512)

    assert np.array_equal(dust_view(levels), dust_view(levels / 2))


def test_a_deep_spot_keeps_its_depth() -> None:
    """The scale is logarithmic, so what is far beyond the noise is not cut off."""
    levels = grainy(341, 512, 0.004)
    levels[169:172, 254:257] *= 0.6

    read = contrast_of(dust_view(levels))

    assert read[170, 255] == pytest.approx(np.log(0.6) * (1 - 9 / 400), rel=0.25)


def test_clipped_and_dark_parts_tell_nothing() -> None:
    levels = grainy(341, 512)
    levels[:, :128] = 1.0
    levels[:, 384:] = 0.0005

    sizes = sheet_sizes(dust_view(levels))

    assert sizes is not None
    assert not sizes[0].spread[:, :30].any()
    assert not sizes[0].spread[:, 98:].any()
    assert sizes[0].spread[:, 36:92].all()
    assert not sizes[0].contrast[:, :128].any()


def test_a_picture_that_is_no_view_is_refused() -> None:
    assert sheet_sizes(np.zeros((5, 4), np.uint8)) is None
