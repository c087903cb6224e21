"""Energy of fine detail, tile by tile: where in the frame one frame of a series is the sharper one.

The edge widths of the sharpness map are absolute but need edges, so that few tiles have one. Inside
one framing a plain energy serves: the scene is the same, and only its change from frame to frame is
looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from audit.measure.noise import NoiseModel

Plane = NDArray[np.uint16] | NDArray[np.float32]
F32 = NDArray[np.float32]

TILES_LONG, TILES_SHORT = 24, 16
"""Tiles along the long and the short side: a tile of a 3:2 frame is square (project's choice)."""

MOST_SAMPLES = 300_000
"""Samples looked at in rows, and as many in columns, spread evenly: sets the cost."""

LATTICE_STEP = 1
PIXEL_STEP = 2
"""Arm of the second difference on a green lattice, whose samples lie two pixels apart, and where
every pixel counts: 2 px both times, beyond most of what demosaic draws (project's choice)."""

COARSER = (2, 4, 8)
"""Times that arm: 4, 8 and 16 px. How the energy rises from arm to arm tells a soft frame from a
scene that holds little (docs/methods/panorama.md)."""

SECOND_DIFFERENCE_GAIN = 6.0
"""Sum of squares of [1 -2 1]: the variance of white noise is multiplied by it."""

NOISE_EXCESS = 1.2
"""Times the noise that is taken off: the noise of a frame is known within a fifth (measured on
drawn noise, docs/methods/noise.md)."""

LEAST_SHARE_OF_NOISE = 0.5
"""Least energy, as a share of the noise's own: what is below is no detail (project's choice)."""

CLIPPED_TILE_SHARE = 0.1
"""A tile with more clipped samples has no energy: clipping cuts detail off (project's choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DetailResult:
    """Energy of fine detail over the frame, stored orientation."""

    log2_energy: F32
    """(rows, cols), in stops of variance, full scale 1; NaN where the tile is clipped."""
    log2_floor: F32
    """(rows, cols), what a tile without any detail reads."""
    log2_coarser: F32
    """(arms, rows, cols), energy at the arms of `COARSER`; NaN where ``log2_energy`` is."""


def measure_detail(
    plane: Plane,
    *,
    black_dn: float,
    saturation_dn: float,
    clipped_dn: float,
    noise: NoiseModel,
    green_parity: int | None,
) -> DetailResult | None:
    """Energy of fine detail in each tile of a frame, less the noise's own.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        Linear samples at full resolution.
    black_dn : float
        Black level.
    saturation_dn : float
        Saturation, above black.
    clipped_dn : float
        Level from which a sample counts as clipped.
    noise : NoiseModel
        Noise of one sample.
    green_parity : 0, 1 or None
        Bayer mosaic: one lattice of the green samples is used (every second row and column).

    Returns
    -------
    DetailResult or None
        Mean square second difference of both axes; compare only tiles of one framing. ``None`` for
        a frame with fewer samples than tiles need.

    References
    ----------
    A focus measure of the Laplacian family: Pertuz, S., Puig, D., Garcia, M. A. (2013). Analysis of
    focus measure operators for shape-from-focus. Pattern Recognition 46(5), 1415-1432 (from
    memory).
    """
    lattice = plane if green_parity is None else plane[0::2, green_parity::2]
    step = PIXEL_STEP if green_parity is None else LATTICE_STEP
    tiles = (TILES_SHORT, TILES_LONG)
    if lattice.shape[0] > lattice.shape[1]:
        tiles = (TILES_LONG, TILES_SHORT)
    if any(size < (2 * step + 2) * count for size, count in zip(lattice.shape, tiles, strict=True)):
        return None
    rows, cols = (
        _spread(size, least, other)
        for size, least, other in zip(lattice.shape, tiles, lattice.shape[::-1], strict=True)
    )
    # Indexed, not taken: numpy would first copy the whole lattice.
    upright = cast("Plane", np.ascontiguousarray(lattice[:, cols].T))
    across = _along_rows(lattice[rows], rows / lattice.shape[0], step, tiles, clipped_dn)
    down = _along_rows(upright, cols / lattice.shape[1], step, tiles[::-1], clipped_dn)
    parts = (across + np.swapaxes(down, 1, 2)) / 2
    squares, level, clipped = parts[:-2], parts[-2], parts[-1]
    own = SECOND_DIFFERENCE_GAIN * noise.variance_dn2(level - black_dn).astype(np.float32)
    floor = LEAST_SHARE_OF_NOISE * own
    energies = np.maximum(squares - NOISE_EXCESS * own, floor)
    energies[:, clipped > CLIPPED_TILE_SHARE] = np.nan
    log2_energies = np.log2(energies / np.float32(saturation_dn**2))
    return DetailResult(
        log2_energy=log2_energies[0],
        log2_floor=np.log2(floor / np.float32(saturation_dn**2)),
        log2_coarser=log2_energies[1:],
    )


def _spread(size: int, tiles: int, length: int) -> NDArray[np.int64]:
    """Evenly spread rows (or columns) of a given length, at least two a tile."""
    wanted = min(size, max(2 * tiles, MOST_SAMPLES // length))
    return ((np.arange(wanted) + 0.5) * size / wanted).astype(np.int64)


def _along_rows(
    chosen: Plane, places: NDArray[np.float64], step: int, tiles: tuple[int, int], clipped_dn: float
) -> F32:
    """Mean square second differences along rows (one a arm), level and clipped share of each tile.

    ``places`` says where in the frame each row lies, 0 to 1. Lines of the scene that run across
    the chosen rows are met by each of them; those that run along are met by the chosen columns.
    """
    samples = chosen.astype(np.float32)
    row_starts = np.searchsorted(places, np.arange(tiles[0]) / tiles[0])
    row_counts = np.diff(row_starts, append=len(places))[:, None]

    def tile_means(part: F32, margin: int) -> F32:
        """Means of a part that lacks so many samples at both ends of each row."""
        size, first = part.shape[1], np.arange(tiles[1])
        borders = first * samples.shape[1] // tiles[1] - margin
        col_starts = np.clip(borders, first, size - tiles[1] + first)
        sums = np.add.reduceat(np.add.reduceat(part, col_starts, axis=1), row_starts, axis=0)
        means: F32 = sums / (row_counts * np.diff(col_starts, append=size))
        return means

    out = [tile_means(_squares(samples, arm), arm) for arm in (step, *(step * n for n in COARSER))]
    clipped = (samples >= clipped_dn).astype(np.float32)
    return np.stack([*out, tile_means(samples, 0), tile_means(clipped, 0)]).astype(np.float32)


def _squares(samples: F32, arm: int) -> F32:
    """Square of the second difference along rows, without the samples that lack a neighbour."""
    difference = samples[:, : -2 * arm] + samples[:, 2 * arm :]
    difference -= 2 * samples[:, arm:-arm]
    difference *= difference
    return difference
