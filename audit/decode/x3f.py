"""Metadata of X3F files: the property list as Exif tags, and the JPEG previews.

Layout: X3F File Format Specification (Foveon Inc., public; from memory): the file's last four bytes
point to a directory ``SECd``; its ``PROP`` section lists names and values in UTF-16.
"""

import struct
from collections.abc import Iterator
from datetime import UTC, datetime

from audit.decode import tags as exif
from audit.decode.tags import Tags, Value

_MAGIC = b"FOVb"
_MAX_SECTIONS = 200
_MAX_PROPERTIES = 500
"""Bounds on hostile files; real ones have 5 sections and about 30 properties."""

_IMAGE_HEADER_BYTES = 28
_JPEG_DATA = 18
"""Data format of an image section that holds a JPEG."""

_MAX_NAME = 64
"""Characters of a name or value (guess; the longest seen has 19)."""

_TEXTS = {
    "CAMMANUF": exif.MAKE,
    "CAMMODEL": exif.MODEL,
    "CAMSERIAL": exif.BODY_SERIAL_NUMBER,
}
_NUMBERS = {
    "ISO": exif.PHOTOGRAPHIC_SENSITIVITY,
    "SHUTTER": exif.EXPOSURE_TIME,
    "APERTURE": exif.F_NUMBER,
    "FLENGTH": exif.FOCAL_LENGTH,
    "FLEQ35MM": exif.FOCAL_LENGTH_IN_35MM_FILM,
    "EXPCOMP": exif.EXPOSURE_BIAS_VALUE,
}


def previews(data: bytes) -> Iterator[bytes]:
    """JPEG previews of an X3F file, in the file's order."""
    for kind, offset, size in _sections(data):
        if kind not in (b"IMAG", b"IMA2") or size <= _IMAGE_HEADER_BYTES:
            continue
        if struct.unpack_from("<I", data, offset + 12)[0] == _JPEG_DATA:
            jpeg = data[offset + _IMAGE_HEADER_BYTES : offset + size]
            if jpeg.startswith(b"\xff\xd8"):
                yield jpeg


def property_tags(data: bytes) -> Tags:
    """Read the property list of an X3F file.

    Parameters
    ----------
    data : bytes
        The whole file; may be cut short or hostile.

    Returns
    -------
    Tags
        Under the numbers of the Exif tags that mean the same; empty where there is no list.
    """
    tags: dict[int, Value] = {}
    for name, value in _properties(data):
        if name in _TEXTS:
            tags[_TEXTS[name]] = value
        elif name in _NUMBERS:
            tags[_NUMBERS[name]] = value
        elif name == "TIME" and value.isdecimal() and int(value) < 2**32:
            moment = datetime.fromtimestamp(int(value), UTC)
            tags[exif.DATE_TIME_ORIGINAL] = f"{moment:%Y:%m:%d %H:%M:%S}"
    return tags


def _sections(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Kind, offset and size of the sections that lie inside the file."""
    if data[:4] != _MAGIC or len(data) < 16:
        return
    (at,) = struct.unpack_from("<I", data, len(data) - 4)
    if data[at : at + 4] != b"SECd" or at + 12 > len(data):
        return
    (count,) = struct.unpack_from("<I", data, at + 8)
    last = (len(data) - at - 12) // 12
    for index in range(min(count, last, _MAX_SECTIONS)):
        offset, size, kind = struct.unpack_from("<II4s", data, at + 12 + 12 * index)
        if offset + size <= len(data):
            yield kind, offset, size


def _properties(data: bytes) -> Iterator[tuple[str, str]]:
    for kind, offset, size in _sections(data):
        section = data[offset : offset + size]
        if kind != b"PROP" or section[:4] != b"SECp" or size < 24:
            continue
        (count,) = struct.unpack_from("<I", section, 8)
        count = min(count, (size - 24) // 8, _MAX_PROPERTIES)
        characters = section[24 + 8 * count :]
        for index in range(count):
            name, value = struct.unpack_from("<II", section, 24 + 8 * index)
            yield _text(characters, name), _text(characters, value)


def _text(characters: bytes, position: int) -> str:
    """Text that ends with a zero character, from a position counted in characters."""
    raw = characters[2 * position : 2 * (position + _MAX_NAME)]
    return raw.decode("utf-16-le", "replace").split("\0", 1)[0]
