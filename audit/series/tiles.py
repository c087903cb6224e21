"""Tile maps of the frames of one framing, laid over each other."""

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from audit.series.framing import Placed

F64 = NDArray[np.float64]

DETAIL_OVER_FLOOR_LOG2 = 2.0
"""A tile has detail where the best frame's energy is four times what noise alone may leave."""

LEAST_TILES = 40
"""Tiles with detail that are needed, of 384 (project's choice)."""

SMOOTHED_TILES = 3
SMOOTHINGS = 2
"""Energies are averaged over so many tiles each way, twice: focus moves over connected parts, while
a line that crosses from a tile to its neighbour by a hand's tremor changes both."""


def common_tiles(group: Sequence[Placed]) -> F64 | None:
    """(frames, tiles) log2 energy of the tiles that all frames show and one shows with detail."""
    maps = [energy_on_first(member, group[0]) for member in group]
    known = [each for each in maps if each is not None]
    if len(known) < len(group):
        return None
    stack = np.stack(known)
    with np.errstate(invalid="ignore"):
        textured = stack.max(axis=0) > floor(group) + DETAIL_OVER_FLOOR_LOG2
    if textured.sum() < LEAST_TILES:
        return None
    tiles: F64 = stack[:, textured]
    return tiles


def energy_on_first(member: Placed, first: Placed) -> F64 | None:
    """Tile map of a frame's fine detail, laid on the first frame's tiles.

    Parameters
    ----------
    member, first : Placed

    Returns
    -------
    (rows, cols) float array or None
        log2 energy, smoothed, in the light of the first frame; NaN where the frame does not reach
        or is clipped.
    """
    detail, grid = member.shot.detail, first.shot.detail
    if detail is None or grid is None or member.shot.row.depth != first.shot.row.depth:
        return None
    energy = _smoothed_log2(_floats(detail.log2_energy))
    laid = _laid(energy, member, (grid.rows, grid.cols), nearest=False)
    return laid - 2 * _light_ev(member)


def widths_on_first(member: Placed, first: Placed) -> F64 | None:
    """Edge widths of a frame's sharpness map, laid on the first frame's tiles.

    Parameters
    ----------
    member, first : Placed

    Returns
    -------
    (rows, cols) float array or None
        px, never averaged over tiles; NaN where nothing was measured.
    """
    one, two = member.shot.row.sharpness, first.shot.row.sharpness
    if one is None or two is None or one.map is None or two.map is None:
        return None
    return _laid(_floats(one.map.edge_width_px), member, (two.map.rows, two.map.cols), nearest=True)


def stillest_loss_log2(group: Sequence[Placed]) -> list[float] | None:
    """How much fine detail each frame lost against the best one, where it lost least.

    Parameters
    ----------
    group : sequence of Placed

    Returns
    -------
    list of float or None
        log2 of energy, over the quarter of the tiles with the smallest loss: what stood still.
        ``None`` where too few tiles have detail.
    """
    tiles = common_tiles(group)
    if tiles is None:
        return None
    return [float(np.quantile(loss, STILL_SHARE)) for loss in tiles.max(axis=0) - tiles]


STILL_SHARE = 0.25
"""Share of the tiles that is taken to stand still (project's choice)."""


def _laid(tiles: F64, member: Placed, shape: tuple[int, int], *, nearest: bool) -> F64:
    """Sample a tile map where the first frame's tiles lie in it."""
    rows, cols = shape
    at_y, at_x = member.seen_at(
        (np.arange(rows) + 0.5) / rows - 0.5, (np.arange(cols) + 0.5) / cols - 0.5
    )
    row, col = (at_y + 0.5) * tiles.shape[0] - 0.5, (at_x + 0.5) * tiles.shape[1] - 0.5
    inside = (row > -0.5) & (row < tiles.shape[0] - 0.5)
    inside &= (col > -0.5) & (col < tiles.shape[1] - 0.5)
    if nearest:
        found = tiles[
            np.clip(np.rint(row), 0, tiles.shape[0] - 1).astype(int),
            np.clip(np.rint(col), 0, tiles.shape[1] - 1).astype(int),
        ]
    else:
        found = _bilinear(tiles, row, col)
    return np.where(inside, found, np.nan)


def _bilinear(tiles: F64, row: F64, col: F64) -> F64:
    row = np.clip(row, 0, tiles.shape[0] - 1)
    col = np.clip(col, 0, tiles.shape[1] - 1)
    top = np.minimum(row.astype(int), tiles.shape[0] - 2)
    left = np.minimum(col.astype(int), tiles.shape[1] - 2)
    down, right = row - top, col - left
    upper = tiles[top, left] * (1 - right) + tiles[top, left + 1] * right
    lower = tiles[top + 1, left] * (1 - right) + tiles[top + 1, left + 1] * right
    out: F64 = upper * (1 - down) + lower * down
    return out


def _smoothed_log2(tiles: F64) -> F64:
    """Mean of the energies over neighbouring tiles; NaN where most of them are clipped."""
    known = np.isfinite(tiles)
    energy, weight = np.where(known, np.exp2(np.where(known, tiles, 0.0)), 0.0), known.astype(float)
    for _ in range(SMOOTHINGS):
        energy = _mean_around(energy)
        weight = _mean_around(weight)
    mean = energy / np.maximum(weight, 1e-9)
    out: F64 = np.where(weight > LEAST_WEIGHT, np.log2(np.maximum(mean, 1e-30)), np.nan)
    return out


def _mean_around(tiles: F64) -> F64:
    """Mean over `SMOOTHED_TILES` each way, 0 beyond the border."""
    padded = np.pad(tiles, SMOOTHED_TILES // 2)
    out: F64 = sliding_window_view(padded, (SMOOTHED_TILES,) * 2).mean(axis=(2, 3))
    return out


LEAST_WEIGHT = 0.3
"""A corner tile has 0.44 of its neighbours inside the frame."""


def _light_ev(member: Placed) -> float:
    """How much brighter the picture is than the first one; energies go with its square."""
    return member.brightness_ev or 0.0


def floor(group: Sequence[Placed]) -> float:
    """Energy that a tile without any detail reads, in the light of the first frame."""
    return max(
        float(member.shot.detail.log2_floor) - 2 * _light_ev(member)
        for member in group
        if member.shot.detail is not None
    )


def _floats(rows: Sequence[Sequence[float | None]]) -> F64:
    return np.array([[np.nan if v is None else v for v in row] for row in rows], dtype=np.float64)
