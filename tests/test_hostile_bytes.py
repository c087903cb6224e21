"""Any bytes at all before each parser of our own: a value or an error of our own, nothing else.

The bytes are noise, or a sound file of the kind in which a stretch was replaced, cut or doubled.
``FRAME_AUDIT_EXAMPLES`` sets how many are tried of each kind; a long run is in DEVELOPERS.md.
"""

import contextlib
import io
import os
import struct
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from decode.test_ciff import crw, heap
from decode.test_x3f import x3f
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms
from planted_sidecars import SIDECARS

from audit.carry.manifest import manifest_text, read_manifest
from audit.carry.xmp_tree import read_document
from audit.decode import jpeg
from audit.decode.ciff import ciff_tags
from audit.decode.containers import exif_blocks, tiff_block_of_jpeg
from audit.decode.icc import profile_curves
from audit.decode.metadata import read_metadata
from audit.decode.small_pictures import read_grey_png
from audit.decode.tiff_directory import (
    directory_entries,
    entry_bytes,
    has_runaway_maker_note,
    thumbnail_bytes,
    utf8_tags,
)
from audit.decode.x3f import previews, property_tags
from audit.errors import AuditError
from audit.scan import sniff_format

EXAMPLES = int(os.environ.get("FRAME_AUDIT_EXAMPLES", "25"))


def encoded(kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F], exif[0x829A] = "Velmark", 1 / 60
    Image.fromarray(np.arange(256, dtype=np.uint8).reshape(16, 16)).save(
        out, kind, exif=exif, **options
    )
    return out.getvalue()


JPEG, TIFF, PNG = encoded("JPEG"), encoded("TIFF"), encoded("PNG")
BOX = struct.pack(">I4s", 16 + len(TIFF), b"moov") + struct.pack(">I4s", 8 + len(TIFF), b"CMT1")
CR3 = struct.pack(">I4s4sI", 16, b"ftyp", b"crx ", 1) + BOX + TIFF
RAF = (b"FUJIFILMCCD-RAW " + bytes(68) + struct.pack(">II", 92, len(JPEG))) + JPEG
MRW = b"\0MRM" + struct.pack(">I", 8 + len(TIFF)) + b"\0TTW" + struct.pack(">I", len(TIFF)) + TIFF
CRW = crw((0x300A, heap((0x080A, b"Velmark\0VK-50\0"))))
X3F = x3f({"CAMMANUF": "VELMARK", "SHUTTER": "0.01"})
ICC = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def of_jpeg(data: bytes) -> None:
    tiff_block_of_jpeg(data)
    jpeg.thumbnail(data)
    list(jpeg._segments(data))
    jpeg._lost_share(data)


def of_directory(data: bytes) -> None:
    assert len(list(directory_entries(data))) <= 2 * (1 + len(data) // 12)
    assert len(entry_bytes(data, 0x010F)) <= len(data)
    assert len(thumbnail_bytes(data)) <= len(data)
    utf8_tags(data)
    has_runaway_maker_note(data)


def of_x3f(data: bytes) -> None:
    list(previews(data))
    property_tags(data)


def of_manifest(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "list"
        file.write_bytes(data)
        for digest in read_manifest(file).values():
            assert len(digest) == 64


def of_png(data: bytes) -> None:
    picture = read_grey_png(data)
    assert picture is None or picture.ndim == 2


def of_container(kind: str) -> Callable[[bytes], None]:
    def read(data: bytes) -> None:
        assert isinstance(exif_blocks(data, kind), tuple)
        read_metadata(data, format=kind)

    return read


def of_icc(data: bytes) -> None:
    for channels in (1, 3):
        profile_curves(data, channels=channels, entries=256)


def of_head(data: bytes) -> None:
    for suffix in (".jpg", ".dng", ".cr3", ""):
        sniff_format(data, suffix)


PARSERS: dict[str, tuple[Callable[[bytes], object], bytes]] = {
    "jpeg": (of_jpeg, JPEG),
    "directory": (of_directory, TIFF),
    "cr3": (of_container("cr3"), CR3),
    "raf": (of_container("raf"), RAF),
    "mrw": (of_container("mrw"), MRW),
    "rw2": (of_container("rw2"), TIFF),
    "crw": (ciff_tags, CRW),
    "x3f": (of_x3f, X3F),
    "icc": (of_icc, ICC),
    "xmp": (read_document, SIDECARS[0].encode()),
    "manifest": (of_manifest, manifest_text({b"a\n.dng": "0" * 64, b"b.dng": "f" * 64})),
    "png": (of_png, PNG),
    "head": (of_head, JPEG),
}


def changed(sound: bytes) -> st.SearchStrategy[bytes]:
    """Noise, or sound bytes with a stretch replaced, cut or doubled."""
    place = st.integers(0, len(sound)) | st.integers(0, min(64, len(sound)))
    one_change = st.builds(
        lambda at, noise, skip: sound[:at] + noise + sound[at + skip :],
        place,
        st.binary(max_size=12) | st.sampled_from([b"\xff" * 4, bytes(4), b"\x7f\xff\xff\xff"]),
        st.sampled_from([0, 1, 2, 4, 8]) | place,
    )
    return one_change | st.binary(max_size=300) | one_change.map(lambda data: data + data)


@pytest.mark.parametrize("name", PARSERS)
def test_any_bytes_give_a_value_or_an_error_of_our_own(name: str) -> None:
    parse, sound = PARSERS[name]
    parse(sound)

    @settings(max_examples=EXAMPLES, deadline=None)
    @given(changed(sound))
    def try_one(data: bytes) -> None:
        with contextlib.suppress(AuditError):
            parse(data)

    try_one()
