"""Sensor samples and levels of a raw file, by LibRaw (through rawpy)."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rawpy
import simplejpeg
from numpy.typing import NDArray

from audit.decode import tags as exif
from audit.decode.planes import GREEN, Mosaic
from audit.decode.tags import Tags
from audit.errors import DamagedFrame, FrameError, TooLargeFrame, UnreadableFrame, UnsupportedFrame

_COLOUR_OF_LETTER = {"R": 0, "G": GREEN, "B": 2}

_LARGEST_PATTERN = 16
"""Rows and columns after which every colour filter array in use repeats (16: Leaf Catchlight)."""

_WHITE_TOLERANCE = 0.1
"""How far a camera's own white level may lie from LibRaw's, as a share of the range above black.
Beyond it the tag is the limit of linearity, not of saturation (guess)."""

_LOST_ROWS_SHARE = 0.02
_LOST_ROWS_LEAST = 8
"""Rows of nothing but zeros that make a file damaged. Black has noise, so that a sensor gives no
such row; a few may stand at a border that LibRaw does not know as masked (guess)."""

_ORIENTATION_OF_FLIP = {0: 1.0, 3: 3.0, 5: 8.0, 6: 6.0}
"""LibRaw's flip (3: 180 degrees, 5: 90 counter-clockwise, 6: 90 clockwise) as Exif Orientation."""

