"""Dust planted into views cut from photographs: how many spots are found, how many are false.

    python tests/benchmarks/dust.py PHOTOS [--sets 20] [--frames 30] [--seed 1]

PHOTOS is a folder of photographs, 2000 px wide or more. Each set is a card of frames: random views,
turned and mirrored, 1200 x 800, f/5.6 to f/16, with noise, and twelve spots at the same places.
"""

import argparse
from collections import Counter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from audit.measure.dust_view import dust_view
from audit.records import AuditedFrame, Exposure, Sensor
from audit.series.dust import find_dust

COLS, ROWS = 1200, 800
CELLS = (
    *((0.003, contrast) for contrast in (0.08, 0.16)),
    *((0.006, contrast) for contrast in (0.04, 0.08, 0.08, 0.16)),
    *((0.012, contrast) for contrast in (0.02, 0.04, 0.08)),
    *((0.024, contrast) for contrast in (0.04, 0.08, 0.16)),
)
"""Diameter in widths and contrast at f/16 of the planted spots."""

APERTURES = (5.6, 8.0, 11.0, 16.0)
Levels = NDArray[np.float32]


def view(photo: Image.Image, draw: np.random.Generator) -> Levels:
    """A random part of a photograph in linear light, saturation 1."""
    side = draw.uniform(0.45, 0.95) * min(photo.width / 3, photo.height / 2)
    width, height = 3 * side, 2 * side
    left, top = draw.uniform(0, photo.width - width), draw.uniform(0, photo.height - height)
    part = photo.resize((COLS, ROWS), Image.Resampling.BOX, (left, top, left + width, top + height))
    levels = (np.asarray(part.convert("L"), np.float32) / 255) ** np.float32(2.2)
    return levels[:, :: draw.choice((-1, 1))] * np.float32(draw.uniform(0.5, 1.0))


def shot(
    levels: Levels, spots: NDArray[np.float64], draw: np.random.Generator
) -> tuple[Levels, float]:
    """The view with dust and noise, and its aperture."""
    aperture_n = float(draw.choice(APERTURES))
    rows, cols = np.mgrid[:ROWS, :COLS]
    light = np.ones((ROWS, COLS))
    for (x, y), (diameter, contrast) in zip(spots, CELLS, strict=True):
        inside = np.hypot(cols - x, rows - y) < diameter * COLS / 2
        blurred = gaussian_filter(inside.astype(np.float64), max(0.5, 0.1 * diameter * COLS))
        light *= 1 - contrast * (aperture_n / 16) ** 2 * blurred
    clean = levels * light
    noisy = clean + draw.normal(0, 1, clean.shape) * np.sqrt(clean / 8000 + 1e-6)
    return np.clip(noisy, 0, 1).astype(np.float32), aperture_n


def places(draw: np.random.Generator) -> NDArray[np.float64]:
    """Places of the spots, apart from each other and from the border, px."""
    chosen: list[NDArray[np.float64]] = []
    while len(chosen) < len(CELLS):
        place = draw.uniform((48, 40), (COLS - 48, ROWS - 40))
        if all(np.hypot(*(place - other)) > 100 for other in chosen):
            chosen.append(place)
    return np.stack(chosen)


def row(index: int, aperture_n: float) -> AuditedFrame:
    """Row of a frame with nothing but what dust is judged by."""
    sensor = Sensor(width_px=COLS, height_px=ROWS, pitch_um=30.0, pitch_source="drawn", basis="raw")
    return AuditedFrame(
        file=f"{index}.dng",
        companions=(),
        format="dng",
        state="measured",
        error=None,
        exposure=Exposure(make="Velmark", model="VK-50", aperture_n=aperture_n),
        sensor=sensor,
        verdict="keeper",
        rank=None,
    )


def main() -> None:
    """Print found of planted by kind of spot, and false spots a set."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("photos", type=Path)
    words.add_argument("--sets", type=int, default=20)
    words.add_argument("--frames", type=int, default=30)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    photos = [Image.open(path).convert("RGB") for path in sorted(asked.photos.iterdir())]
    hits: Counter[tuple[float, float]] = Counter()
    false = 0
    for number in range(asked.sets):
        draw = np.random.default_rng((asked.seed, number))
        spots = places(draw)
        shots = [
            shot(view(photos[int(draw.integers(len(photos)))], draw), spots, draw)
            for _ in range(asked.frames)
        ]
        rows = [row(index, aperture_n) for index, (_, aperture_n) in enumerate(shots)]
        sheets = [dust_view(levels) for levels, _ in shots]
        found = find_dust(rows, range(len(rows)), sheets.__getitem__).spots
        told = np.array([(spot.x_share * COLS, spot.y_share * ROWS) for spot in found]).reshape(
            -1, 2
        )
        away = np.hypot(*(spots[:, None] - told).transpose(2, 0, 1))
        reach = np.array([diameter * COLS for diameter, _ in CELLS])
        near = away < reach[:, None]
        hits.update(cell for cell, is_hit in zip(CELLS, near.any(axis=1), strict=True) if is_hit)
        false += int((~near.any(axis=0)).sum())
    planted = Counter(CELLS)
    for diameter, contrast in dict.fromkeys(CELLS):
        cell = (diameter, contrast)
        total = planted[cell] * asked.sets
        print(f"{100 * diameter:.1f} % wide, {100 * contrast:2.0f} % deep: {hits[cell]} of {total}")
    print(f"false spots a set: {false / asked.sets:.2f}")


if __name__ == "__main__":
    main()
