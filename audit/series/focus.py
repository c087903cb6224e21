"""Focus brackets: one framing, other distances in focus, for more depth than one frame holds.

Shake softens all of a frame; a moved plane of focus softens one part and sharpens another. So the
frames' fine detail is compared tile by tile: a bracket is what no single frame is the sharpest of.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from audit.optics.printing import print_edge_width_px
from audit.series.found import FoundSeries, listed, named, sharpest_first
from audit.series.framing import Placed
from audit.series.shot import Shot
from audit.series.tiles import (
    DETAIL_OVER_FLOOR_LOG2,
    common_tiles,
    energy_on_first,
    floor,
    widths_on_first,
)
from audit.settings import Settings

F64 = NDArray[np.float64]

LEAST_CHANGE_LOG2 = 0.5
"""Change of a tile's energy that counts: the variance of fine detail 1.4 times (tuned with the
next on simulated trips and on real focus brackets and bursts; docs/methods/series.md)."""

LEAST_BEATEN_SHARE = 0.12
"""Share of the tiles in which even the best single frame must be beaten."""

TOLD_BEATEN_SHARE = 0.03
"""The same where the camera wrote that the distance was changed (project's choice)."""

TOLD_CHANGE = 1.05
"""Ratio of two written distances that counts as changed (project's choice)."""


def beaten_share(group: Sequence[Placed]) -> float:
    """Share of the tiles in which the best single frame is clearly less sharp than another one.

    Parameters
    ----------
    group : sequence of Placed
        Frames of one framing. Only tile maps are compared, no picture.

    Returns
    -------
    float
        Shake and mist leave one frame that is the sharpest everywhere: near 0. Where the plane of
        focus moved there is none. 0 where too few tiles have detail in some frame.
    """
    tiles = common_tiles(group)
    if tiles is None:
        return 0.0
    best = tiles.max(axis=0)
    return min(float((best - frame > LEAST_CHANGE_LOG2).mean()) for frame in tiles)


def is_focus_bracket(group: Sequence[Placed]) -> bool:
    """Whether the plane of focus was moved between frames of one framing and one exposure."""
    told = [d for m in group if (d := m.shot.exposure.subject_distance_m)]
    if len(told) == len(group):
        if max(told) < TOLD_CHANGE * min(told):
            return False
        return beaten_share(group) >= TOLD_BEATEN_SHARE
    return beaten_share(group) >= LEAST_BEATEN_SHARE


def focus_bracket(group: Sequence[Placed], settings: Settings) -> FoundSeries:
    """Judge one focus bracket: what each frame adds, and where no frame is sharp.

    Parameters
    ----------
    group : sequence of Placed
        In order of time.
    settings : Settings

    Returns
    -------
    FoundSeries
        Gaps are looked for on the edge widths of the full-resolution sharpness maps.
    """
    shots = tuple(member.shot for member in group)
    notes = [*_gap_notes(group, settings), *_parts_notes(group)]
    return FoundSeries(
        kind="focus-bracket", shots=shots, order=sharpest_first(shots), notes=tuple(notes)
    )


# ---------------------------------------------------------------- which frame is sharpest where


def sharpest_frames(group: Sequence[Placed]) -> NDArray[np.int64]:
    """Frame with the most detail in each tile, on the first frame.

    Parameters
    ----------
    group : sequence of Placed

    Returns
    -------
    (rows, cols) int array
        Index into the group; -1 where no frame shows detail.
    """
    maps = [energy_on_first(member, group[0]) for member in group]
    known = [each for each in maps if each is not None]
    if not known:
        return np.full((1, 1), -1)
    stack = np.stack(
        [
            np.full_like(known[0], -np.inf) if e is None else np.nan_to_num(e, nan=-np.inf)
            for e in maps
        ]
    )
    has_detail = stack.max(axis=0) > floor(group) + DETAIL_OVER_FLOOR_LOG2
    return np.where(has_detail, np.argmax(stack, axis=0), -1)


def _parts_notes(group: Sequence[Placed]) -> list[str]:
    frames = sharpest_frames(group)
    tiles = int((frames >= 0).sum())
    if not tiles:
        return ["Which frame is the sharpest where cannot be told: no detail was measured."]
    shares = [float((frames == index).sum()) / tiles for index in range(len(group))]
    parts = [
        f"{named(member.shot)} {100 * share:.0f} %"
        for member, share in zip(group, shares, strict=True)
        if share > 0
    ]
    notes = [f"Share of the detail in which each is the sharpest: {listed(parts)}."]
    idle = [named(m.shot) for m, share in zip(group, shares, strict=True) if share == 0]
    if idle:
        notes.append(f"Sharpest nowhere: {listed(idle)}.")
    return notes


# ---------------------------------------------------------------- tiles sharp in no frame


def narrowest_px(group: Sequence[Placed]) -> tuple[F64, F64]:
    """Narrowest and widest edge of each tile over all frames, on the first frame's map.

    Parameters
    ----------
    group : sequence of Placed

    Returns
    -------
    narrowest, widest : (rows, cols) float arrays
        px; NaN where no frame has an edge width.
    """
    maps = [each for member in group if (each := widths_on_first(member, group[0])) is not None]
    if not maps:
        return np.full((1, 1), np.nan), np.full((1, 1), np.nan)
    stack = np.stack(maps)
    low = np.nan_to_num(stack, nan=np.inf).min(axis=0)
    high = np.nan_to_num(stack, nan=-np.inf).max(axis=0)
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)


