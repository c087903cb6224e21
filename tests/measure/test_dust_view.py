"""The view for dust, and that its reader takes it apart as it was put together."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve

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

    expected = logs - gaussian_filter(logs, 2.0)  # a box of 5 applied twice has this sigma
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

    taken_off = ((5 + 4 + 4) / 25) ** 2  # what the box, applied twice, sees of a square of 3 px
    assert read[170, 255] == pytest.approx(np.log(0.6) * (1 - taken_off), rel=0.25)


def test_texture_hides_little_more_than_it_must() -> None:
    """Against the best linear filter for a spot of 3 px in ground with a spectrum of 1/f.

    The ground is as in landscapes (Field 1987); the best filter divides by its power, and reaches
    sqrt(sum |spot|^2 / power) (the whitened matched filter of detection theory, from memory).
    """
    shape, depth = (341, 512), 0.2
    falling = 1 / np.maximum(
        np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.fftfreq(shape[1])), 1 / shape[1]
    )
    noise = np.random.default_rng(11).standard_normal(shape)
    scale = 0.3 / np.sqrt((falling**2).mean())
    ground = scale * np.fft.ifft2(np.fft.fft2(noise) * falling).real
    spot = gaussian_filter((np.hypot(*np.mgrid[-12:13, -12:13]) < 1.6).astype(float), 0.5)
    spectrum = np.abs(np.fft.fft2(spot, s=shape))
    best = depth * np.sqrt((spectrum**2 / (scale * falling) ** 2).sum() / spectrum.size)
    places = np.zeros(shape)
    places[30:320:40, 30:490:40] = depth
    dusty = ground - fftconvolve(places, spot, mode="same")
    looked_for = spot - gaussian_filter(spot, np.sqrt((writer.SURROUND_PX**2 - 1) / 6))

    clean, marked = (
        -fftconvolve(
            contrast_of(dust_view(np.exp(plane - 1.5).astype(np.float32))), looked_for, mode="same"
        )
        for plane in (ground, dusty)
    )

    reached = (marked - clean)[places > 0].mean() / clean[12:-12, 12:-12].std()
    assert 0.8 < reached / best < 1.0


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
