"""JPEG and TIFF: codes as stored, curves by their source, damage named."""

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms

from audit.decode import Decoded, Developed, open_frame
from audit.decode import tags as exif
from audit.decode.curves import dcf_optional_curve, srgb_curve
from audit.errors import DamagedFrame, TooLargeFrame, UnsupportedFrame

SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def opened(data: bytes, format: str = "jpeg", **options: int) -> Decoded:  # noqa: A002
    return open_frame(data, name="day-1/a.jpg", format=format, **options)


def developed(decoded: Decoded) -> Developed:
    assert isinstance(decoded.pixels, Developed)
    return decoded.pixels


def picture(rows: int = 24, cols: int = 40) -> Image.Image:
    """A smooth picture of three different channels."""
    y, x = np.mgrid[:rows, :cols]
    planes = [x * 255 // (cols - 1), y * 255 // (rows - 1), 255 - x * 255 // (cols - 1)]
    return Image.fromarray(np.stack(planes, axis=-1).astype(np.uint8))


def deep_tiff(
    tiff: Callable[..., bytes],
    codes: NDArray[np.uint16],
    *,
    compression: int = 1,
    predictor: int = 1,
    order: str = "<",
    **more: object,
) -> bytes:
    """A 16-bit TIFF: uncompressed (1) or deflate (8), with or without differencing (2)."""
    rows, cols = codes.shape[:2]
    channels = codes.shape[2] if codes.ndim == 3 else 1
    stored = codes.astype(np.uint16)
    if predictor == 2:
        stored[:, 1:] -= codes[:, :-1]
    strip = stored.astype(order + "u2").tobytes()
    if compression == 8:
        strip = zlib.compress(strip)
    fields = {
        256: (4, [cols]),
        257: (4, [rows]),
        258: (3, [16] * channels),
        259: (3, [compression]),
        262: (3, [2 if channels >= 3 else 1]),
        277: (3, [channels]),
        278: (4, [rows]),
        317: (3, [predictor]),
    }
    extra = {int(tag.removeprefix("tag_")): value for tag, value in more.items()}
    return tiff({**fields, **extra}, strip=strip, order=order)


# ---------------------------------------------------------------- JPEG


def test_codes_equal_pillow_on_real_files(real_files: Callable[[str], list[Path]]) -> None:
    for path in real_files("jpeg")[::4]:
        found = developed(opened(path.read_bytes())).codes
        with Image.open(path) as image:
            np.testing.assert_array_equal(found, np.asarray(image), err_msg=path.name)


def test_a_colour_jpeg_keeps_its_codes_and_orientation(
    tiff: Callable[..., bytes], jpeg: Callable[..., bytes]
) -> None:
    data = jpeg(picture(), tiff({274: (3, [6])}, {exif.COLOR_SPACE: (3, [1])}))
    decoded = opened(data)
    found = developed(decoded)
    assert found.codes.shape == (24, 40, 3)
    assert decoded.exposure.orientation == 6
    assert found.encoding == "sRGB"
    np.testing.assert_array_equal(found.curve[0], srgb_curve(256))
    assert (decoded.facts.width_px, decoded.facts.height_px) == (40, 24)
    assert (decoded.facts.basis, decoded.facts.cfa) == ("developed", None)
    assert decoded.notes == ()


def test_a_grey_jpeg_is_one_plane(jpeg: Callable[..., bytes]) -> None:
    found = developed(opened(jpeg(picture().convert("L"))))
    assert found.codes.shape == (24, 40)


def test_inks_are_unsupported(jpeg: Callable[..., bytes]) -> None:
    with pytest.raises(UnsupportedFrame, match=r"four printing inks \(CMYK\)"):
        opened(jpeg(picture().convert("CMYK")))


def test_an_embedded_profile_gives_the_curve(jpeg: Callable[..., bytes]) -> None:
    found = developed(opened(jpeg(picture(), icc=SRGB)))
    assert found.encoding == "embedded profile"
    assert len(found.curve) == 3
    np.testing.assert_allclose(found.curve[1], srgb_curve(256), atol=2e-5)


def test_a_profile_without_curves_is_told(jpeg: Callable[..., bytes]) -> None:
    decoded = opened(jpeg(picture(), icc=b"no profile"))
    assert developed(decoded).encoding == "assumed sRGB"
    assert "no tone curves that fit" in decoded.notes[0]


def test_uncalibrated_without_a_profile_is_told(
    tiff: Callable[..., bytes], jpeg: Callable[..., bytes]
) -> None:
    """Exif ColorSpace FFFF: sRGB may only be assumed, and is said to be."""
    decoded = opened(jpeg(picture(), tiff({}, {exif.COLOR_SPACE: (3, [0xFFFF])})))
    assert developed(decoded).encoding == "assumed sRGB"
    assert "declared uncalibrated" in decoded.notes[0]


def test_the_optional_colour_space_of_cameras_is_adobe_rgb(
    real_files: Callable[[str], list[Path]],
) -> None:
    """DCF 2.0: ColorSpace FFFF with interoperability index R03; two real cameras write it so."""
    found = 0
    for path in real_files("jpeg"):
        pixels = developed(opened(path.read_bytes()))
        if pixels.encoding == "DCF optional":
            np.testing.assert_array_equal(pixels.curve[0], dcf_optional_curve(256))
            found += 1
    assert found >= 2


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_jpeg_cut_short_is_damaged(jpeg: Callable[..., bytes], share: float) -> None:
    rough = Image.fromarray(np.random.default_rng(2).integers(0, 256, (200, 200, 3), np.uint8))
    data = jpeg(rough)

    complaint = opened(data[: int(len(data) * share)]).complaint

    assert complaint is not None
    assert complaint.lost_share == pytest.approx(1 - share, abs=0.15)  # the head is a sixth


def with_size(data: bytes, rows: int, cols: int) -> bytes:
    """A JPEG whose frame header claims another size."""
    at = data.index(b"\xff\xc0")
    return data[: at + 5] + struct.pack(">HH", rows, cols) + data[at + 9 :]


def test_a_size_that_no_data_could_fill_is_damaged(jpeg: Callable[..., bytes]) -> None:
    """Each 8 x 8 block costs at least one bit (ITU-T T.81): 12 MP need 23 kB."""
    with pytest.raises(DamagedFrame, match=r"at least 23,437 bytes for 4,000 x 3,000") as caught:
        opened(with_size(jpeg(picture()), 3000, 4000))
    assert caught.value.code == "too-short"


def test_no_honest_picture_is_called_too_short() -> None:
    """The flattest picture in the tightest coding still has its bits."""
    flat = Image.new("RGB", (2048, 2048), (9, 9, 9))
    for options in ({"progressive": True}, {"optimize": True}):
        out = io.BytesIO()
        flat.save(out, "JPEG", quality=1, **options)
        assert developed(opened(out.getvalue())).codes.shape == (2048, 2048, 3)


def test_a_picture_past_the_limit_is_refused_by_its_header(jpeg: Callable[..., bytes]) -> None:
    with pytest.raises(TooLargeFrame, match="at most 300,000,000 pixels, found 20,000 x 20,000"):
        opened(with_size(jpeg(picture()), 20000, 20000))
    with pytest.raises(TooLargeFrame):
        opened(jpeg(picture()), max_pixels=40 * 24 - 1)


def test_pillows_own_limit_is_left_as_it_was(
    jpeg: Callable[..., bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit of the process that would refuse the picture is passed by, and put back."""
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 7)
    assert developed(opened(jpeg(picture()))).codes.size
    assert Image.MAX_IMAGE_PIXELS == 7
    with pytest.raises(DamagedFrame):
        opened(b"\xff\xd8\xff")
    assert Image.MAX_IMAGE_PIXELS == 7


def test_no_other_format_is_guessed() -> None:
    """A PNG, or PostScript, named JPEG is never handed to its own reader."""
    out = io.BytesIO()
    picture().save(out, "PNG")
    for data in (out.getvalue(), b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n"):
        with pytest.raises(DamagedFrame):
            opened(data)


# ---------------------------------------------------------------- TIFF


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("compression", ["raw", "tiff_lzw"])
def test_tiff_codes_lie_as_stored(orientation: int, compression: str) -> None:
    """Pillow turns TIFF pictures while loading; Orientation must be applied once, at the output."""
    out = io.BytesIO()
    picture().save(out, "TIFF", tiffinfo={274: orientation}, compression=compression)
    decoded = opened(out.getvalue(), "tiff")
    np.testing.assert_array_equal(developed(decoded).codes, np.asarray(picture()))
    assert decoded.exposure.orientation == orientation


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(("compression", "predictor"), [(1, 1), (8, 1), (8, 2)])
@pytest.mark.parametrize("channels", [3, 4])
def test_sixteen_bit_colour_keeps_all_bits(
    tiff: Callable[..., bytes], order: str, compression: int, predictor: int, channels: int
) -> None:
    """TIFF 6.0 and its deflate supplement, both byte orders: every one of 65,536 codes."""
    codes = np.arange(65536 * 3, dtype=np.uint32).astype(np.uint16).reshape(256, 256, 3)
    codes[..., 1] ^= 0x5A5A
    stored = codes if channels == 3 else np.dstack([codes, np.full((256, 256), 65535, np.uint16)])
    more = {} if channels == 3 else {"tag_338": (3, [0])}
    data = deep_tiff(
        tiff, stored, compression=compression, predictor=predictor, order=order, **more
    )
    found = developed(opened(data, "tiff"))
    assert found.codes.dtype == np.uint16
    np.testing.assert_array_equal(found.codes, codes)
    assert len(found.curve[0]) == 65536


def test_sixteen_bit_colour_lies_as_stored(tiff: Callable[..., bytes]) -> None:
    codes = np.arange(20 * 30 * 3, dtype=np.uint16).reshape(20, 30, 3) * 31
    for compression in (1, 8):
        data = deep_tiff(tiff, codes, compression=compression, tag_274=(3, [6]))
        decoded = opened(data, "tiff")
        np.testing.assert_array_equal(developed(decoded).codes, codes)
        assert decoded.exposure.orientation == 6


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("compression", [1, 8])
def test_sixteen_bit_grey_keeps_all_bits(
    tiff: Callable[..., bytes], order: str, compression: int
) -> None:
    codes = np.arange(65536, dtype=np.uint32).astype(np.uint16).reshape(256, 256)
    found = developed(opened(deep_tiff(tiff, codes, compression=compression, order=order), "tiff"))
    assert found.codes.dtype == np.dtype(np.uint16)
    np.testing.assert_array_equal(found.codes, codes)


def test_grey_where_zero_is_white_is_turned_round(tiff: Callable[..., bytes]) -> None:
    """TIFF 6.0, PhotometricInterpretation 0."""
    codes = np.arange(600, dtype=np.uint16).reshape(20, 30)
    found = developed(opened(deep_tiff(tiff, codes, tag_262=(3, [0])), "tiff"))
    np.testing.assert_array_equal(found.codes, 65535 - codes)


def test_palettes_become_colours() -> None:
    out = io.BytesIO()
    picture().quantize(16).save(out, "TIFF")
    assert developed(opened(out.getvalue(), "tiff")).codes.shape == (24, 40, 3)


@pytest.mark.parametrize("mode", ["1", "CMYK", "F", "I", "LAB"])
def test_other_kinds_of_tiff_are_unsupported(mode: str) -> None:
    out = io.BytesIO()
    image = Image.new(mode, (8, 8))
    image.save(out, "TIFF")
    with pytest.raises(UnsupportedFrame, match=r"8 or 16 bits, found") as caught:
        opened(out.getvalue(), "tiff")
    assert caught.value.code == "pixel-kind"


def test_separate_planes_of_sixteen_bits_are_unsupported(tiff: Callable[..., bytes]) -> None:
    codes = np.zeros((8, 8, 3), np.uint16)
    data = deep_tiff(tiff, codes, tag_284=(3, [2]))
    with pytest.raises(UnsupportedFrame, match="one plane a colour"):
        opened(data, "tiff")


@pytest.mark.parametrize("compression", ["raw", "tiff_lzw", "tiff_deflate"])
def test_a_tiff_cut_short_is_damaged(compression: str) -> None:
    out = io.BytesIO()
    rough = Image.fromarray(np.random.default_rng(2).integers(0, 256, (200, 200, 3), np.uint8))
    rough.save(out, "TIFF", compression=compression)
    data = out.getvalue()
    with pytest.raises(DamagedFrame):
        opened(data[: len(data) // 2], "tiff")
