"""Sensor samples and levels: built DNGs with known sites, and real files against rawpy itself."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import rawpy
from numpy.typing import NDArray

from audit.decode import Decoded, Mosaic, open_frame
from audit.decode import tags as exif
from audit.errors import DamagedFrame, TooLargeFrame, UnsupportedFrame

RGGB, BGGR, GRBG, GBRG = ((0, 1), (1, 2)), ((2, 1), (1, 0)), ((1, 0), (2, 1)), ((1, 2), (0, 1))
X_TRANS = tuple(
    tuple("RGB".index(letter) for letter in row)
    for row in ("GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG")
)
"""The 6 x 6 pattern of five greens to two reds and two blues, as rawpy reports it for X-Trans."""


def opened(data: bytes, **options: int) -> Decoded:
    return open_frame(data, name="day-1/a.dng", format="dng", **options)


def mosaic_of(decoded: Decoded) -> Mosaic:
    assert isinstance(decoded.pixels, Mosaic)
    return decoded.pixels


@pytest.mark.parametrize("cfa", [RGGB, BGGR, GRBG, GBRG])
@pytest.mark.parametrize("origin", [(0, 0), (0, 1), (1, 0), (1, 1), (5, 8)])
def test_the_pattern_starts_at_the_first_visible_sample(
    dng: Callable[..., bytes],
    noise: Callable[..., NDArray[np.uint16]],
    cfa: Sequence[Sequence[int]],
    origin: tuple[int, int],
) -> None:
    """DNG 1.4: CFAPattern starts at the top left of ActiveArea, odd margins or not.

    Every site holds its colour's own level, so that a pattern off by one would be seen.
    """
    rows, cols = 40, 60
    top, left = origin
    samples = noise(rows, cols, 0, 50)
    for row in range(rows):
        for col in range(cols):
            samples[row, col] += 1000 * (1 + cfa[(row - top) % 2][(col - left) % 2])
    data = dng(samples, cfa=cfa, active=(top, left, rows, cols), white=16000)
    found = mosaic_of(opened(data))
    # LibRaw moves odd margins on to even ones.
    first_row, first_col = top + top % 2, left + left % 2
    height, width = found.samples.shape
    assert (height, width) >= (rows - first_row - 1, cols - first_col - 1)
    np.testing.assert_array_equal(
        found.samples, samples[first_row : first_row + height, first_col : first_col + width]
    )
    assert found.is_bayer
    moved = np.roll(cfa, (-(top % 2), -(left % 2)), axis=(0, 1))
    np.testing.assert_array_equal(found.pattern, moved)
    for row in range(2):
        for col in range(2):
            colours = found.samples[row::2, col::2] // 1000 - 1
            assert (colours == found.pattern[row, col]).all()


@pytest.mark.parametrize("cfa", [RGGB, BGGR, GRBG, GBRG])
def test_black_levels_go_to_their_sites(
    dng: Callable[..., bytes],
    noise: Callable[..., NDArray[np.uint16]],
    cfa: Sequence[Sequence[int]],
) -> None:
    """DNG 1.4: BlackLevel is given row by row of its repeat pattern, from ActiveArea's origin."""
    data = dng(noise(40, 60), cfa=cfa, black=(500, 510, 520, 530), white=16000)
    found = mosaic_of(opened(data))
    assert found.black_dn.tolist() == [[500, 510], [520, 530]]
    assert found.white_dn.tolist() == [[16000, 16000], [16000, 16000]]


