"""The sharpness of one frame: edge width and MTF50 of its sharpest well-supported part, and a map.

Edges of a scene lie at several distances, and some are soft in themselves, so their widths
spread; what the lens, the focus and the hand did sets the narrow end. Each edge enters with its
own doubt. The widths are modelled as one size for all directions, or, where the edges clearly
ask for it, as a variance that swings with direction (a smear): v = a (1 + e cos 2(theta - t)).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.measure.edges import (
    DIRECTIONS,
    SCREEN_SAMPLES,
    EdgeTable,
    LevelEdges,
    Plane,
    find_edges,
)
from audit.measure.esfr import EdgeShape, edge_profiles, edge_shape
from audit.measure.noise import NoiseModel

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MIN_EDGES = 15
"""Fewer usable edges than this and the frame's sharpness can't be told (chosen on trial frames:
the scatter of the reading doubles below it)."""

USABLE_DOUBT = 0.20
"""Edges with more doubt than this are left out of every reading."""

FULL_WEIGHT_DOUBT = 0.06
"""Edges with less doubt than this count fully; others in inverse proportion."""

MOST_EDGES = 400
"""The least doubtful edges kept for the frame's number; more only cost time (measured)."""

PEAK_SHARE, SOFT_SHARE = 0.70, 0.20
SOFT_DECAY = 2.0
"""Shares of edges as crisp as the picture, and of edges softer in themselves; the latter thin out
by 1/e for each 2.0 of ln sigma. The rest lies anywhere: lines, texture (tuning scenes)."""

LOG_RANGE = 3.5
"""Range of ln sigma over which such edges spread: sigma 0.3 to 10 px."""

LOG_SIGMAS = np.arange(-1.2, 2.6, 0.03)
"""Trial values of ln sigma."""

WIDTH_SPREAD = 0.03
"""Relative spread of widths within one plane of focus beyond each edge's doubt (guess)."""

SMEAR_PENALTY, SMEAR_PENALTY_PER_EDGE = 10.0, 0.15
"""Log likelihood that a direction-dependent width must gain, in all and for each fully counted
edge, before it is believed. Two parameters alone would ask for 3, but edges of one object are not
independent, and scenes of parallel edges fake a smear (tuning scenes)."""

DIRECTION_BINS = 8
"""Crowds of edges in one of so many directions count as the square root of their number."""

MIN_TILE_EDGES = 8
"""Edges that a tile of the map needs."""

MIN_RELATIVE_SD = 0.015
"""Model error of the method on synthetic edges, added to the statistical one."""

BOOTSTRAPS = 200

FEW_EDGES_HANDICAP = 0.5
"""Typical relative scatter of one usable edge's width, times three (measured)."""

REGION_EDGES = 20
"""Edges that a crisp subject must show: ten of clutter agree by chance now and then (chosen among
10, 15, 20 and 30 on seven photographs with soft surroundings)."""

REGION_GAP = 0.35
"""The subject must be crisper than the frame's other edges by this much in ln sigma (chosen among
0.25, 0.35 and 0.5 on the same)."""

ONE_DIRECTION = 0.8
"""Mean resultant length of doubled directions above which edges run one way only."""

