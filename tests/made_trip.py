"""A made report of any number of frames, with pictures of noise: for the tests of the page.

All of it is invented; nothing here is the truth of a measure.
"""

import struct
from itertools import pairwise

import numpy as np

from audit.decode.screen_picture import webp
from audit.records import (
    AuditedFrame,
    ClippedShare,
    Clipping,
    Counts,
    Crop,
    DustSpot,
    Exposure,
    Finding,
    Histogram,
    Limits,
    Panorama,
    PanoramaPair,
    PerColour,
    PictureName,
    Print,
    Report,
    Sensor,
    Series,
    SeriesKind,
    Sharpness,
    SharpnessMap,
    Tool,
    UsedSettings,
    Verdict,
)

KINDS: tuple[SeriesKind | None, ...] = (
    None,
    "repeat",
    "exposure-bracket",
    "focus-bracket",
    "shutter-variants",
    "panorama",
)
A_SERIES = 5
"""Frames of each series."""
LENSES = ("Orrin 35 mm f/2.8", "Orrin 24-70 mm f/4", "Halvard 90 mm f/2.8")
VERDICTS: tuple[Verdict, ...] = ("keeper", "look-again", "reject")
TEXTURES = 12


class PictureMaker:
    """Gives a different picture for every frame, of the size that real ones have."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._pictures = {
            "thumbnail": [_texture(rng, (176, 264), 8_000) for _ in range(TEXTURES)],
            "sharpest": [_texture(rng, (192, 192), 8_300) for _ in range(TEXTURES)],
            "softest": [_texture(rng, (192, 192), 6_000) for _ in range(TEXTURES)],
        }

    def __call__(self, frame: AuditedFrame, name: PictureName) -> bytes:
        number = frame.rank or 0
        return _marked(self._pictures[name][number % TEXTURES], number)


def _texture(rng: np.random.Generator, shape: tuple[int, int], most_bytes: int) -> bytes:
    coarse = rng.integers(60, 200, (shape[0] // 8, shape[1] // 8, 3)).astype(np.float32)
    smooth = coarse.repeat(8, axis=0).repeat(8, axis=1)
    noisy = smooth + rng.normal(0, 14, smooth.shape)
    return webp(np.clip(noisy, 0, 255).astype(np.uint8), most_bytes)


def _marked(picture: bytes, number: int) -> bytes:
    """Add a chunk that no reader knows (RFC 9649, 2.3), so that no two files are the same."""
    body = picture[8:] + b"NOTE" + struct.pack("<II", 4, number)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def made_report(frames: int, *, seed: int = 0) -> Report:
    """Make a report with series of all kinds and every verdict."""
    rng = np.random.default_rng(seed)
    rows, series = [], []
    for first in range(0, frames, A_SERIES):
        kind = KINDS[(first // A_SERIES) % len(KINDS)]
        numbers = range(first, min(first + A_SERIES, frames))
        identity = None if kind is None else f"S{len(series) + 1:02d}"
        members = [_frame(rng, number, kind, identity) for number in numbers]
        rows += members
        if kind is not None and identity is not None:
            series.append(_series(identity, kind, [frame.file for frame in members]))
    verdicts = [frame.verdict for frame in rows]
    return Report(
        tool=Tool(name="frame-audit", version="0.0.0"),
        settings=UsedSettings(
            viewing_cm=50.0,
            print_long_cm=90.0,
            print_short_cm=60.0,
            limits={"keeper_share": 0.75},
        ),
        folders=("trip",),
        frames=tuple(rows),
        series=tuple(series),
        dust=(
            DustSpot(
                body="0042", x_share=0.3, y_share=0.2, diameter_share=0.01, contrast=0.1, frames=9
            ),
        ),
        counts=Counts(
            frames=frames,
            measured=frames,
            unread=0,
            keeper=verdicts.count("keeper"),
            look_again=verdicts.count("look-again"),
            reject=verdicts.count("reject"),
            from_store=0,
            skipped=0,
            findings={"missed-focus": verdicts.count("reject")},
        ),
    )


def _frame(
    rng: np.random.Generator, number: int, kind: SeriesKind | None, series: str | None
) -> AuditedFrame:
    verdict = VERDICTS[number % 3]
    width_px = float(1.5 + 0.2 * rng.random() + 1.5 * (number % 3))
    place = number % A_SERIES
    shutter_s = 1 / 125 * (2.0 ** (place - 2) if kind == "exposure-bracket" else 1.0)
    long_cm = 130 / width_px
    return AuditedFrame(
        file=f"day-{number // 200 + 1}/VK5_{number:05d}.DNG",
        companions=(),
        format="dng",
        state="measured",
        error=None,
        measured_file=f"day-{number // 200 + 1}/VK5_{number:05d}.DNG",
        exposure=Exposure(
            model="VK-50",
            lens=LENSES[number % len(LENSES)],
            body_serial="0042",
            taken_at=_taken_at(number),
            shutter_s=shutter_s,
            aperture_n=(4.0, 5.6, 8.0, 11.0, 16.0)[number % 5],
            iso=64.0,
            focal_mm=(24.0, 35.0, 90.0)[number % 3],
            ev100=12.0 - place,
        ),
        sensor=Sensor(
            width_px=8256, height_px=5504, pitch_um=4.36, pitch_source="camera table", basis="raw"
        ),
        sharpness=Sharpness(
            laplacian_variance=1e-5,
            energy=0.04,
            edge_width_px=width_px,
            edge_width_low_px=width_px * 0.97,
            edge_width_high_px=width_px * 1.04,
            mtf50_cpp=0.48 / width_px,
            edges=400,
            measurable=True,
            sharp_share=0.9,
            best_tile=(3, 4),
            map=_map(rng, width_px),
        ),
        clipping=Clipping(
            highlight_share=ClippedShare(r=0.01, g=0.002, b=0.0, any=0.012, all=0.0),
            shadow_share=ClippedShare(r=0.0, g=0.0, b=0.0, any=0.0, all=0.0),
            headroom_ev=PerColour(r=0.4, g=0.2, b=0.9),
            basis="raw",
        ),
        histogram=_histogram(rng),
        sharpest=_crop((3, 4), 0.3, width_px),
        softest=_crop((9, 14), 0.7, width_px * 1.6),
        limits=Limits(ceiling_edge_width_px=1.5 + (number % 5) * 0.3),
        findings=(_finding(width_px),) if verdict == "reject" else (),
        print=Print(
            long_cm=long_cm,
            short_cm=long_cm / 1.5,
            viewing_cm=50.0,
            limited_by="softness",
            close_long_cm=long_cm / 2,
            target_long_cm=90.0,
            limiting_tile=(9, 14),
            limiting_place="lower right",
            limiting_px=width_px * 1.6,
        ),
        verdict=verdict,
        rank=number + 1,
        series=series,
    )


def _taken_at(number: int) -> str:
    """A frame a minute, 200 a day."""
    day, minute = divmod(number, 200)
    return f"2031-05-{1 + day % 28:02d}T{8 + minute // 60:02d}:{minute % 60:02d}:00"


def _map(rng: np.random.Generator, width_px: float) -> SharpnessMap:
    """Widths that change slowly over the frame, as those of real frames do."""
    rows, cols = 16, 24
    down, across = np.mgrid[0:rows, 0:cols]
    field = width_px * (1 + 0.3 * np.sin(down / 5 + rng.random() * 6) * np.cos(across / 7))
    blank = down < rng.integers(2, 7)
    blank |= rng.random((rows, cols)) < 0.08
    return SharpnessMap(
        rows=rows,
        cols=cols,
        edge_width_px=tuple(
            tuple(None if blank[r, c] else round(float(field[r, c]), 2) for c in range(cols))
            for r in range(rows)
        ),
    )


def _histogram(rng: np.random.Generator) -> Histogram:
    bins = np.arange(64)

    def shares() -> tuple[float, ...]:
        lobes = np.exp(-(((bins - rng.integers(25, 55)) / 6.0) ** 2)) + 0.3 * rng.random(64)
        return tuple(round(float(share), 5) for share in lobes / lobes.sum())

    return Histogram(
        low_ev=-12.8,
        step_ev=0.2,
        r=shares(),
        g=shares(),
        b=shares(),
        samples=200_000,
        error_share=0.0011,
    )


def _crop(tile: tuple[int, int], place: float, width_px: float) -> Crop:
    return Crop(
        tile=tile,
        left_share=place,
        top_share=place,
        width_share=0.0233,
        height_share=0.0349,
        edge_width_px=width_px,
        brightened_ev=1.4,
    )


def _finding(width_px: float) -> Finding:
    return Finding(
        kind="missed-focus",
        severity="fault",
        value=width_px,
        limit=1.6,
        unit="px",
        confidence=0.86,
        message=f"The sharpest edges are {width_px:.1f} px wide where this aperture allows 1.6 px.",
        advice="Focus again at full magnification on the subject, and shoot a second frame.",
    )


def _series(identity: str, kind: SeriesKind, files: list[str]) -> Series:
    pairs = [
        PanoramaPair(a=a, b=b, overlap=0.3) for at, (a, b) in enumerate(pairwise(files)) if at != 2
    ]
    panorama = Panorama(
        layout="horizontal",
        pairs=tuple(pairs),
        unlinked=(),
        gaps=((files[2], files[3]),) if len(files) > 3 else (),
        weakest=files[-1],
        exposure_outliers=(),
        stitched_width_px=24_000,
        stitched_height_px=5_400,
        print=None,
    )
    return Series(
        id=identity,
        kind=kind,
        files=tuple(files),
        best=files[0],
        order=tuple(files),
        notes=("A note on the series.",),
        panorama=panorama if kind == "panorama" else None,
    )
