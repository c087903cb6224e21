"""Makers of small files, byte by byte: TIFF blocks, DNG, JPEG; and the real files, if present."""

import io
import os
import struct
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import NDArray
from PIL import Image

# No test is timed: a busy machine must not fail one.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL, DOUBLE, UTF8 = (
    1,
    2,
    3,
    4,
    5,
    7,
    10,
    12,
    129,
)
ITEM = {BYTE: "B", SHORT: "H", LONG: "I", RATIONAL: "II", SRATIONAL: "ii", DOUBLE: "d"}
Field = tuple[int, bytes | Sequence[int] | Sequence[float] | Sequence[tuple[int, int]]]
Fields = Mapping[int, Field]

REAL_FILES = os.environ.get("FRAME_AUDIT_DATA") or Path(__file__).parents[3] / "shared" / "data"


def packed(order: str, kind: int, values: object) -> tuple[int, bytes]:
    """Count and bytes of one field."""
    if isinstance(values, bytes):
        return len(values), values
    assert isinstance(values, Sequence)
    flat = [part for v in values for part in (v if isinstance(v, tuple) else (v,))]
    return len(values), struct.pack(order + ITEM[kind] * len(values), *flat)


def directory(order: str, at: int, fields: Fields) -> bytes:
    """One directory that starts at an offset, its values behind it."""
    head = struct.pack(order + "H", len(fields))
    behind = b""
    free = at + 2 + 12 * len(fields) + 4
    for tag, (kind, values) in sorted(fields.items()):
        count, content = packed(order, kind, values)
        if len(content) <= 4:
            place = content.ljust(4, b"\0")
        else:
            place = struct.pack(order + "I", free + len(behind))
            behind += content + b"\0" * (len(content) % 2)
        head += struct.pack(order + "HHI", tag, kind, count) + place
    return head + b"\0\0\0\0" + behind


def build_tiff(
    fields: Fields, exif: Fields | None = None, *, strip: bytes = b"", order: str = "<"
) -> bytes:
    """A TIFF block: first directory, Exif directory, one strip of picture data."""
    whole = dict(fields)
    if exif is not None:
        whole[0x8769] = (LONG, [0])
    if strip:
        whole |= {273: (LONG, [0]), 279: (LONG, [len(strip)])}
    at_exif = 8 + len(directory(order, 8, whole))
    behind = b"" if exif is None else directory(order, at_exif, exif)
    if exif is not None:
        whole[0x8769] = (LONG, [at_exif])
    if strip:
        whole[273] = (LONG, [at_exif + len(behind)])
    magic = {"<": b"II*\0", ">": b"MM\0*"}[order]
    return magic + struct.pack(order + "I", 8) + directory(order, 8, whole) + behind + strip


def build_dng(
    samples: NDArray[np.uint16],
    *,
    cfa: Sequence[Sequence[int]] = ((0, 1), (1, 2)),
    active: tuple[int, int, int, int] | None = None,
    black: Sequence[int] = (0,),
    white: int = 65535,
    fields: Fields | None = None,
    exif: Fields | None = None,
) -> bytes:
    """An uncompressed DNG of 16-bit samples under a colour filter pattern (DNG 1.4)."""
    rows, cols = samples.shape
    dim = [len(cfa), len(cfa[0])]
    whole: dict[int, Field] = {
        254: (LONG, [0]),
        256: (LONG, [cols]),
        257: (LONG, [rows]),
        258: (SHORT, [16]),
        259: (SHORT, [1]),
        262: (SHORT, [32803]),
        271: (ASCII, b"Velmark\0"),
        272: (ASCII, b"VK-50\0"),
        277: (SHORT, [1]),
        278: (LONG, [rows]),
        33421: (SHORT, dim),
        33422: (BYTE, bytes(site for row in cfa for site in row)),
        50706: (BYTE, bytes([1, 4, 0, 0])),
        50708: (ASCII, b"Velmark VK-50\0"),
        50717: (LONG, [white]),
        50721: (
            SRATIONAL,
            [(1, 1), (0, 1), (0, 1), (0, 1), (1, 1), (0, 1), (0, 1), (0, 1), (1, 1)],
        ),
    }
    if len(black) == 4:
        whole[50713] = (SHORT, [2, 2])
    whole[50714] = (LONG, list(black))
    if active is not None:
        whole[50829] = (LONG, list(active))
    strip = samples.astype("<u2").tobytes()
    return build_tiff({**whole, **(fields or {})}, exif, strip=strip)


def build_jpeg(
    picture: Image.Image, tiff: bytes | None = None, *, icc: bytes | None = None, quality: int = 90
) -> bytes:
    """A JPEG with a TIFF block as its Exif segment."""
    out = io.BytesIO()
    exif = b"" if tiff is None else b"Exif\0\0" + tiff
    picture.save(out, "JPEG", quality=quality, exif=exif, icc_profile=icc)
    return out.getvalue()


@pytest.fixture(name="tiff")
def tiff_fixture() -> Callable[..., bytes]:
    return build_tiff


@pytest.fixture(name="dng")
def dng_fixture() -> Callable[..., bytes]:
    return build_dng


@pytest.fixture(name="jpeg")
def jpeg_fixture() -> Callable[..., bytes]:
    return build_jpeg


@pytest.fixture(name="noise")
def noise_fixture() -> Callable[..., NDArray[np.uint16]]:
    """Samples that no two sites share by rule: seeded noise between two levels."""

    def make(rows: int, cols: int, low: int = 600, high: int = 15000) -> NDArray[np.uint16]:
        return np.random.default_rng(3).integers(low, high, (rows, cols)).astype(np.uint16)

    return make


@pytest.fixture(name="real_files")
def real_files_fixture() -> Callable[[str], list[Path]]:
    """Real files of one folder; the test is skipped where they are not there."""

    def find(folder: str) -> list[Path]:
        place = Path(REAL_FILES) / folder
        if not place.is_dir():
            pytest.skip(f"real files not there: set FRAME_AUDIT_DATA ({folder})")
        return sorted(path for path in place.iterdir() if path.is_file())

    return find


@pytest.fixture(name="format_of")
def format_of_fixture() -> Callable[[Path], str]:
    """Format of a real file by its name; the collections name them rightly."""

    def tell(path: Path) -> str:
        name = path.name.lower().removesuffix(".meta")
        suffix = name.rsplit(".", 1)[-1]
        return {"jpg": "jpeg", "tif": "tiff"}.get(suffix, suffix)

    return tell
