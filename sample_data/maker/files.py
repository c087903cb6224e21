"""Writing frames: Exif and DNG (both are TIFF directories), lossless JPEG for raw samples, JPEG.

References
----------
TIFF 6.0 (directories); CIPA DC-008 (Exif tags); DNG 1.4 (raw tags); ITU-T T.81 annex H (lossless
JPEG).
"""

from __future__ import annotations

import heapq
import io
import struct
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from maker.camera import BLACK_DN, WHITE_BALANCE, WHITE_DN

FULL_FRAME_DIAGONAL_MM = 43.267
"""Diagonal of 36 x 24 mm, to which a 35 mm equivalent refers."""

XYZ_TO_SRGB = (
    3.2404542,
    -1.5371385,
    -0.4985314,
    -0.9692660,
    1.8760108,
    0.0415560,
    0.0556434,
    -0.2040259,
    1.0572252,
)
"""IEC 61966-2-1, D65. The invented sensor has the sRGB primaries; DNG illuminant 21 is D65."""

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10
PACKING = {
    BYTE: "B",
    ASCII: "B",
    SHORT: "H",
    LONG: "I",
    RATIONAL: "II",
    UNDEFINED: "B",
    SRATIONAL: "ii",
}
EXIF_POINTER, STRIP_OFFSET = 34665, 273


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the camera writes beside the picture."""

    make: str
    model: str
    body_serial: str
    lens: str
    shutter_s: Fraction
    aperture_n: float
    iso: int
    focal_mm: float
    pitch_um: float
    taken_at: datetime
    subsec: str
    utc_offset: str = "+02:00"
    orientation: int = 1
    bias_ev: float = 0.0
    auto_bracket: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """One TIFF field."""

    kind: int
    values: tuple[int | Fraction, ...]


def text(value: str) -> Entry:
    """ASCII with the closing zero byte."""
    return Entry(ASCII, tuple(value.encode("ascii") + b"\0"))


def shorts(*values: int) -> Entry:
    """16-bit numbers."""
    return Entry(SHORT, values)


def longs(*values: int) -> Entry:
    """32-bit numbers."""
    return Entry(LONG, values)


def raw_bytes(*values: int) -> Entry:
    """8-bit numbers."""
    return Entry(BYTE, values)


def ratios(*values: float | Fraction, kind: int = RATIONAL) -> Entry:
    """Fractions of two 32-bit numbers."""
    return Entry(kind, tuple(Fraction(v).limit_denominator(1_000_000) for v in values))


def _packed(entry: Entry) -> bytes:
    out = b""
    for value in entry.values:
        if isinstance(value, Fraction):
            out += struct.pack("<" + PACKING[entry.kind], value.numerator, value.denominator)
        else:
            out += struct.pack("<" + PACKING[entry.kind], value)
    return out


def directory(entries: dict[int, Entry], offset: int) -> bytes:
    """Return one TIFF directory that will stand `offset` bytes into its file."""
    head = struct.pack("<H", len(entries))
    tail = b""
    values_at = offset + 2 + 12 * len(entries) + 4
    for tag, entry in sorted(entries.items()):
        data = _packed(entry)
        here = data.ljust(4, b"\0")
        if len(data) > 4:
            here = struct.pack("<I", values_at + len(tail))
            tail += data + b"\0" * (len(data) % 2)
        head += struct.pack("<HHI", tag, entry.kind, len(entry.values)) + here
    return head + struct.pack("<I", 0) + tail


def tiff(main: dict[int, Entry], exif: dict[int, Entry], strip: bytes | None = None) -> bytes:
    """Return a little-endian TIFF: main directory, Exif directory and, at the end, one strip."""
    main = main | {EXIF_POINTER: longs(0)}
    exif_at = 8 + len(directory(main, 8))
    exif_part = directory(exif, exif_at)
    main[EXIF_POINTER] = longs(exif_at)
    if strip is not None:
        main[STRIP_OFFSET] = longs(exif_at + len(exif_part))
    return struct.pack("<2sHI", b"II", 42, 8) + directory(main, 8) + exif_part + (strip or b"")


def main_entries(settings: Settings) -> dict[int, Entry]:
    """Camera, orientation and resolution: fields of the main directory."""
    return {
        271: text(settings.make),
        272: text(settings.model),
        274: shorts(settings.orientation),
        282: ratios(300),
        283: ratios(300),
        296: shorts(2),
        306: text(settings.taken_at.strftime("%Y:%m:%d %H:%M:%S")),
    }


def exif_entries(settings: Settings, width_px: int, height_px: int) -> dict[int, Entry]:
    """Fields of the Exif directory; sizes are as stored, before rotation."""
    diagonal_mm = float(np.hypot(width_px, height_px)) * settings.pitch_um / 1000
    per_cm = Fraction(10000 / settings.pitch_um).limit_denominator(1000)
    taken = text(settings.taken_at.strftime("%Y:%m:%d %H:%M:%S"))
    return {
        33434: ratios(settings.shutter_s),
        33437: ratios(settings.aperture_n),
        34850: shorts(1),
        34855: shorts(settings.iso),
        34864: shorts(2),
        34866: longs(settings.iso),
        36864: Entry(UNDEFINED, tuple(b"0232")),
        36867: taken,
        36868: taken,
        36880: text(settings.utc_offset),
        36881: text(settings.utc_offset),
        37380: ratios(settings.bias_ev, kind=SRATIONAL),
        37386: ratios(settings.focal_mm),
        37521: text(settings.subsec),
        40961: shorts(1),
        40962: longs(width_px),
        40963: longs(height_px),
        41486: ratios(per_cm),
        41487: ratios(per_cm),
        41488: shorts(3),
        41495: shorts(2),
        41986: shorts(2 if settings.auto_bracket else 1),
        41989: shorts(round(settings.focal_mm * FULL_FRAME_DIAGONAL_MM / diagonal_mm)),
        42033: text(settings.body_serial),
        42036: text(settings.lens),
    }


def jpeg_bytes(picture: NDArray[np.uint8], settings: Settings, quality: int) -> bytes:
    """Return a JPEG with Exif."""
    height, width = picture.shape[:2]
    exif = b"Exif\0\0" + tiff(main_entries(settings), exif_entries(settings, width, height))
    out = io.BytesIO()
    Image.fromarray(picture).save(
        out, "JPEG", quality=quality, subsampling="4:2:0", optimize=True, exif=exif
    )
    return out.getvalue()


def dng_bytes(samples: NDArray[np.uint16], settings: Settings) -> bytes:
    """Return a DNG that holds an RGGB mosaic as one strip of lossless JPEG."""
    height, width = samples.shape
    strip = lossless_jpeg(samples)
    main = main_entries(settings) | {
        254: longs(0),
        256: longs(width),
        257: longs(height),
        258: shorts(16),
        259: shorts(7),
        262: shorts(32803),
        STRIP_OFFSET: longs(0),
        277: shorts(1),
        278: longs(height),
        279: longs(len(strip)),
        284: shorts(1),
        33421: shorts(2, 2),
        33422: raw_bytes(0, 1, 1, 2),
        50706: raw_bytes(1, 4, 0, 0),
        50707: raw_bytes(1, 1, 0, 0),
        50708: text(f"{settings.make} {settings.model}"),
        50710: raw_bytes(0, 1, 2),
        50711: shorts(1),
        50713: shorts(1, 1),
        50714: shorts(BLACK_DN),
        50717: longs(WHITE_DN),
        50721: ratios(*XYZ_TO_SRGB, kind=SRATIONAL),
        50728: ratios(*(1 / gain for gain in WHITE_BALANCE)),
        50730: ratios(0, kind=SRATIONAL),
        50778: shorts(21),
    }
    return tiff(main, exif_entries(settings, width, height), strip)


# ---------------------------------------------------------------- lossless JPEG


def lossless_jpeg(samples: NDArray[np.uint16]) -> bytes:
    """Compress a mosaic of even width: two interleaved components, each predicted from its left.

    The columns of a mosaic alternate in colour, so a sample is like the one two to its left.
    """
    height, width = samples.shape
    difference = _prediction_errors(samples.astype(np.int64).reshape(height, width // 2, 2))
    category = np.where(
        difference == 0, 0, np.floor(np.log2(np.maximum(np.abs(difference), 1))) + 1
    ).astype(np.int64)
    lengths = _code_lengths(np.bincount(category, minlength=17))
    codes, ordered = _canonical_codes(lengths)
    extra = np.where(difference < 0, difference + (1 << category) - 1, difference)
    bits = lengths[category] + category
    data = _pack((codes[category] << category) | extra, bits)
    counts = [int(np.sum(lengths == n)) for n in range(1, 17)]
    return b"".join(
        [
            b"\xff\xd8",
            _segment(
                0xC3,
                struct.pack(">BHHB", 14, height, width // 2, 2) + bytes([0, 0x11, 0, 1, 0x11, 0]),
            ),
            _segment(0xC4, bytes([0, *counts, *ordered])),
            _segment(0xDA, bytes([2, 0, 0, 1, 0, 1, 0, 0])),
            data,
            b"\xff\xd9",
        ]
    )


def _segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def _prediction_errors(pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sample minus the one to its left; minus the one above at the start of a row."""
    before = np.empty_like(pairs)
    before[:, 1:] = pairs[:, :-1]
    before[1:, 0] = pairs[:-1, 0]
    before[0, 0] = 1 << 13
    return (pairs - before).ravel()


