"""Own walks to the embedded Exif blocks: real header-only files, built ones, hostile ones."""

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from audit.decode import read_metadata
from audit.decode import tags as exif
from audit.decode.containers import exif_blocks, tiff_block_of_jpeg

# As read from the embedded TIFF or JPEG block by Pillow (a second reader); CRW and X3F: from the
# hexadecimal dump of the record or property list by hand.
EXPECTED = {
    "CanonRaw.cr3": (
        "Canon EOS M50",
        {"shutter_s": 1 / 80, "aperture_n": 3.5, "iso": 12800, "focal_mm": 15},
        {"taken_at": "2018-02-21T12:08:56.21", "lens": "EF-M15-45mm f/3.5-6.3 IS STM"},
    ),
    "Canon-R6-pruned.CR3": (
        "Canon EOS R6",
        {"shutter_s": 1 / 4, "aperture_n": 25, "iso": 100, "focal_mm": 200},
        {"taken_at": "2021-05-12T12:21:21.92", "utc_offset": "+02:00"},
    ),
    "__fixture.cr3": (
        "Canon EOS R",
        {"shutter_s": 1 / 125, "aperture_n": 4, "iso": 100, "focal_mm": 105, "orientation": 6},
        {"utc_offset": "+08:00", "body_serial": "085023000606"},
    ),
    "FujiFilm.raf": (
        "FinePix S5Pro",
        {"shutter_s": 1 / 250, "aperture_n": 8, "iso": 100, "focal_mm": 70, "focal_35mm_mm": 105},
        {"taken_at": "2007-05-22T13:58:30"},
    ),
    "fujifilm_x_t1_01.raf.meta": (
        "X-T1",
        {"shutter_s": 0.4, "aperture_n": 8, "iso": 200, "focal_mm": 18, "focal_35mm_mm": 27},
        {"lens": "XF18-55mmF2.8-4 R LM OIS"},
    ),
    "Minolta.mrw": (
        "DiMAGE A2",
        {"shutter_s": 1 / 5, "aperture_n": 2.8, "iso": 64, "focal_mm": 7.203125},
        {"taken_at": "2004-11-18T23:14:58"},
    ),
    "CanonRaw.crw": (
        "Canon EOS DIGITAL REBEL",
        # Record 0x102A: 160, 116 and 189 in 1/32 APEX.
        {"shutter_s": 2 ** -(189 / 32), "aperture_n": 2 ** (116 / 64), "iso": 100, "focal_mm": 24},
        {"taken_at": "2003-11-10T17:39:26", "body_serial": "560018150"},
    ),
    "Panasonic.rw2": (
        "DMC-LX3",
        {"shutter_s": 1 / 250, "aperture_n": 4, "iso": 80, "focal_mm": 5.1, "focal_35mm_mm": 24},
        {"taken_at": "2008-08-06T15:21:56"},
    ),
    "SigmaDP2.x3f": (
        "SIGMA DP2",
        {"shutter_s": 0.1, "aperture_n": 2.8, "iso": 100, "focal_mm": 24.2, "focal_35mm_mm": 41},
        {"taken_at": "2009-11-28T13:05:20", "body_serial": "1008382"},
    ),
    "Sigma.x3f": (
        "SIGMA SD10",
        {"shutter_s": 0.00929, "aperture_n": 8.35419, "iso": 100, "focal_mm": 30},
        {"body_serial": "02001234"},
    ),
    "Nikon.nef": ("NIKON D70", {"shutter_s": 1 / 20, "aperture_n": 3.5, "iso": 200}, {}),
    "sony-zv-e10.arw": (
        "ZV-E10",
        {"shutter_s": 1 / 160, "aperture_n": 18, "iso": 100, "orientation": 6},
        {"taken_at": "2021-07-24T14:23:06.583", "utc_offset": "-07:00"},
    ),
    "PhaseOne.iiq": ("Credo 40", {"shutter_s": 1 / 1250, "aperture_n": 5.6, "focal_mm": 80}, {}),
}


@pytest.mark.parametrize("ending", EXPECTED)
def test_header_only_files_give_their_exposure(
    ending: str, real_files: Callable[[str], list[Path]], format_of: Callable[[Path], str]
) -> None:
    """Metadata come out of every raw family, though the pixels are cut off."""
    (path,) = (path for path in real_files("raw_headers") if path.name.endswith(ending))
    model, numbers, texts = EXPECTED[ending]
    found = read_metadata(path.read_bytes(), format=format_of(path)).exposure
    assert found.model == model
    for name, value in numbers.items():
        assert getattr(found, name) == pytest.approx(value, rel=1e-6), name
    for name, text in texts.items():
        assert getattr(found, name) == text


def box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(content), name) + content


def cr3(*blocks: tuple[bytes, bytes]) -> bytes:
    inner = b"".join(box(name, content) for name, content in blocks)
    return box(b"ftyp", b"crx ") + box(b"moov", box(b"uuid", b"u" * 16 + inner)) + box(b"mdat", b"")


