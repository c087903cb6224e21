"""Codes and tone curve of a JPEG or TIFF picture: headers and TIFF by Pillow, JPEG by libjpeg."""

import io
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin, TiffImagePlugin

from audit.decode.curves import dcf_optional_curve, srgb_curve
from audit.decode.icc import profile_curves
from audit.decode.jpeg import MAX_SCANS, Colours, UnknownSampling, decode_jpeg, scans
from audit.decode.metadata import Metadata
from audit.decode.planes import Complaint, Developed, Encoding
from audit.decode.tags import ORIENTATION
from audit.errors import DamagedFrame, FrameError, TooLargeFrame, UnsupportedFrame

AnyCodes = TypeVar("AnyCodes", np.uint8, np.uint16)

_PIXELS_PER_BYTE = 512
"""Most pixels that a byte of a Huffman-coded JPEG can stand for: an 8 x 8 block costs at least the
one bit of its DC code (ITU-T T.81, annexes F and G)."""

_UNCALIBRATED = 0xFFFF
_ADOBE_RGB_INDEX = "R03"

_BITS_PER_SAMPLE = 258
_PHOTOMETRIC = 262
_PLANAR_CONFIGURATION = 284
_WHITE_IS_ZERO = 0
_SEPARATE_PLANES = 2

_GREY_MODES = ("L", "LA")
_RGB_MODES = ("RGB", "RGBA", "RGBX", "P", "YCbCr")
_PLAIN_LAYOUTS = {"RGB", "RGBA", "RGBX"}
_UNKNOWN_KIND = (
    "unknown pixel mode",
    "unknown data organization",
    "not available",
    "cannot handle",
)
"""What Pillow says of sound files of a kind that it does not read."""

_NOT_CHECKED = (
    "Its colours are sampled in an uncommon way that the checking decoder does not know: it was not"
    " checked for damage."
)

_KINDS = {"CMYK": "four printing inks (CMYK)", "1": "one bit a pixel", "LAB": "CIE L*a*b*"}
_DEEP_GREY_MODES = ("I;16", "I;16L", "I;16B", "I;16N")


@dataclass(frozen=True, slots=True, kw_only=True)
class DevelopedPixels:
    """Pixels of one developed file."""

    developed: Developed
    notes: tuple[str, ...]
    complaint: Complaint | None
    """What the decoder says is wrong with the codes."""
    width_px: int
    height_px: int
    """Of the picture as stored, whatever was made of it."""