_UNSUPPORTED = (
    rawpy.LibRawFileUnsupportedError,
    rawpy.LibRawNotImplementedError,
    rawpy.LibRawRequestForNonexistentImageError,
    rawpy.NotSupportedError,
)
_DAMAGED = (rawpy.LibRawDataError, rawpy.LibRawIOError, rawpy.LibRawBadCropError, OSError)
_TOO_LARGE = (
    rawpy.LibRawTooBigError,
    rawpy.LibRawMemPoolOverflowError,
    rawpy.LibRawUnsufficientMemoryError,
    MemoryError,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RawPixels:
    """Samples of one raw file, and what LibRaw read beside them."""

    mosaic: Mosaic
    tags: Tags
    """What LibRaw knows of the exposure, as Exif tags."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RawPreview:
    """The largest JPEG inside a raw file, and the size of the picture that it stands for."""

    jpeg: bytes
    width_px: int
    height_px: int
    """Visible samples of the sensor."""
    tags: Tags
    """Orientation, as LibRaw understood it."""

    def columns(self) -> int:
        """Columns of the preview."""
        return int(simplejpeg.decode_jpeg_header(self.jpeg)[1])


def read_preview(path: Path, format: str) -> RawPreview | None:  # noqa: A002
    """Find the largest embedded JPEG of a raw file; no sample is unpacked.

    Parameters
    ----------
    path : Path
        LibRaw seeks in the file itself, so that most of it is not read.
    format : str

    Returns
    -------
    RawPreview or None
        ``None`` where there is none, for whatever reason.
    """
    if format == "x3f":
        return None
    try:
        with rawpy.imread(str(path)) as raw:
            found, sizes = raw.extract_thumb(), raw.sizes
            if found.format != rawpy.ThumbFormat.JPEG:
                return None
            preview = RawPreview(
                jpeg=bytes(found.data),
                width_px=sizes.width,
                height_px=sizes.height,
                tags=_orientation(raw),
            )
            preview.columns()  # raises where its header is broken
            return preview
    except Exception:  # no preview, no raw file, or whatever a library of 100 formats may raise
        return None


def read_mosaic(data: bytes, *, name: str, format: str, max_pixels: int) -> RawPixels:  # noqa: A002
    """Read the visible sensor samples of a raw file.

    Parameters
    ----------
    data : bytes
        The whole file.
    name, format : str
        For messages.
    max_pixels : int
        Most samples that are unpacked, masked borders included.

    Returns
    -------
    RawPixels

    Raises
    ------
    UnsupportedFrame
        If LibRaw does not know the file, or it holds no mosaic of red, green and blue.
    TooLargeFrame
        If the sensor has more samples than `max_pixels`, or memory does not suffice.
    DamagedFrame
        If the data are cut short or broken.
    UnreadableFrame
        If LibRaw fails in a way of its own.
    """
    if format == "x3f":
        # LibRaw opens some and fails on others; none of them has a mosaic.
        raise _no_mosaic(name)
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            _refuse_size(raw, name, max_pixels)
            raw.unpack()
            return _pixels(raw, name)
    except FrameError:
        raise
    except _TOO_LARGE as error:
        raise TooLargeFrame(
            f"{name}: expected a raw file that fits into memory, found: {_words(error)}"
        ) from error
    except _UNSUPPORTED as error:
        raise UnsupportedFrame(
            f"{name}: expected {format.upper()} data that LibRaw knows, found: {_words(error)}"
        ) from error
    except _DAMAGED as error:
        raise DamagedFrame(
            f"{name}: expected whole {format.upper()} data, found {len(data):,} bytes that LibRaw"
            f" cannot unpack: {_words(error)}"
        ) from error
    except Exception as error:  # whatever else a library of 100 formats may raise
        raise UnreadableFrame(
            f"{name}: expected {format.upper()} data, found: {_words(error)}"
        ) from error


def _words(error: BaseException) -> str:
    """What a library said, on one line."""
    text = error.args[0] if error.args else ""
    text = text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)
    return " ".join(text.split()) or type(error).__name__


def _no_mosaic(name: str) -> UnsupportedFrame:
    return UnsupportedFrame(
        f"{name}: expected one sample a site under a colour filter mosaic, found a raw file with"
        " several colours at each pixel (layered sensor, reduced-size or linear raw)",
        code="no-mosaic",
    )


def _refuse_size(raw: Any, name: str, max_pixels: int) -> None:
    sizes = raw.sizes
    pixels = sizes.raw_width * sizes.raw_height
    if pixels > max_pixels:
        raise TooLargeFrame(
            f"{name}: expected at most {max_pixels:,} samples, found"
            f" {sizes.raw_width:,} x {sizes.raw_height:,}"
        )


def _pixels(raw: Any, name: str) -> RawPixels:
    if raw.raw_type != rawpy.RawType.Flat:
        raise _no_mosaic(name)
    notes = []
    if raw.num_colors == 1:
        pattern = np.full((1, 1), GREEN, dtype=np.uint8)
        indices = np.zeros((1, 1), dtype=np.uint8)
        notes.append("The sensor has no colour filters: its samples are reported as green.")
    else:
        indices = _colour_indices(raw)
        pattern = _colours(indices, raw.color_desc.decode("ascii", "replace"), name)
    samples = np.array(raw.raw_image_visible, dtype=np.uint16, order="C", copy=True)
    if samples.size == 0:
        raise DamagedFrame(f"{name}: expected sensor samples, found none")
    black = np.asarray(raw.black_level_per_channel, dtype=np.float32)
    black_dn = black[indices]
    white_dn = _white_levels(raw, black)[indices]
    if (white_dn <= black_dn).any():
        raise DamagedFrame(
            f"{name}: expected a white level above black, found white {white_dn.min():g}"
            f" and black {black_dn.max():g}"
        )
    _refuse_lost_rows(samples, name)
    if abs(raw.sizes.pixel_aspect - 1) > 0.01:
        notes.append(
            f"The pixels are not square ({raw.sizes.pixel_aspect:.3f}): measures along rows and"
            " columns differ in scale."
        )
    return RawPixels(
        mosaic=Mosaic(
            samples=samples,
            pattern=pattern,
            black_dn=black_dn,
            white_dn=white_dn,
            white_balance=_white_balance(raw),
            camera_from_xyz=_camera_from_xyz(raw),
        ),
        tags=_tags(raw),
        notes=tuple(notes),
    )


def _white_balance(raw: Any) -> tuple[float, float, float] | None:
    """Multipliers as shot, else LibRaw's for daylight; ``None`` where neither makes sense."""
    if raw.num_colors == 1:
        return None
    for levels in (raw.camera_whitebalance, raw.daylight_whitebalance):
        red, green, blue = (float(level) for level in levels[:3])
        if all(0 < level < float("inf") for level in (red, green, blue)):
            return red, green, blue
    return None


def _camera_from_xyz(raw: Any) -> NDArray[np.float64] | None:
    """LibRaw's colour matrix of the camera, where it has one."""
    matrix = np.asarray(raw.rgb_xyz_matrix, dtype=np.float64)[:3]
    return matrix if raw.num_colors == 3 and matrix.any() else None


def _colour_indices(raw: Any) -> NDArray[np.uint8]:
    """LibRaw's colour index of each site of the smallest cell that repeats.

    Asked site by site from the visible origin on: so margins need no thought, and every filter
    array is read alike.
    """
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    probe = 2 * _LARGEST_PATTERN
    indices = np.array(
        [[raw.raw_color(top + row, left + col) for col in range(probe)] for row in range(probe)],
        dtype=np.uint8,
    )
    rows = _period(indices)
    cols = _period(indices.T)
    return indices[:rows, :cols]


def _period(indices: NDArray[np.uint8]) -> int:
    """Smallest number of rows after which the rows repeat."""
    for rows in range(1, _LARGEST_PATTERN):
        if (indices[rows:] == indices[:-rows]).all():
            return rows
    return _LARGEST_PATTERN


def _colours(indices: NDArray[np.uint8], letters: str, name: str) -> NDArray[np.uint8]:
    """Red, green, blue of LibRaw's colour indices; both greens alike."""
    colours = np.zeros_like(indices)
    for index in np.unique(indices):
        letter = letters[index : index + 1]
        if letter not in _COLOUR_OF_LETTER:
            raise UnsupportedFrame(
                f"{name}: expected filters of red, green and blue, found {letters}",
                code="no-mosaic",
            )
        colours[indices == index] = _COLOUR_OF_LETTER[letter]
    return colours


def _white_levels(raw: Any, black: NDArray[np.float32]) -> NDArray[np.float32]:
    """Nominal white level by colour index: the camera's own where it is sane, else LibRaw's."""
    common = float(raw.white_level)
    own: Sequence[int] | None = raw.camera_white_level_per_channel
    if own is not None:
        levels = np.asarray(own, dtype=np.float32)
        share = (levels - black) / np.maximum(common - black, 1)
        if (np.abs(share - 1) <= _WHITE_TOLERANCE).all():
            return levels
    return np.full(black.shape, common, dtype=np.float32)


def _refuse_lost_rows(samples: NDArray[np.uint16], name: str) -> None:
    """Refuse a frame of which a part is not there: its file has the right length, but zeros."""
    rows = samples.shape[0]
    lost = np.flatnonzero(~samples.any(axis=1))
    if lost.size >= max(_LOST_ROWS_LEAST, _LOST_ROWS_SHARE * rows):
        raise DamagedFrame(
            f"{name}: expected samples with noise in every row, found {lost.size:,} of {rows:,}"
            f" rows that are all zero, from row {lost[0]:,} on",
            code="lost-rows",
            lost_share=lost.size / rows,
        )


def _orientation(raw: Any) -> Tags:
    flip = raw.sizes.flip
    return {exif.ORIENTATION: (_ORIENTATION_OF_FLIP[flip],)} if flip in _ORIENTATION_OF_FLIP else {}


def _tags(raw: Any) -> Tags:
    """Shutter, aperture, sensitivity, focal length and orientation as LibRaw understood them.

    The time is left out: LibRaw gives it without saying whose clock it is.
    """
    tags = dict(_orientation(raw))
    try:
        other = raw.other
    except Exception:  # a date that Python cannot hold must not lose the frame
        return tags
    tags[exif.EXPOSURE_TIME] = (float(other.shutter_speed),)
    tags[exif.F_NUMBER] = (float(other.aperture),)
    tags[exif.PHOTOGRAPHIC_SENSITIVITY] = (float(other.iso_speed),)
    tags[exif.FOCAL_LENGTH] = (float(other.focal_length),)
    return tags