def test_cr3_joins_its_two_blocks(tiff: Callable[..., bytes]) -> None:
    """ISO/IEC 14496-12 boxes; CMT1 is the first directory, CMT2 the Exif directory by itself."""
    data = cr3(
        (b"CMT1", tiff({272: (2, b"VK-50\0"), 274: (3, [8])})),
        (b"CMT2", tiff({exif.F_NUMBER: (5, [(8, 1)]), exif.EXPOSURE_TIME: (5, [(1, 60)])})),
        (b"CMT3", tiff({exif.F_NUMBER: (5, [(99, 1)])})),
    )
    found = read_metadata(data, format="cr3").exposure
    assert (found.model, found.orientation, found.aperture_n, found.shutter_s) == (
        "VK-50",
        8,
        8.0,
        1 / 60,
    )


def test_cr3_boxes_may_have_long_sizes_or_run_to_the_end(tiff: Callable[..., bytes]) -> None:
    """Size 1: a 64-bit size follows. Size 0: up to the end of the file (clause 4.2)."""
    block = tiff({272: (2, b"VK-50\0")})
    long = struct.pack(">I4sQ", 1, b"CMT1", 16 + len(block)) + block
    inner = b"u" * 16 + long
    data = box(b"ftyp", b"crx ") + struct.pack(">I4s", 0, b"moov") + box(b"uuid", inner)
    assert read_metadata(data, format="cr3").exposure.model == "VK-50"


def test_raf_points_to_its_jpeg(tiff: Callable[..., bytes], jpeg: Callable[..., bytes]) -> None:
    preview = jpeg(Image.new("RGB", (16, 16)), tiff({272: (2, b"VK-50\0")}))
    data = b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">II", 92, len(preview)) + preview
    assert read_metadata(data, format="raf").exposure.model == "VK-50"


@pytest.mark.parametrize(("magic", "order"), [(b"\0MRM", ">"), (b"\0MRI", "<")])
def test_mrw_finds_its_tiff_block(tiff: Callable[..., bytes], magic: bytes, order: str) -> None:
    block = tiff({272: (2, b"VK-50\0")})
    blocks = struct.pack(order + "4sI", b"\0PRD", 4) + b"1234"
    blocks += struct.pack(order + "4sI", b"\0TTW", len(block)) + block
    data = magic + struct.pack(order + "I", len(blocks)) + blocks
    assert read_metadata(data, format="mrw").exposure.model == "VK-50"


def test_rw2_has_its_sensitivity_in_a_tag_of_its_own(
    tiff: Callable[..., bytes], jpeg: Callable[..., bytes]
) -> None:
    preview = jpeg(Image.new("RGB", (16, 16)), tiff({}, {exif.F_NUMBER: (5, [(4, 1)])}))
    block = tiff({0x0017: (3, [160]), 0x002E: (7, preview), 272: (2, b"VK-50\0")})
    found = read_metadata(b"IIU\0" + block[4:], format="rw2").exposure
    assert (found.iso, found.aperture_n, found.model) == (160, 4, "VK-50")


def test_orf_magic_is_read_as_tiff(tiff: Callable[..., bytes]) -> None:
    block = tiff({272: (2, b"VK-50\0")}, {exif.F_NUMBER: (5, [(4, 1)])})
    for magic in (b"IIRO", b"IIRS"):
        assert read_metadata(magic + block[4:], format="orf").exposure.aperture_n == 4


def test_the_exif_segment_of_a_jpeg_is_found_behind_others(
    tiff: Callable[..., bytes], jpeg: Callable[..., bytes]
) -> None:
    block = tiff({272: (2, b"VK-50\0")})
    data = jpeg(Image.fromarray(np.zeros((8, 8), np.uint8)), block)
    assert tiff_block_of_jpeg(data).startswith(block)
    fill = b"\xff\xd8\xff\xff\xe0\0\x04ab" + data[2:]
    assert tiff_block_of_jpeg(fill).startswith(block)
    assert tiff_block_of_jpeg(data[: len(data) // 40]) != block


@given(st.sampled_from(["cr3", "raf", "mrw", "rw2", "x3f", "crw", "jpeg"]), st.binary(max_size=400))
def test_hostile_containers_end_without_an_error(format: str, content: bytes) -> None:  # noqa: A002
    assert isinstance(exif_blocks(content, format), tuple)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 2**32 - 1) | st.integers(0, 40),
            st.sampled_from([b"moov", b"uuid", b"CMT1", b"free"]),
            st.binary(max_size=24),
        ),
        max_size=12,
    )
)
def test_hostile_boxes_end_without_an_error(boxes: list[tuple[int, bytes, bytes]]) -> None:
    """Sizes that lie, nesting, loops: the walk only ever moves forward."""
    data = b"".join(struct.pack(">I4s", size, name) + rest for size, name, rest in boxes)
    for block in exif_blocks(data, "cr3"):
        assert block in data