SAME_DIRECTION_SINE = 0.26
"""Directions within 15 degrees count as the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TileMap:
    """Edge width over the frame, stored orientation; NaN and a low count where unsupported."""

    rows: int
    cols: int
    edge_width_px: F32
    counts: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class SharpnessResult:
    """What the edges of one frame say; lengths in native pixels, pixel aperture included."""

    measurable: bool
    reason: str | None
    edge_width_px: float | None
    edge_width_low_px: float | None
    edge_width_high_px: float | None
    mtf50_cpp: float | None
    mtf50_low_cpp: float | None
    mtf50_high_cpp: float | None
    edges: int
    best_tile: tuple[int, int] | None
    map: TileMap
    table: EdgeTable


SCREEN_TILES = (8, 12)
CANDIDATES = 2304
"""Candidates of one batch at each resolution, spread evenly over 8 x 12 tiles and over directions:
sets the cost."""

ENOUGH_EDGES = 300
"""Good edges that make further candidates superfluous: the scatter of the frame's number is then
below the method's own error (measured)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How many edges are looked for: sets the cost, and the scatter.

    Attributes
    ----------
    candidates : int
        Of one batch at each resolution.
    enough : int
        Good edges after which no further batch is fitted.
    screen_samples : int
        Gradients taken at each resolution.
    """

    candidates: int = CANDIDATES
    enough: int = ENOUGH_EDGES
    screen_samples: int = SCREEN_SAMPLES


def measure_sharpness(
    plane: Plane,
    *,
    black_dn: float,
    clipped_dn: float,
    noise: NoiseModel,
    green_parity: int | None,
    pixels_per_block: int | None = None,
    effort: Effort = Effort(),
) -> SharpnessResult:
    """Absolute sharpness of a frame from its step edges.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        Linear samples at full resolution.
    black_dn, clipped_dn : float
        Black level; level from which a sample counts as clipped.
    noise : NoiseModel
        Noise of one sample.
    green_parity : 0, 1 or None
        Bayer mosaic: only samples with (row + col) % 2 == green_parity are valid. None: all are.
    pixels_per_block : int or None
        Side of the blocks a developed file was compressed in; edges on their grid are dropped.
    effort : Effort

    Returns
    -------
    SharpnessResult
        Not measurable, with the reason, below ``MIN_EDGES`` usable edges.
    """
    screened = SCREEN_TILES if plane.shape[1] >= plane.shape[0] else SCREEN_TILES[::-1]
    groups = find_edges(
        plane,
        black_dn=black_dn,
        clipped_dn=clipped_dn,
        noise=noise,
        green_parity=green_parity,
        tiles=screened,
        per_cell=effort.candidates // (DIRECTIONS * screened[0] * screened[1]),
        enough=effort.enough,
        screen_samples=effort.screen_samples,
    )
    table = _joined(groups)
    trusted = table.doubt < USABLE_DOUBT
    if pixels_per_block is not None:
        trusted &= ~on_block_grid(table, pixels_per_block)
    usable = np.nonzero(trusted)[0]
    grid = tile_grid(plane.shape, usable.size)
    if usable.size < MIN_EDGES:
        return _unmeasurable(table, usable.size, grid)
    chosen = usable[np.argsort(table.doubt[usable], kind="stable")[:MOST_EDGES]]
    model = fit_widths(table.take(chosen))
    small = find_small_subject(table.take(usable), model, plane.shape)
    if small is not None:
        chosen, model = usable[small.members], small.model
    shape = _shape(groups, table, chosen, model)
    tiles = _tile_map(table.take(usable), model, shape, grid, plane.shape)
    spread = _relative_sd(table.take(chosen), model)
    sigma = model.mean_sigma_px
    width, mtf50 = sigma * shape.rise_per_sigma, shape.mtf50_sigma / sigma
    factor = float(np.exp(1.96 * spread))
    return SharpnessResult(
        measurable=True,
        reason=None,
        edge_width_px=width,
        edge_width_low_px=width / factor,
        edge_width_high_px=width * factor,
        mtf50_cpp=mtf50,
        mtf50_low_cpp=mtf50 / factor,
        mtf50_high_cpp=mtf50 * factor,
        edges=int(chosen.size),
        best_tile=_best_tile(tiles),
        map=tiles,
        table=table,
    )


BLOCK_EDGE_CONTRAST = 0.15
"""Steps at block borders are small; larger ones there are edges of the scene by chance (guess)."""

BLOCK_EDGE_ANGLE = 0.07
"""Block borders run along rows and columns: within 4 degrees."""

BLOCK_EDGE_DISTANCE_PX = 0.75
"""Distance of a false edge from the border."""


def on_block_grid(table: EdgeTable, pixels_per_block: int) -> Bools:
    """Weak edges that lie on and along the borders of compression blocks."""
    weak = table.contrast < BLOCK_EDGE_CONTRAST * np.maximum(table.level, 1e-6)
    found = np.zeros(len(table), np.bool_)
    for place, along in ((table.col, np.sin(table.theta)), (table.row, np.cos(table.theta))):
        phase = np.mod(place + 0.5 + 0.5 * pixels_per_block, pixels_per_block)
        near = np.abs(phase - 0.5 * pixels_per_block) < BLOCK_EDGE_DISTANCE_PX
        found |= weak & near & (np.abs(along) < BLOCK_EDGE_ANGLE)
    return found


EDGES_PER_TILE = 10
"""Usable edges per tile, on average, that the map is cut for."""

COARSEST_LONG, FINEST_LONG = 6, 24
"""Least and most tiles along the long side."""


def tile_grid(size: tuple[int, ...], edges: int) -> tuple[int, int]:
    """Rows and columns of the map: as many tiles as the edges can fill, square where possible."""
    aspect = max(size) / min(size)
    long = round(np.sqrt(edges / EDGES_PER_TILE * aspect))
    long = int(np.clip(long, COARSEST_LONG, FINEST_LONG))
    short = max(2, round(long / aspect))
    return (short, long) if size[1] >= size[0] else (long, short)


def _joined(groups: Sequence[LevelEdges]) -> EdgeTable:
    """One table of all resolutions."""
    tables = [group.table for group in groups]
    names = EdgeTable.__slots__
    return EdgeTable(**{n: np.concatenate([getattr(t, n) for t in tables]) for n in names})


def _unmeasurable(table: EdgeTable, found: int, grid: tuple[int, int]) -> SharpnessResult:
    return SharpnessResult(
        measurable=False,
        reason=f"{found} usable edges, {MIN_EDGES} needed",
        edge_width_px=None,
        edge_width_low_px=None,
        edge_width_high_px=None,
        mtf50_cpp=None,
        mtf50_low_cpp=None,
        mtf50_high_cpp=None,
        edges=found,
        best_tile=None,
        map=TileMap(
            rows=grid[0],
            cols=grid[1],
            edge_width_px=np.full(grid, np.nan, np.float32),
            counts=np.zeros(grid, np.int64),
        ),
        table=table,
    )


# ---------------------------------------------------------------------------- width model


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthModel:
    """Logarithm of sigma over direction: mu + 0.5 ln(1 + swing . (cos 2 theta, sin 2 theta))."""

    mu: float
    swing: tuple[float, float]

    @property
    def mean_sigma_px(self) -> float:
        """Sigma averaged over all directions of the edge."""
        theta = np.linspace(0.0, np.pi, 90, endpoint=False)
        return float(np.exp(self.mu) * np.exp(swing_log(theta, self.swing)).mean())


def swing_log(theta: F64 | F32, swing: tuple[float, float]) -> F64:
    """Logarithm of the relative sigma at a direction of the normal."""
    inside = 1.0 + swing[0] * np.cos(2.0 * theta) + swing[1] * np.sin(2.0 * theta)
    return np.asarray(0.5 * np.log(np.maximum(inside, 0.02)), dtype=np.float64)


SWINGS = tuple(
    (e * float(np.cos(t)), e * float(np.sin(t)))
    for e in (0.3, 0.55, 0.75, 0.88, 0.95)
    for t in np.radians(np.arange(0, 360, 30))
)
"""Direction-dependent widths tried: strengths as of smears of about 1 to 4 blur widths."""


def fit_widths(table: EdgeTable) -> WidthModel:
    """Most likely common width; direction-dependent only where that gains enough."""
    log_sigma = _log_sigma(table)
    spread = (WIDTH_SPREAD + table.doubt).astype(np.float64)
    weight = np.minimum(1.0, FULL_WEIGHT_DOUBT / table.doubt).astype(np.float64)
    weight = _balanced(weight, table.theta)
    likelihood = _likelihood(log_sigma, spread, weight, LOG_SIGMAS)
    best, mu, swing = float(likelihood.max()), float(LOG_SIGMAS[likelihood.argmax()]), (0.0, 0.0)
    near = np.arange(mu - 0.8, mu + 0.81, 0.05)
    penalty = max(SMEAR_PENALTY, SMEAR_PENALTY_PER_EDGE * float(weight.sum()))
    for tried in SWINGS:
        rest = log_sigma - swing_log(table.theta, tried)
        likelihood = _likelihood(rest, spread, weight, near)
        gain = float(likelihood.max()) - penalty
        if gain > best:
            best, mu, swing = gain, float(near[likelihood.argmax()]), tried
    rest = log_sigma - swing_log(table.theta, swing)
    return WidthModel(mu=_local_mean(rest, spread, weight, mu), swing=swing)


def _balanced(weight: F64, theta: F32) -> F64:
    """Weights with crowds of one direction damped, the total unchanged."""
    bin_ = np.floor(theta / np.pi * DIRECTION_BINS).astype(np.int64) % DIRECTION_BINS
    crowd = np.bincount(bin_, weight, DIRECTION_BINS)
    damped = weight / np.sqrt(crowd[bin_] + 1.0)
    return np.asarray(damped * (weight.sum() / damped.sum()), dtype=np.float64)


def _log_sigma(table: EdgeTable) -> F64:
    return 0.5 * np.log(np.maximum(table.variance, 1e-4)).astype(np.float64)


def _likelihood(log_sigma: F64, spread: F64, weight: F64, at: F64) -> F64:
    """Weighted log likelihood of each trial ln sigma: a peak, a soft tail and a flat floor."""
    softer = log_sigma - at[:, None]
    far = softer / spread
    density = PEAK_SHARE / (np.pi * spread * (1.0 + far**2))
    density += np.where(
        softer > 0.0, SOFT_SHARE / SOFT_DECAY * np.exp(-np.maximum(softer, 0.0) / SOFT_DECAY), 0.0
    )
    density += (1.0 - PEAK_SHARE - SOFT_SHARE) / LOG_RANGE
    total: F64 = np.log(density) @ weight
    return total


def _local_mean(log_sigma: F64, spread: F64, weight: F64, start: float) -> float:
    """Robust mean (Cauchy weights) round a peak."""
    mu = start
    for _ in range(10):
        pull = weight / spread**2 / (1.0 + ((log_sigma - mu) / spread) ** 2)
        mu = float((pull * log_sigma).sum() / pull.sum())
    return mu


def _relative_sd(table: EdgeTable, model: WidthModel) -> float:
    """Standard error of ln sigma by resampling edges, with the method's own error added."""
    rest = _log_sigma(table) - swing_log(table.theta, model.swing)
    spread = (WIDTH_SPREAD + table.doubt).astype(np.float64)
    pull = np.minimum(1.0, FULL_WEIGHT_DOUBT / table.doubt) / spread**2
    pull = pull / (1.0 + ((rest - model.mu) / spread) ** 2)
    draws = np.random.default_rng(0).multinomial(
        len(table), np.full(len(table), 1.0 / len(table)), BOOTSTRAPS
    )
    means = (draws @ (pull * rest)) / np.maximum(draws @ pull, 1e-12)
    return float(np.hypot(means.std(), MIN_RELATIVE_SD))


