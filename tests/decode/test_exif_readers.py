"""The two Exif libraries behind one form, on real and on hostile files."""

import io
import logging
import struct
from collections.abc import Callable
from pathlib import Path

import exifread
import numpy as np
import pytest
from PIL import Image

from audit.decode import read_metadata
from audit.decode import tags as exif
from audit.decode.containers import exif_blocks
from audit.decode.exif_readers import exifread_tags, pillow_tags
from audit.decode.metadata import exposure_of
from audit.decode.tiff_directory import has_runaway_maker_note

PICTURE = Image.fromarray(np.full((16, 16, 3), 128, np.uint8))


def test_exposure_of_every_real_jpeg_equals_exifread(
    real_files: Callable[[str], list[Path]],
) -> None:
    """Values of exifread itself, within 0.1 %, for every tag that is positive there."""
    compared = 0
    for path in real_files("jpeg"):
        with path.open("rb") as handle:
            tags = exifread.process_file(handle, details=False)
        found = read_metadata(path.read_bytes(), format="jpeg").exposure
        for tag, value in (
            ("EXIF ExposureTime", found.shutter_s),
            ("EXIF FNumber", found.aperture_n),
            ("EXIF FocalLength", found.focal_mm),
            ("EXIF ISOSpeedRatings", found.iso),
            ("EXIF FocalLengthIn35mmFilm", found.focal_35mm_mm),
        ):
            expected = float(tags[tag].values[0]) if tag in tags else 0.0
            if expected > 0:
                assert value == pytest.approx(expected, rel=1e-3), (path.name, tag)
                compared += 1
    assert compared > 60


def test_both_readers_agree_on_real_files(
    real_files: Callable[[str], list[Path]], format_of: Callable[[Path], str]
) -> None:
    """Each alone, exifread and Pillow give one exposure: so either can stand in for the other."""
    compared = 0
    for path in [*real_files("jpeg"), *real_files("raw_headers")]:
        for block in exif_blocks(path.read_bytes(), format_of(path)):
            first, second = exposure_of(exifread_tags(block)), exposure_of(pillow_tags(block))
            if first.shutter_s is None or second.shutter_s is None:
                continue
            names = ("shutter_s", "aperture_n", "iso", "focal_mm", "bias_ev", "taken_at", "lens")
            for name in names:
                assert getattr(first, name) == pytest.approx(getattr(second, name)), (
                    path.name,
                    name,
                )
            compared += 1
    assert compared > 30


def test_pillow_reads_on_where_exifread_must_not(tiff: Callable[..., bytes]) -> None:
    """A maker note that claims more than the file (exif-py issue 182) is not shown to exifread."""
    block = bytearray(
        tiff(
            {271: (2, b"Velmark\0")},
            {exif.F_NUMBER: (5, [(8, 1)]), exif.MAKER_NOTE: (7, b"note" * 20)},
        )
    )
    entry = struct.pack("<HHI", exif.MAKER_NOTE, 7, 80)
    at = block.index(entry)
    assert not has_runaway_maker_note(bytes(block))
    struct.pack_into("<I", block, at + 4, 0x7FFFFFFF)
    assert has_runaway_maker_note(bytes(block))
    assert exifread_tags(bytes(block)) == {}
    out = io.BytesIO()
    PICTURE.save(out, "JPEG", exif=b"Exif\0\0" + bytes(block))
    assert read_metadata(out.getvalue(), format="jpeg").exposure.aperture_n == 8


def test_a_sound_maker_note_is_no_reason_to_refuse(
    real_files: Callable[[str], list[Path]],
) -> None:
    """Real cameras' maker notes never exceed their file."""
    for path in real_files("jpeg"):
        assert exifread_tags(path.read_bytes()), path.name


def test_ratios_over_zero_are_unknown_with_both_readers(tiff: Callable[..., bytes]) -> None:
    block = tiff({}, {exif.F_NUMBER: (5, [(28, 0)]), exif.EXPOSURE_TIME: (5, [(0, 0)])})
    for reader in (exifread_tags, pillow_tags):
        tags = reader(block)
        assert tags[exif.F_NUMBER] == (None,), reader.__name__
        assert tags[exif.EXPOSURE_TIME] == (None,), reader.__name__


def test_text_that_is_no_utf8_is_kept(tiff: Callable[..., bytes]) -> None:
    block = tiff({271: (2, b"V\xe9lmark\0")})
    assert read_metadata(block, format="tiff").exposure.make == "Vélmark"


def test_exifread_says_nothing_on_the_terminal(
    tiff: Callable[..., bytes], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        exifread_tags(tiff({271: (2, b"V\xe9lmark\0")})[:-3])
        exifread_tags(b"II*\0\xff\xff\xff\xff")
    assert not caplog.records
