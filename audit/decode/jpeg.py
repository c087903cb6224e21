"""Codes of a JPEG picture by libjpeg (through simplejpeg), with every complaint that it has.

libjpeg goes on after broken data: it fills with grey or shifted blocks and says so in a warning.
Pillow passes no warning on, so a damaged picture would come out as a sound one.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import simplejpeg
from numpy.typing import NDArray

from audit.decode.containers import tiff_block_of_jpeg
from audit.decode.planes import Complaint
from audit.decode.tiff_directory import thumbnail_bytes

Colours = Literal["RGB", "GRAY"]

_EXTRANEOUS = "extraneous bytes"
"""libjpeg's words for data that are left over: what it says when all rows asked for were there."""

_UNKNOWN_SAMPLING = "Could not determine subsampling"
"""simplejpeg's words for sampling factors that the TurboJPEG interface does not know."""

_SOF_BASELINE, _SOF_EXTENDED, _SOF_PROGRESSIVE = 0xC0, 0xC1, 0xC2
_DRI, _SOS, _EOI = 0xDD, 0xDA, 0xD9
_STANDALONE = frozenset({0x01, *range(0xD0, 0xD9)})
"""Markers without a length (ITU-T T.81, table B.1)."""

_FILLER_BYTES = 64
"""Zeros in a row that no scan of a picture with detail holds (guess; 512 is a sector)."""

_THUMBNAIL_LONG_EDGE_PX = 640
"""Largest thumbnail that is decoded; Exif's is 160 x 120."""

MAX_SCANS = 100
"""Most scans of a progressive picture: libjpeg's own script makes 10; each one more makes the
decoder walk over the whole picture once more (a file of 50 KB took 20 s with 3,000)."""


class UnknownSampling(Exception):
    """Sampling factors that this decoder cannot say anything about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Header:
    """Where the parts of a JPEG stream lie that matter here."""

    height_at: int | None = None
    """Offset of the picture's height."""
    height_px: int = 0
    is_sequential: bool = False
    restarts: bool = False
    scan_at: int | None = None
    """Offset of the first entropy-coded byte."""


def decode_jpeg(
    data: bytes, colours: Colours, shrink: int = 1
) -> tuple[NDArray[np.uint8], Complaint | None]:
    """Decode a JPEG picture, broken or not.

    Parameters
    ----------
    data : bytes
        The whole file; its header was found sound.
    colours : str
        ``RGB``, or ``GRAY`` for one plane.
    shrink : int
        1, 2, 4 or 8: one of so many rows and columns, made by the inverse transform itself
        (libjpeg). The whole stream is read all the same, so that complaints are the same.

    Returns
    -------
    (rows, cols, 3) or (rows, cols) uint8 array
        Codes as stored.
    Complaint or None
        What is wrong with them.

    Raises
    ------
    UnknownSampling
        If the interface does not know the sampling factors.
    ValueError
        If nothing can be decoded.
    """
    words = _first_complaint(data, colours, shrink)
    if isinstance(words, np.ndarray):
        return words, None
    try:
        codes = _codes(data, colours, strict=False, shrink=shrink)
    except ValueError as error:
        if _UNKNOWN_SAMPLING in str(error):
            raise UnknownSampling(str(error)) from error
        raise
    return codes, Complaint(words=words, lost_share=_lost_share(data))


def scans(data: bytes) -> int:
    """Scans of the picture and of what else lies in the file; markers never occur inside one."""
    codes = np.frombuffer(data, np.uint8)  # searched so, it takes a third of the time
    marks = np.flatnonzero(codes[:-1] == 0xFF)
    return int(np.count_nonzero(codes[marks + 1] == _SOS))


def thumbnail(data: bytes) -> NDArray[np.uint8] | None:
    """Grey codes of the Exif thumbnail of a JPEG file; ``None`` without a sound one."""
    small = thumbnail_bytes(tiff_block_of_jpeg(data))
    if not small:
        return None
    try:
        height, width, _, _ = simplejpeg.decode_jpeg_header(small)
        if max(height, width) > _THUMBNAIL_LONG_EDGE_PX:
            return None
        return _codes(small, "GRAY", strict=True)
    except (ValueError, MemoryError):
        return None