def _shape(
    groups: Sequence[LevelEdges], table: EdgeTable, chosen: Ints, model: WidthModel
) -> EdgeShape:
    """Shape of the blur from the edges that agree with the frame's width."""
    picked = table.take(chosen)
    rest = _log_sigma(picked) - swing_log(picked.theta, model.swing)
    agree = np.abs(rest - model.mu) < 2.0 * picked.doubt + 0.05
    order = np.sort(chosen[agree])
    weight = 1.0 / (table.doubt[order].astype(np.float64) + 0.02) ** 2
    return edge_shape(edge_profiles(groups, order), weight)


# -------------------------------------------------------------------------- small subject


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Part of the frame in which a crisp subject is looked for."""

    side_share: float  # of the long side
    agreement: float  # share, by weight, of its edges that must agree with its reading
    doubt: float  # most doubt of an edge that speaks for a subject


WINDOWS = (
    Window(side_share=0.125, agreement=0.5, doubt=0.12),
    Window(side_share=0.4, agreement=0.25, doubt=USABLE_DOUBT),
)
"""A small subject fills its window; a larger one stands among soft things (tuning scenes)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallSubject:
    """A part of the frame crisper than the rest."""

    members: Ints  # rows of the table given
    model: WidthModel


def find_small_subject(
    table: EdgeTable, model: WidthModel, size: tuple[int, ...]
) -> SmallSubject | None:
    """Crispest small window whose edges agree that they are crisper than the frame's width.

    Edges of one direction alone prove nothing if edges of that direction are as crisp elsewhere:
    that is a smear along them.
    """
    rest = _log_sigma(table) - swing_log(table.theta, model.swing)
    best: SmallSubject | None = None
    for window in WINDOWS:
        crisp = (table.doubt < window.doubt) & (rest < model.mu - REGION_GAP)
        if np.count_nonzero(crisp) < REGION_EDGES:
            continue
        for place in _places_of(window.side_share * max(size), table):
            places, counts = np.unique(place[crisp], return_counts=True)
            for crowded in places[counts >= REGION_EDGES]:
                found = _window_subject(
                    table, rest, crisp, place == crowded, model, window.agreement
                )
                if found is not None and (best is None or found.model.mu < best.model.mu):
                    best = found
    return best


