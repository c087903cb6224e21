"""Where a file keeps its Exif: own small walks that hand TIFF and JPEG blocks to the Exif readers.

===========  =====================================================================================
CR3          ISO base media file (ISO/IEC 14496-12): boxes ``moov`` / ``uuid`` / ``CMT1``, ``CMT2``
RAF          big-endian offset and length at bytes 84 and 88: a JPEG with full Exif
MRW          blocks of four-byte name and length: ``TTW`` is a TIFF block
RW2          a TIFF variant; the camera's JPEG with full Exif in tag 0x002E of the first directory
X3F          a directory at the end of the file; the preview is a JPEG
JPEG         segments (ITU-T T.81, annex B): APP1 that begins with ``Exif``
===========  =====================================================================================

Layouts of CR3, RAF, MRW and RW2 are publicly described by their readers, not by their makers; they
were checked on header-only files of the open test collections.
"""

import struct
from collections.abc import Iterator

from audit.decode import x3f
from audit.decode.tiff_directory import entry_bytes

_BOXES_WITH_BOXES = {b"moov": 0, b"uuid": 16}
"""Boxes to look into, and what stands before their first inner box."""

_MAX_BOXES = 10_000
_MAX_BOX_DEPTH = 4
"""Bounds on hostile files; real ones hold about 60 boxes, the wanted ones at depth 2."""

_RAF_MAGIC = b"FUJIFILMCCD-RAW"
_RAF_JPEG_AT = 84

_RW2_JPEG = 0x002E

TIFF_LIKE = frozenset(
    {"tiff", "dng", "cr2", "nef", "nrw", "arw", "sr2", "orf", "rw2", "pef", "srw", "3fr", "fff"}
    | {"iiq", "rwl", "kdc", "dcr", "gpr", "erf", "mef", "mos", "raw", "srf"}
)
"""Formats whose file is a TIFF block itself, whatever its magic number."""


def exif_blocks(data: bytes, format: str) -> tuple[bytes, ...]:  # noqa: A002
    """Find the blocks that hold Exif tags, the most telling first.

    Parameters
    ----------
    data : bytes
        The whole file; may be cut short or hostile.
    format : str
        Format by content.

    Returns
    -------
    tuple of bytes
        TIFF blocks (``II`` or ``MM``) and JPEG streams; empty where none was found.
    """
    if format == "jpeg":
        return (data,)
    if format == "cr3":
        boxes = dict(_boxes(data))
        return tuple(boxes[name] for name in (b"CMT1", b"CMT2") if name in boxes)
    if format == "raf":
        return tuple(_raf_jpeg(data))
    if format == "mrw":
        return tuple(_mrw_block(data, b"\0TTW"))
    if format == "x3f":
        return tuple(x3f.previews(data))
    if format == "rw2":
        jpeg = entry_bytes(data, _RW2_JPEG)
        return (data, jpeg) if jpeg else (data,)
    return (data,) if format in TIFF_LIKE else ()


def tiff_block_of_jpeg(data: bytes) -> bytes:
    """Return the TIFF block of a JPEG's Exif segment; empty where there is none."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        if marker in (0xD9, 0xDA):
            break
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker == 0xE1 and data[at + 4 : at + 10] == b"Exif\0\0":
            return data[at + 10 : at + 2 + length]
        at += 2 + max(length, 2)
    return b""


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Names and contents of the ``CMT`` boxes, wherever they are nested."""
    pending = [(0, len(data), 0)]
    seen = 0
    while pending:
        at, end, depth = pending.pop()
        while at + 8 <= end and seen < _MAX_BOXES:
            seen += 1
            size, name = struct.unpack_from(">I4s", data, at)
            header = 8
            if size == 1 and at + 16 <= end:
                (size,) = struct.unpack_from(">Q", data, at + 8)
                header = 16
            elif size == 0:
                size = end - at
            if size < header:
                break
            stop = min(at + size, end)
            if name in _BOXES_WITH_BOXES and depth < _MAX_BOX_DEPTH:
                pending.append((at + header + _BOXES_WITH_BOXES[name], stop, depth + 1))
            elif name.startswith(b"CMT"):
                yield name, data[at + header : stop]
            at += size


def _raf_jpeg(data: bytes) -> Iterator[bytes]:
    if not data.startswith(_RAF_MAGIC) or len(data) < _RAF_JPEG_AT + 8:
        return
    offset, length = struct.unpack_from(">II", data, _RAF_JPEG_AT)
    jpeg = data[offset : offset + length]
    if jpeg.startswith(b"\xff\xd8"):
        yield jpeg


def _mrw_block(data: bytes, wanted: bytes) -> Iterator[bytes]:
    order = {b"\0MRM": ">", b"\0MRI": "<"}.get(data[:4])
    if order is None or len(data) < 8:
        return
    (end,) = struct.unpack_from(order + "I", data, 4)
    at = 8
    while at + 8 <= min(len(data), 8 + end):
        name, length = struct.unpack_from(order + "4sI", data, at)
        if name == wanted:
            yield data[at + 8 : at + 8 + length]
            return
        at += 8 + length
