"""A bare walk through the directories of a TIFF block.

The Exif libraries read the values. This walk does what they do not: it finds a maker note that
claims to be larger than its file (on which a reader can loop for ever), text of the UTF-8 type
that Exif 3.0 added, large binary entries such as an embedded JPEG, and the thumbnail.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from audit.decode.tags import EXIF_POINTER, MAKER_NOTE, Tags

UTF8_TYPE = 129
"""Exif 3.0 (CIPA DC-008-2023), 4.6.2: text in UTF-8 (number from memory)."""

_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_TYPE_BYTES[UTF8_TYPE] = 1

JPEG_OFFSET, JPEG_LENGTH = 513, 514
"""Exif 2.32, 4.6.4: JPEGInterchangeFormat and its length."""

MAX_TEXT_BYTES = 4096
"""Longest text that is read; names of software and lenses are far shorter (guess)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry of a directory."""

    tag: int
    type: int
    count: int
    offset: int
    """Where its bytes begin, in the block."""
    size_bytes: int
    """What it claims to hold."""


def directory_entries(block: bytes) -> Iterator[Entry]:
    """Walk the first directory and the Exif directory of a TIFF block.

    Parameters
    ----------
    block : bytes
        Begins with ``II`` or ``MM``; the magic number is not looked at, as raw formats vary it.

    Yields
    ------
    Entry
        Entries may point outside the block; the caller slices, which is safe.
    """
    order = {b"II": "<", b"MM": ">"}.get(block[:2])
    if order is None or len(block) < 8:
        return
    (first,) = struct.unpack_from(order + "I", block, 4)
    for entry in _directory(block, order, first):
        yield entry
        if entry.tag == EXIF_POINTER and entry.offset + 4 <= len(block):
            (exif,) = struct.unpack_from(order + "I", block, entry.offset)
            yield from _directory(block, order, exif)


def thumbnail_bytes(block: bytes) -> bytes:
    """JPEG thumbnail that the second directory of a TIFF block points to; empty without one.

    Parameters
    ----------
    block : bytes
        May be hostile.
    """
    order = {b"II": "<", b"MM": ">"}.get(block[:2])
    if order is None or len(block) < 8:
        return b""
    (first,) = struct.unpack_from(order + "I", block, 4)
    if first + 2 > len(block):
        return b""
    (count,) = struct.unpack_from(order + "H", block, first)
    link = first + 2 + 12 * count
    if link + 4 > len(block):
        return b""
    (second,) = struct.unpack_from(order + "I", block, link)
    places = {
        entry.tag: struct.unpack_from(order + "I", block, entry.offset)[0]
        for entry in _directory(block, order, second)
        if entry.tag in (JPEG_OFFSET, JPEG_LENGTH) and entry.offset + 4 <= len(block)
    }
    start = places.get(JPEG_OFFSET, len(block))
    return block[start : start + places.get(JPEG_LENGTH, 0)]


def _directory(block: bytes, order: str, start: int) -> Iterator[Entry]:
    if start + 2 > len(block):
        return
    (count,) = struct.unpack_from(order + "H", block, start)
    for at in range(start + 2, min(start + 2 + 12 * count, len(block) - 11), 12):
        tag, kind, values, offset = struct.unpack_from(order + "HHII", block, at)
        size = values * _TYPE_BYTES.get(kind, 0)
        yield Entry(
            tag=tag,
            type=kind,
            count=values,
            offset=offset if size > 4 else at + 8,
            size_bytes=size,
        )


def has_runaway_maker_note(block: bytes) -> bool:
    """Whether a maker note claims more bytes than the whole block has."""
    return any(
        entry.tag == MAKER_NOTE and entry.size_bytes > len(block)
        for entry in directory_entries(block)
    )


def utf8_tags(block: bytes) -> Tags:
    """Read the texts of type 129, which older readers skip."""
    return {
        entry.tag: block[entry.offset : entry.offset + min(entry.count, MAX_TEXT_BYTES)].decode(
            "utf-8", "replace"
        )
        for entry in directory_entries(block)
        if entry.type == UTF8_TYPE
    }


def entry_bytes(block: bytes, tag: int) -> bytes:
    """Content of the first entry with a tag; empty where there is none or it lies outside."""
    for entry in directory_entries(block):
        if entry.tag == tag and entry.offset + entry.size_bytes <= len(block):
            return block[entry.offset : entry.offset + entry.size_bytes]
    return b""