def read_developed(
    data: bytes,
    *,
    name: str,
    format: str,  # noqa: A002
    max_pixels: int,
    metadata: Metadata,
    luma_shrink: int | None = None,
) -> DevelopedPixels:
    """Read the pixels of a JPEG or TIFF file and the curve that makes them linear.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        For messages.
    format : str
        ``jpeg`` or ``tiff``; the other's decoder is never tried.
    max_pixels : int
        Most pixels that are decoded; larger pictures are refused by their header.
    metadata : Metadata
        For the colour space that Exif declares.
    luma_shrink : int, optional
        Of a JPEG: only its luma, in one of so many rows and columns, at a fifth of the cost.

    Returns
    -------
    DevelopedPixels

    Raises
    ------
    DamagedFrame
        If the data are cut short or broken.
    UnsupportedFrame
        If the picture is no red, green, blue or grey one of 8 or 16 bits.
    TooLargeFrame
        If the picture has more pixels than `max_pixels`, or memory does not suffice.
    """
    try:
        with warnings.catch_warnings(), _own_size_limit():
            warnings.simplefilter("ignore")  # of odd tags; what matters raises by itself
            if format == "jpeg":
                stored = _jpeg_codes(data, name, max_pixels, luma_shrink)
            else:
                stored = _tiff_codes(data, name, max_pixels)
    except FrameError:
        raise
    except MemoryError as error:
        raise TooLargeFrame(
            f"{name}: expected a {format.upper()} picture that fits into memory"
        ) from error
    except Exception as error:  # nine kinds, measured on damaged files
        if any(words in str(error) for words in _UNKNOWN_KIND):
            raise UnsupportedFrame(
                f"{name}: expected a {format.upper()} picture of 8 or 16 bits in a common"
                f" compression, found: {_words(error)}",
                code="pixel-kind",
            ) from error
        raise DamagedFrame(
            f"{name}: expected whole {format.upper()} data, found: {_words(error)}"
        ) from error
    curve, encoding, notes = _curve(stored, metadata)
    is_luma = stored.codes.ndim == 2 and stored.channels == 3
    profile = stored.profile if isinstance(stored.profile, bytes) and not is_luma else b""
    return DevelopedPixels(
        developed=Developed(
            codes=stored.codes,
            # The luma of a colour picture has the green channel's curve, and no profile of its own.
            curve=curve[len(curve) // 2 :][:1] if is_luma else curve,
            encoding=encoding,
            profile=profile or None,
        ),
        notes=(*stored.remarks, *notes),
        complaint=stored.complaint,
        width_px=stored.size_px[0],
        height_px=stored.size_px[1],
    )


def _words(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__


@contextmanager
def _own_size_limit() -> Iterator[None]:
    """Lift Pillow's own limit, which refuses honest TIFF pictures above 179 megapixels.

    Ours is checked before. The setting belongs to the whole process, so it is put back.
    """
    before = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        yield
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _opened(data: bytes, format: str) -> Any:  # noqa: A002
    """Open by the format's own plugin, so that no other format is ever guessed."""
    if format == "jpeg":
        return JpegImagePlugin.JpegImageFile(io.BytesIO(data))
    return TiffImagePlugin.TiffImageFile(io.BytesIO(data))


def _as_stored(codes: NDArray[AnyCodes], orientation: object) -> NDArray[AnyCodes]:
    """Undo that Pillow turns TIFF pictures (and only these) while loading."""
    turns: dict[object, Callable[[NDArray[AnyCodes]], NDArray[AnyCodes]]] = {
        2: np.fliplr,
        3: lambda turned: np.rot90(turned, 2),
        4: np.flipud,
        5: lambda turned: turned.swapaxes(0, 1),
        6: lambda turned: np.rot90(turned, 1),
        7: lambda turned: np.rot90(turned, 2).swapaxes(0, 1),
        8: lambda turned: np.rot90(turned, -1),
    }
    undo = turns.get(orientation)
    return codes if undo is None else np.ascontiguousarray(undo(codes))


def _refuse_size(
    data: bytes,
    image: Any,
    name: str,
    format: str,  # noqa: A002
    max_pixels: int,
) -> None:
    width, height = image.size
    if width * height > max_pixels:
        raise TooLargeFrame(
            f"{name}: expected at most {max_pixels:,} pixels, found {width:,} x {height:,}"
        )
    if format == "jpeg" and len(data) * _PIXELS_PER_BYTE < width * height:
        raise DamagedFrame(
            f"{name}: expected at least {width * height // _PIXELS_PER_BYTE:,} bytes for"
            f" {width:,} x {height:,} pixels, found {len(data):,}",
            code="too-short",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stored:
    """What a decoder gives."""

    codes: NDArray[np.uint8] | NDArray[np.uint16]
    profile: object
    """Embedded one, of the picture with all its channels."""
    channels: int
    """Of the picture as stored."""
    size_px: tuple[int, int]
    """Width and height as stored."""
    complaint: Complaint | None = None
    remarks: tuple[str, ...] = ()


def _jpeg_codes(data: bytes, name: str, max_pixels: int, luma_shrink: int | None) -> _Stored:
    """Codes of a JPEG file, or its luma alone in fewer rows and columns."""
    image = _opened(data, "jpeg")
    _refuse_size(data, image, name, "jpeg", max_pixels)
    profile = image.info.get("icc_profile")
    found = scans(data)
    if found > MAX_SCANS:
        raise TooLargeFrame(f"{name}: expected at most {MAX_SCANS} scans, found {found:,}")
    if image.mode not in (*_GREY_MODES, *_RGB_MODES):
        raise _other_kind(image, name)
    channels = 1 if image.mode in _GREY_MODES else 3
    colours: Colours = "GRAY" if channels == 1 or luma_shrink else "RGB"
    complaint: Complaint | None = None
    remarks: tuple[str, ...] = ()
    try:
        codes, complaint = decode_jpeg(data, colours, luma_shrink or 1)
    except UnknownSampling:
        codes, remarks = _eight_bit(image, name), (_NOT_CHECKED,)
    return _Stored(
        codes=codes,
        profile=profile,
        channels=channels,
        size_px=image.size,
        complaint=complaint,
        remarks=remarks,
    )


def _tiff_codes(data: bytes, name: str, max_pixels: int) -> _Stored:
    """Codes of a TIFF file."""
    image = _opened(data, "tiff")
    _refuse_size(data, image, name, "tiff", max_pixels)
    profile = image.info.get("icc_profile")
    orientation = image.getexif().get(ORIENTATION)
    codes: NDArray[np.uint8] | NDArray[np.uint16]
    if image.mode in _DEEP_GREY_MODES:
        codes = _as_stored(_deep_grey(image), orientation)
    elif image.mode in _RGB_MODES and max(image.tag_v2.get(_BITS_PER_SAMPLE, (1,))) > 8:
        codes = _as_stored(_deep_rgb(data, name), orientation)
    else:
        codes = _as_stored(_eight_bit(image, name), orientation)
    return _Stored(
        codes=codes,
        profile=profile,
        channels=1 if codes.ndim == 2 else 3,
        size_px=(codes.shape[1], codes.shape[0]),
    )


def _eight_bit(image: Any, name: str) -> NDArray[np.uint8]:
    for modes, plain in ((_GREY_MODES, "L"), (_RGB_MODES, "RGB")):
        if image.mode in modes:
            return np.asarray(image if image.mode == plain else image.convert(plain))
    raise _other_kind(image, name)


def _other_kind(image: Any, name: str) -> UnsupportedFrame:
    return UnsupportedFrame(
        f"{name}: expected a red-green-blue or grey picture of 8 or 16 bits, found"
        f" {_KINDS.get(image.mode, 'the pixel kind ' + image.mode)}",
        code="pixel-kind",
    )


def _deep_grey(image: Any) -> NDArray[np.uint16]:
    grey = np.asarray(image).astype(np.uint16)
    dark_is_high = image.tag_v2.get(_PHOTOMETRIC) == _WHITE_IS_ZERO
    return np.invert(grey) if dark_is_high else grey


def _layouts(image: Any) -> list[str]:
    """How the samples of each tile lie in the file, in Pillow's words (``RGB;16L``)."""
    return [tile.args[0] if isinstance(tile.args, tuple) else tile.args for tile in image.tile]


def _deep_rgb(data: bytes, name: str) -> NDArray[np.uint16]:
    """Read 16 bits a sample, though Pillow keeps 8 of them: first the one byte, then the other.

    Pillow unpacks the layout ``;16B`` by taking the first byte of each sample and ``;16L`` by
    taking the second. Asked for both, every compression that it knows gives all 16 bits.
    """
    halves = {suffix: _byte_of_each_sample(data, name, suffix) for suffix in (";16L", ";16B")}
    image = _opened(data, "tiff")
    # Compressed samples come in the machine's own order, others in the file's.
    little = _layouts(image)[0].endswith(";16L") or (
        _layouts(image)[0].endswith(";16N") and sys.byteorder == "little"
    )
    high, low = (";16L", ";16B") if little else (";16B", ";16L")
    codes = halves[high].astype(np.uint16)
    codes <<= 8
    codes |= halves[low]
    return codes


def _byte_of_each_sample(data: bytes, name: str, suffix: str) -> NDArray[np.uint8]:
    image = _opened(data, "tiff")
    layouts = _layouts(image)
    kinds = {layout.split(";")[0] for layout in layouts}
    if image.tag_v2.get(_PLANAR_CONFIGURATION) == _SEPARATE_PLANES or not kinds <= _PLAIN_LAYOUTS:
        raise UnsupportedFrame(
            f"{name}: expected 16-bit samples pixel by pixel, found one plane a colour or colours"
            " multiplied by alpha",
            code="pixel-kind",
        )
    image.tile = [
        tile._replace(args=(layout.split(";")[0] + suffix, *tile.args[1:]))
        for tile, layout in zip(image.tile, layouts, strict=True)
    ]
    return np.asarray(image.convert("RGB"))


def _curve(
    stored: _Stored, metadata: Metadata
) -> tuple[tuple[NDArray[np.float32], ...], Encoding, tuple[str, ...]]:
    """Lookup tables, where they come from, and what a person should know about that."""
    entries = 256 if stored.codes.dtype == np.uint8 else 65536
    if isinstance(stored.profile, bytes) and stored.profile:
        tables = profile_curves(stored.profile, channels=stored.channels, entries=entries)
        if tables is not None:
            return tables, "embedded profile", ()
        note = "The embedded colour profile has no tone curves that fit; sRGB is assumed."
        return (srgb_curve(entries),), "assumed sRGB", (note,)
    if metadata.color_space == _UNCALIBRATED:
        if metadata.interoperability == _ADOBE_RGB_INDEX:
            return (dcf_optional_curve(entries),), "DCF optional", ()
        note = (
            "The colour space is declared uncalibrated and no profile is embedded; sRGB is assumed."
        )
        return (srgb_curve(entries),), "assumed sRGB", (note,)
    encoding: Encoding = "sRGB" if metadata.color_space == 1 else "assumed sRGB"
    return (srgb_curve(entries),), encoding, ()
