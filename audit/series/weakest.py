"""The weakest position of a sweep: softer than its neighbours where both show the same.

How steeply energy rises from fine to coarse detail tells a blur from a scene that holds little:
it hardly depends on the scene, where the same tiles are compared, and not at all on exposure.
"""

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from audit.records import DetailMap
from audit.series.laid_out import Joint, Sweep
from audit.series.register import Link
from audit.series.shot import Shot
from audit.settings import Limits

Maps = NDArray[np.float64]

ARMS = 4
"""Energies a tile: second differences over 2, 4, 8 and 16 px."""


class Octave(NamedTuple):
    """A fine energy over a coarser one."""

    fine: int
    coarse: int
    """Which arms, finest 0."""
    loss_share: float
    """What a blur takes from it, over what it takes from the first of them, in log2."""
    scatter_log2: float
    """Between frames of sound sweeps."""


OCTAVES = (
    Octave(0, 2, 1.0, 0.05),
    Octave(1, 2, 1 / 3, 0.025),
    Octave(2, 3, 0.13, 0.03),
)
"""2 and 4 px over 8 px, and 8 over 16 px: shares and scatter measured on development trips
(docs/methods/panorama.md)."""

SIGNAL_OVER_NOISE = 3.0
"""Energy over that of the noise from which a tile is compared (project's choice)."""

LEAST_RISE = 3.0
"""Energy of detail grows at least so much from an arm of 2 px to one of 4 px, that of white noise
not at all: what grows less holds noise (measured: sharp development frames grow by 2.9)."""

LEAST_TILES = 8
"""Tiles with detail that a comparison needs (project's choice)."""

TILE_DOUBT = 1.5
"""Standard errors of a median of tiles over spread / sqrt(n): neighbours are alike (1.25 for
independent ones; project's choice)."""

MOST_NOISE_SHARE = 0.2
"""How well the noise is known (as in the detail map)."""

LEAST_STANDARD_ERRORS = 2.0
"""By which the weakest position must lie below the next (project's choice; at 2.5 the development
trips lose two right ones and one false one)."""

MOST_DOUBT_LOG2 = 0.5
"""Standard error of a comparison that is too blurred by noise to be used (project's choice)."""

SOFTER_IN_BRACKET = 2.0
"""Times the loss of the longest exposure that makes another one of its bracket the weakest
(project's choice)."""


class Loss(NamedTuple):
    """How much finest detail is missing, log2 of energy over the neighbours', and its variance."""

    log2: float
    variance: float


class Weakest(NamedTuple):
    """The softest position of a sweep."""

    position: int
    shot: Shot
    """The frame of it that is named."""
    loss_log2: float


def weakest_of(sweep: Sweep, joints: Sequence[Joint], limits: Limits) -> Weakest | None:
    """Find the position that is softer than its neighbours.

    Parameters
    ----------
    sweep : Sweep
    joints : sequence of Joint
        Between neighbours proper.
    limits : Limits

    Returns
    -------
    Weakest or None
        None where no position lies clearly below all others, or where that cannot be told.
    """
    compared = [list(_compared(sweep, joint)) for joint in joints]
    together = [
        (joint.a, joint.b, _combined(losses))
        for joint, losses in zip(joints, compared, strict=True)
        if losses
    ]
    placed = offsets(together)
    lowest = sorted(placed, key=lambda i: placed[i].log2)[:2]
    if len(lowest) < 2:
        return None
    (first, doubt), (second, other_doubt) = (placed[i] for i in lowest)
    apart = (second - first) / math.sqrt(doubt + other_doubt)
    if first > -limits.weaker_detail_log2 or apart < LEAST_STANDARD_ERRORS:
        return None
    position = lowest[0]
    return Weakest(position, _named_frame(sweep, joints, compared, position), first)


