"""Metadata of CRW files: records of a Camera Image File Format heap, as Exif tags.

Layout: CIFF Specification on Image Data File, version 1.0 revision 4 (Canon Inc., 1997; from
memory). Exposure stands in two places: record 0x1818 of that specification (APEX values as
floats), or record 0x102A, the maker's own array of APEX values in 1/32 steps, whose meaning was
found by readers and was checked against LibRaw on real files.
"""

import struct
from collections.abc import Iterator
from datetime import UTC, datetime

from audit.decode import tags as exif
from audit.decode.tags import Tags, Value

_MAGIC = b"HEAPCCDR"
_MAX_DEPTH = 8
_MAX_RECORDS = 2000
"""Bounds on hostile files; real ones have about 60 records, nested 3 deep."""

_IN_HEAP, _IN_RECORD = 0x0000, 0x4000
_DATA_MASK = 0xC000
_KIND_MASK = 0x3800
_HEAP_KINDS = (0x2800, 0x3000)
_ID_MASK = 0x3FFF

_MAKE_AND_MODEL = 0x080A
_IMAGE_INFO = 0x1810
_EXPOSURE = 0x1818
_CAPTURED = 0x180E
_SHOT_INFO = 0x102A
_FOCAL = 0x1029
_SERIAL = 0x180B

_ORIENTATION_OF_ROTATION = {0: 1.0, 90: 6.0, 180: 3.0, 270: 8.0, -90: 8.0}
"""Degrees clockwise to view (record 0x1810) as Exif Orientation."""

_ZOOM_FOCAL_UNIT = 32
"""Steps a mm where the first number of record 0x1029 is 2 (compact cameras)."""

_MAX_APEX = 40.0
"""Beyond it an APEX value is broken: 2^-40 s, f/2^20."""


def ciff_tags(data: bytes) -> Tags:
    """Read what a CRW file says about its exposure.

    Parameters
    ----------
    data : bytes
        The whole file; may be cut short or hostile.

    Returns
    -------
    Tags
        Under the numbers of the Exif tags that mean the same; empty where nothing was found.
    """
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None or data[6:14] != _MAGIC:
        return {}
    (start,) = struct.unpack_from(order + "I", data, 2)
    tags: dict[int, Value] = {}
    for identity, content in _records(data, order, start):
        try:
            tags.update(_translated(identity, content, order))
        except struct.error:  # a record shorter than its kind needs
            continue
    return tags


def _records(data: bytes, order: str, start: int) -> Iterator[tuple[int, bytes]]:
    """Identity and content of every record, heaps inside heaps included."""
    pending = [(start, len(data), 0)]
    seen = 0
    while pending:
        begin, end, depth = pending.pop()
        if end - begin < 6 or end > len(data):
            continue
        (table,) = struct.unpack_from(order + "I", data, end - 4)
        table += begin
        if table + 2 > end:
            continue
        (count,) = struct.unpack_from(order + "H", data, table)
        for at in range(table + 2, min(table + 2 + 10 * count, end - 9), 10):
            seen += 1
            if seen > _MAX_RECORDS:
                return
            kind, size, offset = struct.unpack_from(order + "HII", data, at)
            if kind & _DATA_MASK == _IN_RECORD:
                yield kind & _ID_MASK, data[at + 2 : at + 10]
            elif kind & _DATA_MASK == _IN_HEAP and kind & _KIND_MASK in _HEAP_KINDS:
                if depth < _MAX_DEPTH:
                    pending.append((begin + offset, begin + offset + size, depth + 1))
            elif kind & _DATA_MASK == _IN_HEAP and begin + offset + size <= end:
                yield kind & _ID_MASK, data[begin + offset : begin + offset + size]


def _translated(identity: int, content: bytes, order: str) -> Iterator[tuple[int, Value]]:
    """One record as Exif tags."""
    if identity == _MAKE_AND_MODEL:
        make, model, *_ = [*content.decode("latin-1").split("\0"), "", ""]
        yield exif.MAKE, make
        yield exif.MODEL, model
    elif identity == _IMAGE_INFO:
        (rotation,) = struct.unpack_from(order + "i", content, 12)
        if rotation in _ORIENTATION_OF_ROTATION:
            yield exif.ORIENTATION, (_ORIENTATION_OF_ROTATION[rotation],)
    elif identity == _EXPOSURE:
        bias_ev, time_value, aperture_value = struct.unpack_from(order + "3f", content)
        if abs(bias_ev) <= _MAX_APEX:
            yield exif.EXPOSURE_BIAS_VALUE, (bias_ev,)
        yield from _apex(time_value, aperture_value)
    elif identity == _SHOT_INFO:
        _, _, sensitivity, _, aperture, time = struct.unpack_from(order + "6h", content)
        yield from _apex(time / 32, aperture / 32)
        if 0 < sensitivity / 32 < _MAX_APEX:
            yield exif.PHOTOGRAPHIC_SENSITIVITY, (50.0 * 2 ** (sensitivity / 32 - 4),)
    elif identity == _FOCAL:
        kind, focal = struct.unpack_from(order + "HH", content)
        yield exif.FOCAL_LENGTH, (focal / _ZOOM_FOCAL_UNIT if kind == 2 else float(focal),)
    elif identity == _CAPTURED:
        # Seconds of the camera's own clock since 1970; its zone field is 0 on every camera seen.
        (seconds,) = struct.unpack_from(order + "I", content)
        moment = datetime.fromtimestamp(seconds, UTC)
        yield exif.DATE_TIME_ORIGINAL, f"{moment:%Y:%m:%d %H:%M:%S}" if seconds else ""
    elif identity == _SERIAL:
        (serial,) = struct.unpack_from(order + "I", content)
        yield exif.BODY_SERIAL_NUMBER, str(serial) if serial else ""


def _apex(time_value: float, aperture_value: float) -> Iterator[tuple[int, Value]]:
    """Shutter time and aperture of APEX values, where these are sound."""
    if abs(time_value) <= _MAX_APEX:
        yield exif.EXPOSURE_TIME, (2.0**-time_value,)
    if 0 < aperture_value <= _MAX_APEX:
        yield exif.F_NUMBER, (2.0 ** (aperture_value / 2),)
