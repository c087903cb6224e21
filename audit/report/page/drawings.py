"""Geometry of the small drawings: the map, the histogram, the print to scale, the series.

Everything here is numbers for SVG; colours, hatching and words belong to the templates and the
style sheet, so that the drawings follow light, dark and print.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from audit.records import Crop, Histogram, Panorama, Print, SharpnessMap

MAP_BOUNDS_PX = (1.5, 2.0, 3.0, 5.0)
"""Edge widths at which the map's shade changes: 1.5 px is fully sharp, each further step costs a
quarter to two fifths of the print (project's choice)."""

MAP_ROOM = (192, 144)
"""Most that a map takes on the screen, pixels."""

HISTOGRAM_WIDTH, HISTOGRAM_HEIGHT = 192, 72
PRINT_WIDTH, PRINT_HEIGHT = 168, 118
RULER_ROOM = 22
RULER_STEPS_CM = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
MOST_RULER_STEPS = 6

SWEEP_HEIGHT = 60
GAP_WIDTH = 0.3
"""Space drawn for a gap, as a share of a frame: its true size is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapDrawing:
    """The sharpness map: hatched ground, and on it one path a shade."""

    cols: int
    rows: int
    shown_width: int
    shown_height: int
    """Pixels on the screen."""
    shades: tuple[tuple[int, str], ...]
    """Number of the shade (0 is sharpest) and the path of its tiles."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle in the units of its drawing."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintDrawing:
    """The print that holds and the one asked for, both to the scale of one ruler in cm."""

    holds: Box
    target: Box
    ticks: tuple[float, ...]
    ruler_y: float
    ruler_words: str
    """Of the last tick."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepDrawing:
    """Outlines of a panorama's frames."""

    width: float
    height: float
    frames: tuple[tuple[str, Box], ...]
    gaps: tuple[Box, ...]
    overlaps: tuple[tuple[str, float, float], ...]
    """Words and place of each overlap."""


def shade_of(width_px: float) -> int:
    """Give the number of the map's shade: 0 is sharpest."""
    return sum(width_px > bound for bound in MAP_BOUNDS_PX)


def map_drawing(tiles: SharpnessMap) -> MapDrawing:
    """Draw the map as runs of tiles of one shade, each a line as thick as a tile."""
    parts: dict[int, list[str]] = {}
    for row, widths in enumerate(tiles.edge_width_px):
        shades = [None if width is None else shade_of(width) for width in widths]
        for shade, first, count in _runs(shades):
            if shade is not None:
                parts.setdefault(shade, []).append(f"M{first} {row}h{count}")
    scale = min(MAP_ROOM[0] / tiles.cols, MAP_ROOM[1] / tiles.rows)
    return MapDrawing(
        cols=tiles.cols,
        rows=tiles.rows,
        shown_width=round(tiles.cols * scale),
        shown_height=round(tiles.rows * scale),
        shades=tuple((shade, "".join(runs)) for shade, runs in sorted(parts.items())),
    )


def _runs(shades: Sequence[int | None]) -> Iterator[tuple[int | None, int, int]]:
    """Shade, first place and length of each run of equal shades."""
    first = 0
    for place in range(1, len(shades) + 1):
        if place == len(shades) or shades[place] != shades[first]:
            yield shades[first], first, place - first
            first = place


def histogram_lines(histogram: Histogram) -> tuple[tuple[str, str], ...]:
    """Letter and stepped line of each colour; heights go by the square root of the share.

    The axis under it is the style sheet's: 12.8 stops, a label every second one.
    """
    colours = [
        (letter, shares)
        for letter, shares in (("r", histogram.r), ("g", histogram.g), ("b", histogram.b))
        if shares
    ]
    # The darkest bin takes everything below it and would flatten all others.
    top = max((share for _, shares in colours for share in shares[1:]), default=0.0) or 1.0
    return tuple((letter, _stepped(shares, top)) for letter, shares in colours)


def _stepped(shares: Sequence[float], top: float) -> str:
    step = HISTOGRAM_WIDTH / len(shares)
    heights = [
        HISTOGRAM_HEIGHT - round(math.sqrt(min(share / top, 1.0)) * (HISTOGRAM_HEIGHT - 2))
        for share in shares
    ]
    parts = [f"M0 {heights[0]}"]
    level, run = heights[0], 0
    for height in heights:
        if height != level:
            parts.append(f"h{run * step:g}V{height}")
            level, run = height, 0
        run += 1
    parts.append(f"h{run * step:g}")
    return "".join(parts)


def crop_box(crop: Crop, width: int, height: int) -> Box:
    """Place of a cut on a picture of the whole frame."""
    return Box(
        x=round(crop.left_share * width, 1),
        y=round(crop.top_share * height, 1),
        width=round(crop.width_share * width, 1),
        height=round(crop.height_share * height, 1),
    )


def print_drawing(size: Print) -> PrintDrawing:
    """Draw the print that holds inside, or around, the one asked for."""
    shape = size.short_cm / size.long_cm if size.long_cm else 1.0
    longest = max(size.long_cm, size.target_long_cm)
    room = PRINT_HEIGHT - RULER_ROOM
    scale = min((PRINT_WIDTH - 2) / longest, (room - 2) / (longest * shape))
    target, holds = (
        Box(
            x=1,
            y=round(room - 1 - long_cm * shape * scale, 1),
            width=round(long_cm * scale, 1),
            height=round(long_cm * shape * scale, 1),
        )
        for long_cm in (size.target_long_cm, size.long_cm)
    )
    step = next((s for s in RULER_STEPS_CM if longest / s <= MOST_RULER_STEPS), RULER_STEPS_CM[-1])
    count = int(longest / step)
    return PrintDrawing(
        holds=holds,
        target=target,
        ticks=tuple(round(1 + number * step * scale, 1) for number in range(count + 1)),
        ruler_y=room + 1,
        ruler_words=f"{count * step:g} cm",
    )


def sweep_drawing(panorama: Panorama, files: Sequence[str], shape: float) -> SweepDrawing:
    """Draw a sweep in the order of its files, each frame moved on by what it does not share.

    Parameters
    ----------
    panorama : Panorama
    files : sequence of str
        In the order of the sweep.
    shape : float
        Width of a frame over its height.
    """
    overlaps = {frozenset((pair.a, pair.b)): pair.overlap for pair in panorama.pairs}
    upright = panorama.layout == "vertical"
    side, other = (
        (SWEEP_HEIGHT, SWEEP_HEIGHT * shape) if upright else (SWEEP_HEIGHT * shape, SWEEP_HEIGHT)
    )
    at, across = 0.0, 0.0
    frames: list[tuple[str, Box]] = []
    gaps: list[Box] = []
    words: list[tuple[str, float, float]] = []

    def box(length: float) -> Box:
        first, second = (across, at) if upright else (at, across)
        width, height = (other, length) if upright else (length, other)
        return Box(
            x=round(first, 1), y=round(second, 1), width=round(width, 1), height=round(height, 1)
        )

    for index, file in enumerate(files):
        if index:
            shared = overlaps.get(frozenset((files[index - 1], file)))
            if shared is not None:
                at += side * (1 - shared)
                middle = box(side * shared)
                words.append(
                    (
                        f"{shared * 100:.0f} %",
                        middle.x + middle.width / 2,
                        middle.y + middle.height / 2,
                    )
                )
            elif panorama.layout == "multi-row" and not _is_gap(panorama, files[index - 1], file):
                at, across = 0.0, across + other * 0.75
            else:
                at += side
                gaps.append(box(side * GAP_WIDTH))
                at += side * GAP_WIDTH
        frames.append((file, box(side)))
    return SweepDrawing(
        width=round(max((one.x + one.width for _, one in frames), default=0.0), 1),
        height=round(max((one.y + one.height for _, one in frames), default=0.0), 1),
        frames=tuple(frames),
        gaps=tuple(gaps),
        overlaps=tuple((text, round(x, 1), round(y, 1)) for text, x, y in words),
    )


def _is_gap(panorama: Panorama, a: str, b: str) -> bool:
    return any({a, b} == set(gap) for gap in panorama.gaps)


COVERAGE_ROWS, COVERAGE_COLS = 8, 12


def coverage_map(maps: Sequence[SharpnessMap]) -> SharpnessMap:
    """Sharpest width that any frame of a focus series has at each place, on one common grid."""

    def best(row: int, col: int) -> float | None:
        widths = [
            tiles.edge_width_px[int((row + 0.5) * tiles.rows / COVERAGE_ROWS)][
                int((col + 0.5) * tiles.cols / COVERAGE_COLS)
            ]
            for tiles in maps
        ]
        return min((width for width in widths if width is not None), default=None)

    return SharpnessMap(
        rows=COVERAGE_ROWS,
        cols=COVERAGE_COLS,
        edge_width_px=tuple(
            tuple(best(row, col) for col in range(COVERAGE_COLS)) for row in range(COVERAGE_ROWS)
        ),
    )
