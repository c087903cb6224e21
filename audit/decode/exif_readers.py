"""Exif tags of a block, by the libraries that read them: exifread first, Pillow second."""

import io
import logging
import math
import warnings
from collections.abc import Iterable

import exifread
from PIL import Image

from audit.decode.containers import tiff_block_of_jpeg
from audit.decode.tags import EXIF_POINTER, INTEROPERABILITY, Tags, Value
from audit.decode.tiff_directory import has_runaway_maker_note, utf8_tags

# It warns about every odd file, on the terminal of whoever runs us.
logging.getLogger("exifread").disabled = True

_JPEG_MAGIC = b"\xff\xd8"
_TIFF_MAGICS = (b"II*\0", b"MM\0*")

MAX_BINARY_BYTES = 4096
"""Longest binary value that is kept; the wanted ones are under 100 bytes (guess)."""

_EXIF_GROUPS = ("EXIF", "Image")
"""Groups of exifread's keys, the stronger first. A block that is an Exif directory by itself (CR3)
comes out as ``Image``."""


def exifread_tags(block: bytes) -> Tags:
    """Read a TIFF block or JPEG stream with exifread; maker notes are left out.

    Parameters
    ----------
    block : bytes
        May be hostile. A block whose maker note claims to be larger than the block is not shown to
        exifread at all: older releases loop on it (their issue 182).

    Returns
    -------
    Tags
        Empty where exifread finds nothing or fails in any way.
    """
    tiff = tiff_block_of_jpeg(block) if block.startswith(_JPEG_MAGIC) else block
    if has_runaway_maker_note(tiff):
        return {}
    try:
        found = exifread.process_file(io.BytesIO(block), details=False, extract_thumbnail=False)
        tags: dict[int, Value] = {}
        for group in _EXIF_GROUPS:
            for key, tag in found.items():
                if key.startswith(group + " ") and tag.tag not in tags:
                    tags[tag.tag] = _plain(_as_text(tag.values))
        if index := found.get("Interoperability InteroperabilityIndex"):
            tags[INTEROPERABILITY] = _plain(index.values)
    except Exception:  # any of a dozen kinds, measured on damaged files
        return {}
    # Texts that exifread skips, since their type is newer than it.
    return {**utf8_tags(tiff), **tags}


def pillow_tags(block: bytes) -> Tags:
    """Read a TIFF block or JPEG stream with Pillow.

    Returns
    -------
    Tags
        Empty where Pillow finds nothing or fails in any way.
    """
    tiff = tiff_block_of_jpeg(block) if block.startswith(_JPEG_MAGIC) else block
    if not tiff.startswith(_TIFF_MAGICS):
        return {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            exif = Image.Exif()
            exif.load(tiff)
            found = {**dict(exif), **exif.get_ifd(EXIF_POINTER)}
        return {
            int(number): _plain(value)
            for number, value in found.items()
            if not (isinstance(value, bytes) and len(value) > MAX_BINARY_BYTES)
        }
    except Exception:  # as above
        return {}


def _as_text(values: object) -> object:
    """Text that exifread could not decode comes as bytes; everything else stays as it is."""
    return values.decode("latin-1") if isinstance(values, bytes) else values


def _plain(values: object) -> Value:
    """Bring a library's value to the form of `Tags`."""
    if isinstance(values, str):
        return values
    if isinstance(values, Iterable):
        return tuple(_number(value) for value in values)
    return (_number(values),)


def _number(value: object) -> float | None:
    """One finite number; a ratio over zero is ``None``."""
    if isinstance(value, tuple):  # exifread wraps a float once more
        value = value[0] if value else None
    try:
        number = float(value)  # type: ignore[arg-type]  # what is no number raises
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) else None