def _places_of(side_px: float, table: EdgeTable) -> Iterator[Ints]:
    """Number of the window that each edge lies in, for windows that overlap by half."""
    for down in (0.0, 0.5):
        for across in (0.0, 0.5):
            row = np.floor(table.row / side_px + down).astype(np.int64)
            yield row * 1000 + np.floor(table.col / side_px + across).astype(np.int64)


def _window_subject(
    table: EdgeTable,
    rest: F64,
    crisp: Bools,
    inside: Bools,
    model: WidthModel,
    agreement: float,
) -> SmallSubject | None:
    mu = _peak(table, rest, inside)
    weight = np.minimum(1.0, FULL_WEIGHT_DOUBT / table.doubt)
    agree = inside & (np.abs(rest - mu) < 2.0 * table.doubt + 0.05)
    support = agree & crisp
    share = float(weight[agree].sum() / weight[inside].sum())
    if mu > model.mu - REGION_GAP or np.count_nonzero(support) < REGION_EDGES or share < agreement:
        return None
    doubled = np.exp(2j * table.theta[support].astype(np.float64)).mean()
    if abs(doubled) > ONE_DIRECTION:
        turned = table.theta - 0.5 * np.angle(doubled)
        alike = ~inside & (np.abs(np.sin(turned)) < SAME_DIRECTION_SINE)
        if np.count_nonzero(alike) < REGION_EDGES:
            return None
        if mu > _peak(table, rest, alike) - REGION_GAP:
            return None
    return SmallSubject(members=np.nonzero(agree)[0], model=WidthModel(mu=mu, swing=model.swing))