def offsets(differences: Sequence[tuple[int, int, Loss]]) -> dict[int, Loss]:
    """Each position's own loss from those of pairs: weighted least squares, median 0.

    Parameters
    ----------
    differences : sequence of (a, b, Loss)
        Of b against a.

    Returns
    -------
    dict of Loss
        By position; the variance is that of its own comparisons.
    """
    positions = sorted({i for a, b, _ in differences for i in (a, b)})
    if not positions:
        return {}
    column = {position: at for at, position in enumerate(positions)}
    rows = np.zeros((len(differences) + 1, len(positions)))
    right, weights = np.zeros(len(differences) + 1), np.zeros(len(positions))
    for row, (a, b, loss) in enumerate(differences):
        weight = 1 / math.sqrt(loss.variance)
        rows[row, column[b]], rows[row, column[a]], right[row] = weight, -weight, weight * loss.log2
        weights[[column[a], column[b]]] += weight**2
    rows[-1] = 1e-3
    solved = np.linalg.lstsq(rows, right, rcond=None)[0]
    solved -= np.median(solved)
    return {i: Loss(float(solved[column[i]]), float(1 / weights[column[i]])) for i in positions}


# ---------------------------------------------------------------- brackets


def by_exposure(sweep: Sweep, position: int) -> list[Shot]:
    """Frames of a position, darkest first."""
    shots = [member.shot for member in sweep.positions[position]]
    return sorted(shots, key=lambda shot: shot.exposure_thirds or 0)


def _compared(sweep: Sweep, joint: Joint) -> Iterator[Loss]:
    """Losses of b against a: of each exposure of a bracket, else of the frames that stand."""
    one, two = by_exposure(sweep, joint.a), by_exposure(sweep, joint.b)
    if len(one) != len(two):
        one, two = [sweep.shots[joint.a]], [sweep.shots[joint.b]]
    fields = sweep.positions[joint.a][0].fields, sweep.positions[joint.b][0].fields
    for first, second in zip(one, two, strict=True):
        loss = _loss(first, second, joint.link, *fields)
        if loss is not None:
            yield loss


def _combined(losses: Sequence[Loss]) -> Loss:
    weight = sum(1 / loss.variance for loss in losses)
    return Loss(sum(loss.log2 / loss.variance for loss in losses) / weight, 1 / weight)


def _named_frame(
    sweep: Sweep, joints: Sequence[Joint], compared: Sequence[Sequence[Loss]], position: int
) -> Shot:
    """The longest exposure, where shake, wind and water act longest, unless another is softer."""
    shots = by_exposure(sweep, position)
    longest = max(range(len(shots)), key=lambda i: (shots[i].exposure.shutter_s or 0.0, i))
    whole = [
        (joint.a, joint.b, losses)
        for joint, losses in zip(joints, compared, strict=True)
        if len(losses) == len(shots)
    ]
    own = [
        offsets([(a, b, losses[i]) for a, b, losses in whole]).get(position)
        for i in range(len(shots))
    ]
    usual = own[longest]
    if usual is None:
        return shots[longest]
    softest = min(range(len(shots)), key=lambda i: own[i] or usual)
    loss = own[softest] or usual
    doubt = math.sqrt(loss.variance + usual.variance)
    clearly = usual.log2 - loss.log2 > LEAST_STANDARD_ERRORS * doubt
    is_softer = clearly and loss.log2 < SOFTER_IN_BRACKET * min(usual.log2, 0.0)
    return shots[softest if is_softer else longest]


# ---------------------------------------------------------------- two frames


def _loss(
    one: Shot, two: Shot, link: Link, fields_a: tuple[float, float], fields_b: tuple[float, float]
) -> Loss | None:
    """Loss of frame two against frame one; None where they show too little alike."""
    if one.detail is None or two.detail is None:
        return None
    if "first-look" in (one.row.depth, two.row.depth):
        return None  # its octaves are others
    a, b = _energies(one.detail), _energies(two.detail)
    if a is None or b is None:
        return None
    # Both ways: laying one map on the other smooths it, which must not count as a blur.
    forth = _tiles_on(a, b, link.rotation, fields_a, fields_b)
    back = _tiles_on(b, a, link.rotation.T, fields_b, fields_a)
    noise = 2 * 2.0**one.detail.log2_floor, 2 * 2.0**two.detail.log2_floor
    steepness = weighted = 0.0
    for octave in OCTAVES:
        there = _octave_loss(*forth, noise, octave)
        again = _octave_loss(*back, noise[::-1], octave)
        if there is None or again is None:
            continue
        variance = octave.scatter_log2**2 + (there.variance + again.variance) / 2
        weighted += octave.loss_share * (there.log2 - again.log2) / 2 / variance
        steepness += octave.loss_share**2 / variance
    if steepness < MOST_DOUBT_LOG2**-2:
        return None
    return Loss(weighted / steepness, 1 / steepness)


