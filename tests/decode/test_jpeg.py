"""Damage in JPEG data is noticed and placed, whatever libjpeg makes of it; sound files are sound.

The share lost is known here by construction: the scan's bytes before the damage, or the rows that
differ from the sound picture.
"""

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from audit.decode import open_frame
from audit.decode.jpeg import MAX_SCANS, decode_jpeg, thumbnail
from audit.errors import TooLargeFrame

ROWS, COLS = 480, 640
SECTOR = 512


def encoded(**options: object) -> bytes:
    """A picture with detail everywhere."""
    chance = np.random.default_rng(3)
    coarse = chance.integers(0, 256, (ROWS // 8, COLS // 8, 3), np.uint8)
    picture = Image.fromarray(coarse).resize((COLS, ROWS), Image.Resampling.BICUBIC)
    out = io.BytesIO()
    picture.save(out, "JPEG", **{"quality": 90, **options})
    return out.getvalue()


KINDS = {
    "baseline": encoded(),
    "progressive": encoded(progressive=True),
    "restarts": encoded(restart_marker_blocks=8),
    "full colour": encoded(subsampling=0),
    "optimized": encoded(optimize=True),
}


def spoilt(data: bytes, place: float, content: bytes) -> bytes:
    """Other bytes at a place of the scans (0 to 1)."""
    start = data.index(b"\xff\xda")
    at = start + 16 + int((len(data) - start - 32) * place)
    return data[:at] + content + data[at + len(content) :]


@pytest.mark.parametrize("kind", KINDS)
def test_sound_data_give_no_complaint_and_pillows_codes(kind: str) -> None:
    codes, complaint = decode_jpeg(KINDS[kind], "RGB")

    assert complaint is None
    np.testing.assert_array_equal(codes, np.asarray(Image.open(io.BytesIO(KINDS[kind]))))


@pytest.mark.parametrize("content", [bytes(4 * SECTOR), b"\xff" * SECTOR], ids=["00", "ff"])
@pytest.mark.parametrize("kind", KINDS)
def test_bad_sectors_are_noticed(kind: str, content: bytes) -> None:
    for place in (0.1, 0.5, 0.85):
        assert decode_jpeg(spoilt(KINDS[kind], place, content), "RGB")[1] is not None


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("place", [0.2, 0.6, 0.95])
def test_zeros_to_the_end_and_missing_ends_are_noticed(kind: str, place: float) -> None:
    data = KINDS[kind]
    keep = int(len(data) * place)

    assert decode_jpeg(data[:keep] + bytes(len(data) - keep), "RGB")[1] is not None
    assert decode_jpeg(data[:keep], "RGB")[1] is not None


@pytest.mark.parametrize("place", [0.1, 0.4, 0.8])
def test_the_lost_share_is_that_of_the_rows_that_differ(place: float) -> None:
    data = KINDS["baseline"]
    sound, _ = decode_jpeg(data, "GRAY")

    codes, complaint = decode_jpeg(spoilt(data, place, bytes(8 * SECTOR)), "GRAY")

    first_bad_row = int(np.argmax((codes != sound).any(axis=1)))
    assert complaint is not None
    assert complaint.lost_share == pytest.approx(1 - first_bad_row / ROWS, abs=0.08)


def test_where_the_place_cannot_be_told_no_share_is_given() -> None:
    complaint = decode_jpeg(spoilt(KINDS["progressive"], 0.5, bytes(4 * SECTOR)), "GRAY")[1]

    assert complaint is not None
    assert complaint.lost_share is None


def test_a_picture_of_thousands_of_scans_is_refused_before_decoding() -> None:
    """A small file whose every scan would walk over the whole picture once more."""
    data = KINDS["progressive"]
    second = data.index(b"\xff\xda", data.index(b"\xff\xda") + 2)
    scan = data[second : second + 2 + data[second + 3]] + b"\0\0"
    bomb = data[:second] + scan * (MAX_SCANS + 1) + b"\xff\xd9"

    with pytest.raises(TooLargeFrame, match=f"at most {MAX_SCANS} scans"):
        open_frame(bomb, name="a.jpg", format="jpeg")


def test_the_exif_thumbnail_is_found(real_files: Callable[[str], list[Path]]) -> None:
    """Exif 2.32, 4.5.8: 160 x 120, as most cameras write it."""
    shapes = [
        small.shape
        for path in real_files("jpeg")
        if (small := thumbnail(path.read_bytes())) is not None
    ]

    assert shapes.count((120, 160)) >= 20


def test_no_thumbnail_is_none_and_hostile_blocks_are_no_danger() -> None:
    plain = KINDS["baseline"]
    head = b"\xff\xd8\xff\xe1\x00\x2aExif\0\0II*\0\x08\0\0\0\xff\xff"

    assert thumbnail(plain) is None
    assert thumbnail(head + bytes(40)) is None
    assert thumbnail(b"") is None