def _peak(table: EdgeTable, rest: F64, part: Bools) -> float:
    """Most likely ln sigma of a part of the edges, direction already taken out."""
    spread = (WIDTH_SPREAD + table.doubt[part]).astype(np.float64)
    weight = np.minimum(1.0, FULL_WEIGHT_DOUBT / table.doubt[part]).astype(np.float64)
    start = float(LOG_SIGMAS[_likelihood(rest[part], spread, weight, LOG_SIGMAS).argmax()])
    return _local_mean(rest[part], spread, weight, start)


# ------------------------------------------------------------------------------------ map


def _tile_map(
    table: EdgeTable,
    model: WidthModel,
    shape: EdgeShape,
    grid: tuple[int, int],
    size: tuple[int, ...],
) -> TileMap:
    """Width of each tile with enough edges, direction taken out as for the frame."""
    tile_row = np.minimum((table.row * grid[0] / size[0]).astype(np.int64), grid[0] - 1)
    tile_col = np.minimum((table.col * grid[1] / size[1]).astype(np.int64), grid[1] - 1)
    tile = tile_row * grid[1] + tile_col
    counts = np.bincount(tile, None, grid[0] * grid[1])
    width = np.full(grid[0] * grid[1], np.nan, np.float32)
    rest = _log_sigma(table) - swing_log(table.theta, model.swing)
    to_width = shape.rise_per_sigma * model.mean_sigma_px / np.exp(model.mu)
    for index in np.nonzero(counts >= MIN_TILE_EDGES)[0]:
        width[index] = np.exp(_peak(table, rest, tile == index)) * to_width
    return TileMap(
        rows=grid[0],
        cols=grid[1],
        edge_width_px=width.reshape(grid),
        counts=counts.reshape(grid).astype(np.int64),
    )


def _best_tile(tiles: TileMap) -> tuple[int, int] | None:
    """Tile of the narrowest edges, a tile of few edges handicapped by their scatter."""
    if np.isnan(tiles.edge_width_px).all():
        return None
    handicapped = tiles.edge_width_px * (1.0 + FEW_EDGES_HANDICAP / np.sqrt(tiles.counts + 1.0))
    row, col = np.unravel_index(np.nanargmin(handicapped), handicapped.shape)
    return int(row), int(col)