def _energies(tiles: DetailMap) -> Maps | None:
    """(arms, rows, cols) energies, full scale 1, NaN where clipped."""
    if not tiles.coarser:
        return None
    fine = [[math.nan if each is None else each for each in row] for row in tiles.log2_energy]
    packed = np.frombuffer(tiles.coarser, "<i2").reshape(ARMS - 1, tiles.rows, tiles.cols)
    coarser = np.where(packed == np.iinfo(np.int16).min, np.nan, packed / 100)
    return np.asarray(np.exp2(np.concatenate([[fine], coarser])), np.float64)


def _tiles_on(
    a: Maps,
    b: Maps,
    rotation: NDArray[np.float64],
    half_a: tuple[float, float],
    half_b: tuple[float, float],
) -> tuple[Maps, Maps]:
    """Energies of a's tiles that b sees, and of b there: (arms, n) each."""
    rows, cols = a.shape[1:]
    y, x = np.meshgrid(
        (2 * (np.arange(rows) + 0.5) / rows - 1) * half_a[0],
        (2 * (np.arange(cols) + 0.5) / cols - 1) * half_a[1],
        indexing="ij",
    )
    rays = np.stack([x, y, np.ones_like(x)], axis=-1) @ rotation.T
    ahead = np.maximum(rays[..., 2], 1e-6)
    high, wide = b.shape[1:]
    row = (rays[..., 1] / ahead / half_b[0] + 1) / 2 * high - 0.5
    col = (rays[..., 0] / ahead / half_b[1] + 1) / 2 * wide - 0.5
    seen = (rays[..., 2] > 0) & (row > 0) & (row < high - 1) & (col > 0) & (col < wide - 1)
    at = [row[seen], col[seen]]
    return a[:, seen], np.array([scipy.ndimage.map_coordinates(each, at, order=1) for each in b])


def _octave_loss(a: Maps, b: Maps, noise: tuple[float, float], octave: Octave) -> Loss | None:
    """Median over the richer half of the tiles, of b against a; its own variance."""
    levels = _noise_levels(a, b, noise)
    fine, coarse = (a[octave.fine], b[octave.fine]), (a[octave.coarse], b[octave.coarse])
    over = [part / level for part, level in zip(fine, levels, strict=True)]
    coarse_over = [part / level for part, level in zip(coarse, levels, strict=True)]
    # Clipped tiles are NaN and fail both.
    shown = (np.maximum(*over) > 1) & (np.minimum(*coarse_over) > 1)
    if shown.sum() < LEAST_TILES:
        return None
    richness = (fine[0] * fine[1])[shown]
    rich = np.flatnonzero(shown)[richness >= np.median(richness)]
    change = np.log2(fine[1] / fine[0] * coarse[0] / coarse[1])[rich]
    middle = float(np.median(change))
    spread = 1.4826 * float(np.median(np.abs(change - middle)))
    shares = [level / part for level, part in zip(noise, fine, strict=True)]
    of_noise = MOST_NOISE_SHARE / math.log(2) * np.hypot(*shares)[rich]
    doubt = min(float(np.median(of_noise)), 3 * MOST_NOISE_SHARE)
    return Loss(middle, (TILE_DOUBT * spread) ** 2 / len(rich) + doubt**2)


def _noise_levels(a: Maps, b: Maps, noise: tuple[float, float]) -> tuple[Maps, Maps]:
    """Energies up to which a tile of a, and of b, may be mere noise.

    Compression lets noise through where there is texture, so that flat patches tell too little of
    it. As white noise gives the same energy at every arm, the rise from the first to the second
    bounds its part; the frame in which that is less bounds it for both.
    """
    bounds = []
    for energies, own in ((a, noise[0]), (b, noise[1])):
        white = (LEAST_RISE * energies[0] - energies[1]) / (LEAST_RISE - 1)
        bounds.append(np.clip(white, 0, energies[0]) / own)
    # Detail must be at least as much again as what may be noise.
    level = np.maximum(SIGNAL_OVER_NOISE, 2 * np.minimum(*bounds))
    return noise[0] * level, noise[1] * level