def _codes(data: bytes, colours: Colours, *, strict: bool, shrink: int = 1) -> NDArray[np.uint8]:
    height, width = simplejpeg.decode_jpeg_header(data)[:2] if shrink > 1 else (0, 0)
    codes: NDArray[np.uint8] = simplejpeg.decode_jpeg(
        data,
        colorspace=colours,
        strict=strict,
        min_height=height // shrink,
        min_width=width // shrink,
    )
    return codes[:, :, 0] if colours == "GRAY" else codes


def _first_complaint(data: bytes, colours: Colours, shrink: int = 1) -> NDArray[np.uint8] | str:
    """Codes of a sound picture, or libjpeg's first complaint about another."""
    try:
        return _codes(data, colours, strict=True, shrink=shrink)
    except ValueError as error:
        return " ".join(str(error).split()) or "broken data"


def _lost_share(data: bytes) -> float | None:
    """Share of the rows from the first bad place on, for one sequential scan without restarts.

    After an error the decoder is out of step to the end of the picture. Other scans may recover or
    come as many passes over the whole picture: there the place of the error says little.
    """
    header = _header(data)
    if not header.is_sequential or header.restarts or header.scan_at is None:
        return None
    end = _end_of_scan(data, header.scan_at)
    if data[end : end + 2] == bytes((0xFF, _SOS)):
        return None
    one_scan = bytearray(data[:end] + bytes((0xFF, _EOI)))
    filler = one_scan.find(bytes(_FILLER_BYTES), header.scan_at)
    before = 1.0 if filler < 0 else (filler - header.scan_at) / (len(data) - header.scan_at)
    sound = min(before, _sound_rows_share(one_scan, header))
    # Nothing but data left over: somewhere before the end the decoder got out of step.
    return 1.0 - sound if sound < 1.0 else None


def _end_of_scan(data: bytes, start: int) -> int:
    """Offset of the first marker that does not belong into entropy-coded data, or the end."""
    at = data.find(0xFF, start)
    while 0 <= at < len(data) - 1:
        if data[at + 1] not in (0x00, 0xFF, *range(0xD0, 0xD8)):
            return at
        at = data.find(0xFF, at + 1)
    return len(data)


def _sound_rows_share(one_scan: bytearray, header: _Header) -> float:
    """Share of the rows that decode without another complaint than that more data follow.

    Found by asking for fewer rows: the height in the header of a copy is changed.
    """
    assert header.height_at is not None
    low, high = 0, header.height_px
    while high - low > max(16, header.height_px // 64):
        rows = (low + high) // 2
        struct.pack_into(">H", one_scan, header.height_at, rows)
        words = _first_complaint(bytes(one_scan), "GRAY")
        if isinstance(words, str) and _EXTRANEOUS not in words:
            high = rows
        else:
            low = rows
    return 1.0 if high == header.height_px else low / header.height_px


def _header(data: bytes) -> _Header:
    height_at, height_px, sequential, restarts = None, 0, False, False
    for marker, at, length in _segments(data):
        if marker in (_SOF_BASELINE, _SOF_EXTENDED, _SOF_PROGRESSIVE) and length >= 8:
            height_at = at + 5
            (height_px,) = struct.unpack_from(">H", data, height_at)
            sequential = marker != _SOF_PROGRESSIVE
        elif marker == _DRI and length >= 4:
            restarts = data[at + 4 : at + 6] != b"\0\0"
        elif marker == _SOS:
            return _Header(
                height_at=height_at,
                height_px=height_px,
                is_sequential=sequential and height_px > 0,
                restarts=restarts,
                scan_at=at + 2 + length,
            )
    return _Header()


def _segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, offset and length of each segment up to the first scan (ITU-T T.81, annex B)."""
    at = 2
    while at + 4 <= len(data):
        marker = data[at + 1]
        if data[at] != 0xFF or marker == 0xFF or marker in _STANDALONE:
            at += 1 if data[at] != 0xFF or marker == 0xFF else 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker == _EOI or length < 2:
            return
        yield marker, at, length
        if marker == _SOS:
            return
        at += 2 + length