def test_facts_and_exposure_stand_beside_the_samples(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    data = dng(
        noise(40, 60),
        black=(500,),
        white=16000,
        fields={274: (3, [6])},
        exif={
            exif.F_NUMBER: (5, [(8, 1)]),
            exif.FOCAL_PLANE_X_RESOLUTION: (5, [(2293, 1)]),
            exif.FOCAL_PLANE_RESOLUTION_UNIT: (3, [3]),
        },
    )
    decoded = opened(data)
    facts = decoded.facts
    assert (facts.width_px, facts.height_px, facts.native_width_px) == (60, 40, 60)
    assert facts.basis == "raw"
    assert facts.cfa == "RGGB"
    assert facts.black_dn == pytest.approx([500] * 4)
    assert facts.white_dn == pytest.approx([16000] * 4)
    assert facts.focal_plane_x == 2293
    assert facts.focal_plane_unit == 3
    # Turned neither here nor by the decoder: the tag is handed on, the samples lie as stored.
    assert decoded.exposure.orientation == 6
    assert decoded.exposure.aperture_n == 8
    assert mosaic_of(decoded).samples.shape == (40, 60)


def test_samples_outlive_the_decoder(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    found = mosaic_of(opened(dng(noise(40, 60)))).samples
    assert found.flags.owndata
    assert found.flags.c_contiguous
    assert found.dtype == np.uint16


def test_libraw_does_not_speak_where_the_camera_wrote_a_zero(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    """LibRaw makes f/1 and 1 s of zeros; the file says 'unknown'."""
    zero = {exif.F_NUMBER: (5, [(0, 1)]), exif.EXPOSURE_TIME: (5, [(0, 1)])}
    found = opened(dng(noise(40, 60), exif={**zero, exif.APERTURE_VALUE: (5, [(0, 1)])})).exposure
    assert (found.aperture_n, found.shutter_s) == (None, None)


def test_a_filterless_sensor_is_one_green_plane(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    """DNG 1.4: photometric interpretation 34892 with one sample a pixel."""
    samples = noise(40, 60)
    decoded = opened(dng(samples, fields={262: (3, [34892])}))
    found = mosaic_of(decoded)
    assert found.pattern.tolist() == [[1]]
    assert not found.is_bayer
    assert "no colour filters" in decoded.notes[0]
    np.testing.assert_array_equal(found.samples, samples)


def test_a_six_by_six_pattern_comes_through(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    found = mosaic_of(opened(dng(noise(48, 60), cfa=X_TRANS, white=16000)))
    assert found.pattern.tolist() == [list(row) for row in X_TRANS]
    assert not found.is_bayer
    assert found.black_dn.shape == (6, 6)


def test_linear_raw_with_three_colours_is_unsupported(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    fields = {262: (3, [34892]), 277: (3, [3]), 258: (3, [16, 16, 16]), 256: (4, [30])}
    with pytest.raises(
        UnsupportedFrame, match=r"day-1/a\.dng: expected one sample a site"
    ) as caught:
        opened(dng(noise(40, 90), fields=fields))
    assert caught.value.code == "no-mosaic"


def test_a_layered_sensor_is_unsupported_before_any_decoding() -> None:
    with pytest.raises(UnsupportedFrame, match="several colours at each pixel"):
        open_frame(b"FOVb", name="a.x3f", format="x3f")


@pytest.mark.parametrize("share", [0.2, 0.5, 0.99])
def test_a_file_cut_short_is_damaged(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]], share: float
) -> None:
    data = dng(noise(200, 300))
    with pytest.raises(DamagedFrame, match=r"day-1/a\.dng: expected"):
        opened(data[: int(len(data) * share)])


@pytest.mark.parametrize("kept", [0.0, 0.5, 0.97])
def test_a_file_of_full_length_with_zeros_is_damaged(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]], kept: float
) -> None:
    """No library notices; a card that failed in the middle of writing leaves such files."""
    samples = noise(400, 300)
    samples[int(400 * kept) :] = 0
    with pytest.raises(DamagedFrame, match="rows that are all zero") as caught:
        opened(dng(samples))
    assert caught.value.code == "lost-rows"


def test_a_few_empty_border_rows_are_no_damage(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    samples = noise(400, 300)
    samples[:4] = 0
    assert mosaic_of(opened(dng(samples))).samples.shape == (400, 300)


def test_the_limit_of_pixels_is_checked_before_unpacking(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    data = dng(noise(40, 60))
    assert mosaic_of(opened(data, max_pixels=2400)).samples.size == 2400
    with pytest.raises(TooLargeFrame, match="at most 2,399 samples, found 60 x 40"):
        opened(data, max_pixels=2399)


def test_a_white_level_below_black_is_damaged(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    with pytest.raises(DamagedFrame, match="white level above black"):
        opened(dng(noise(40, 60), black=(5000,), white=4000))


def test_what_libraw_does_not_know_is_unsupported() -> None:
    with pytest.raises(UnsupportedFrame, match="NEF data that LibRaw knows"):
        open_frame(b"not a raw file at all" * 99, name="a.nef", format="nef")


def test_real_files_equal_rawpy_site_by_site(
    real_files: Callable[[str], list[Path]], format_of: Callable[[Path], str]
) -> None:
    """Samples, colours, black and white against rawpy's own arrays (CR2, CRW, KDC, DNG)."""
    compared = 0
    for path in real_files("raw"):
        decoded = open_frame(path.read_bytes(), name=path.name, format=format_of(path))
        found = mosaic_of(decoded)
        with rawpy.imread(str(path)) as raw:
            samples = raw.raw_image_visible.copy()
            colours = raw.raw_colors_visible[:2, :2]
            black = np.array(raw.black_level_per_channel)[colours]
            white = raw.white_level
        np.testing.assert_array_equal(found.samples, samples)
        np.testing.assert_array_equal(found.pattern, np.where(colours == 3, 1, colours))
        np.testing.assert_array_equal(found.black_dn, black)
        assert (np.abs(found.white_dn - white) <= 0.1 * white).all()
        compared += 1
    assert compared >= 3