FOCUS_RATIO = 1.3
"""A tile whose widest edge is not so many times its narrowest is soft in itself, like a cloud: no
focus would help (project's choice, beyond the doubt of a tile's width)."""


def _gap_notes(group: Sequence[Placed], settings: Settings) -> list[str]:
    narrowest, widest = narrowest_px(group)
    measured = np.isfinite(narrowest)
    if not measured.any():
        return ["Whether the depth is covered cannot be told: too few edges."]
    wanted_px = needed_px(group[0].shot, settings)
    focus_tells = widest >= FOCUS_RATIO * narrowest
    with np.errstate(invalid="ignore"):
        gap = measured & focus_tells & (narrowest > wanted_px)
    if not gap.any():
        return [f"No gap in depth: every part with edges is sharp in a frame ({wanted_px:.1f} px)."]
    worst = np.unravel_index(np.argmax(np.where(gap, narrowest, 0)), gap.shape)
    note = (
        f"A gap in depth: {int(gap.sum())} of {int(measured.sum())} parts with edges are sharp in "
        f"no frame; the softest lies {_place_words(worst, gap.shape)}, where the best frame has "
        f"edges of {narrowest[worst]:.1f} px (wanted: {wanted_px:.1f} px)."
    )
    return [note]


def needed_px(shot: Shot, settings: Settings) -> float:
    """Widest edge that holds at a frame's target print; a fully sharp one where that is unknown."""
    sharp_px, size, target = settings.limits.fully_sharp_px, shot.size_px, shot.row.print
    if size is None or target is None:
        return sharp_px
    held_px = print_edge_width_px(max(size), settings.viewing_cm, target.target_long_cm, sharp_px)
    return max(held_px or 0.0, sharp_px)


ROW_WORDS = ("upper", "middle", "lower")
COLUMN_WORDS = ("left", "centre", "right")


def _place_words(tile: tuple[np.intp, ...], shape: tuple[int, ...]) -> str:
    row = ROW_WORDS[int(3 * (int(tile[0]) + 0.5) / shape[0])]
    column = COLUMN_WORDS[int(3 * (int(tile[1]) + 0.5) / shape[1])]
    return "in the middle" if (row, column) == ("middle", "centre") else f"{row} {column}"