def _code_lengths(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Huffman code length of each category, 0 where unused.

    A last, unused symbol takes the longest code, since a code of ones only is not allowed.
    """
    heap = [(int(n), [i]) for i, n in enumerate(counts) if n] + [(0, [len(counts)])]
    heapq.heapify(heap)
    lengths = np.zeros(len(counts) + 1, np.int64)
    while len(heap) > 1:
        first, second = heapq.heappop(heap), heapq.heappop(heap)
        merged = first[1] + second[1]
        lengths[merged] += 1
        heapq.heappush(heap, (first[0] + second[0], merged))
    return lengths[:-1]


def _canonical_codes(lengths: NDArray[np.int64]) -> tuple[NDArray[np.int64], list[int]]:
    """Give out codes by length, then by category, as the JPEG table implies them."""
    ordered = sorted((int(i) for i in np.flatnonzero(lengths)), key=lambda i: (lengths[i], i))
    codes = np.zeros(len(lengths), np.int64)
    code, length = 0, 0
    for symbol in ordered:
        code <<= int(lengths[symbol]) - length
        length = int(lengths[symbol])
        codes[symbol] = code
        code += 1
    return codes, ordered


def _pack(values: NDArray[np.int64], bits: NDArray[np.int64]) -> bytes:
    """Write each value with its number of bits, fill up with ones, and escape 0xFF bytes."""
    ends = np.cumsum(bits)
    stream = np.ones(-(-int(ends[-1]) // 8) * 8, np.uint8)
    for place in range(int(bits.max())):
        long_enough = bits > place
        stream[(ends - 1 - place)[long_enough]] = (values[long_enough] >> place) & 1
    packed = np.packbits(stream)
    return np.insert(packed, np.flatnonzero(packed == 0xFF) + 1, 0).tobytes()
