"""Lost highlights and blocked shadows, per colour, on the samples themselves.

Raw files are judged before white balance and before any demosaic, site by site: a preview or a
developed picture clips where the raw still holds, and the other way round. Developed files are
judged on their linearised values and can only tell what the development left.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CLIPPED_SHARE_OF_RANGE = 0.99
"""A sample at or above this share of (saturation - black) is lost. Practice; no standard sets it
(DNG 1.7.1 only defines the white level itself)."""

HEADROOM_QUANTILE = 0.999
"""Level that headroom is counted from: above it only glints (common practice, no source)."""

BLOCKED_CODE_8BIT = 2
"""Developed files: codes up to this one of 255 hold no shadow detail (10.7 stops below white on
the sRGB curve); common practice, no source."""

SHADOW_BLOCK = 4
"""Sites of one colour averaged per side before a shadow is compared with the noise floor, so that
noise alone does not read as shadow (16 sites: noise / 4)."""

SPIKE_WIDTH_SHARE = 0.004
"""Width of a saturation spike, as a share of the range (read noise and gain spread of columns)."""

SPIKE_RATIO = 8.0
"""How much denser than the levels below it a spike must be; measured on real raws, a guess."""

SPIKE_MIN_SHARE = 2e-4
"""A spike holds at least this share of its colour's sites; below, there is nothing to correct."""

COLOURS = 3
_STRIDE = 4
"""Histograms use every 4th row and column of a colour's sites: on 12 million sites the share of a
quantile is off by less than 0.004 % (binomial)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippingResult:
    """What is lost at both ends; tuples are in the order R, G, B, ``None`` for a colour not there.

    Attributes
    ----------
    highlight_share, shadow_share : tuple of float or None
        Share of the colour's own sites that are lost.
    highlight_any, shadow_any : float
        Share of all sites (raw) or pixels (developed) that are lost in any colour.
    highlight_all, shadow_all : float
        Share of pattern cells (raw) or pixels (developed) that are lost in every colour.
    headroom_ev : tuple of float or None
        Stops from the 99.9 % level up to saturation; 0 where that level is clipped.
    saturation_dn : tuple of float or None
        Level above black where the samples really end; 1.0 for developed files.
    """

    highlight_share: tuple[float | None, ...]
    highlight_any: float
    highlight_all: float
    shadow_share: tuple[float | None, ...]
    shadow_any: float
    shadow_all: float
    headroom_ev: tuple[float | None, ...]
    saturation_dn: tuple[float | None, ...]


def clipping_of_mosaic(
    samples: NDArray[np.uint16],
    pattern: NDArray[np.uint8],
    black_dn: NDArray[np.float32],
    white_dn: NDArray[np.float32],
    noise_floor_dn: Sequence[float | None],
) -> ClippingResult:
    """Count lost samples of a colour filter mosaic.

    Parameters
    ----------
    samples : (rows, cols) uint16 array
        Visible sensor samples, as stored; masked borders left out.
    pattern : (pattern rows, pattern cols) uint8 array
        Colour of each site, 0 red, 1 green, 2 blue; starts at ``samples[0, 0]``.
    black_dn, white_dn : (pattern rows, pattern cols) float32 arrays
        Black level and nominal white level of each site.
    noise_floor_dn : sequence of 3 float or None
        Level above black, by colour, where the signal equals its noise (`signal_floor_dn`).
        ``None`` where the noise is not known: then only samples at or below black are blocked.

    Returns
    -------
    ClippingResult

    Notes
    -----
    Where the samples end in a spike below the nominal white level, the spike is the saturation
    level (EMVA 1288 likewise takes saturation from the data, not from the converter's top).
    """
    sites = [
        (int(pattern[r, c]), samples[r :: pattern.shape[0], c :: pattern.shape[1]], r, c)
        for r in range(pattern.shape[0])
        for c in range(pattern.shape[1])
    ]
    cell_rows, cell_cols = (s // p for s, p in zip(samples.shape, pattern.shape, strict=True))
    lost_high = np.ones((cell_rows, cell_cols), dtype=bool)
    block_rows, block_cols = cell_rows // SHADOW_BLOCK, cell_cols // SHADOW_BLOCK
    lost_low = np.ones((block_rows, block_cols), dtype=bool)
    total, high, low = np.zeros(COLOURS), np.zeros(COLOURS), np.zeros(COLOURS)
    saturation: list[float | None] = [None] * COLOURS
    headroom: list[float | None] = [None] * COLOURS
    for colour in range(COLOURS):
        own = [(plane, r, c) for site, plane, r, c in sites if site == colour]
        if not own:
            continue
        top, headroom[colour] = _saturation_and_headroom(own, black_dn, white_dn)
        saturation[colour] = top
        for plane, r, c in own:
            black = float(black_dn[r, c])
            clipped = plane >= _first_code(black + CLIPPED_SHARE_OF_RANGE * top)
            total[colour] += plane.size
            high[colour] += np.count_nonzero(clipped)
            lost_high &= clipped[:cell_rows, :cell_cols]
            floor = noise_floor_dn[colour] or 0.0
            blocked = _block_means(plane, block_rows, block_cols) <= black + floor
            low[colour] += np.count_nonzero(blocked) / max(blocked.size, 1) * plane.size
            lost_low &= blocked
    return ClippingResult(
        highlight_share=_shares(high, total),
        highlight_any=float(high.sum() / samples.size),
        highlight_all=_share_of(lost_high),
        shadow_share=_shares(low, total),
        shadow_any=float(low.sum() / samples.size),
        shadow_all=_share_of(lost_low),
        headroom_ev=tuple(headroom),
        saturation_dn=tuple(saturation),
    )


def clipping_of_developed(
    codes: NDArray[np.uint8] | NDArray[np.uint16], curves: Sequence[NDArray[np.float32]]
) -> ClippingResult:
    """Count lost pixels of a developed picture.

    Parameters
    ----------
    codes : (rows, cols) or (rows, cols, 3) uint8 or uint16 array
        Code values as stored.
    curves : sequence of float32 arrays
        Linear value, 0 to 1, of every code; one a channel, or one for all.

    Returns
    -------
    ClippingResult
        For a grey picture the three colours are the same.
    """
    channels = codes[:, :, None] if codes.ndim == 2 else codes
    top = np.iinfo(codes.dtype).max
    blocked_code = BLOCKED_CODE_8BIT * top // 255
    high: list[float] = []
    low: list[float] = []
    headroom: list[float] = []
    any_high = any_low = None
    all_high = all_low = None
    for index in range(channels.shape[2]):
        channel = channels[:, :, index]
        curve = _curve_of(curves, index)
        clipped, blocked = channel >= _clipped_code(curve), channel <= blocked_code
        high.append(_share_of(clipped))
        low.append(_share_of(blocked))
        counts = np.bincount(channel[::_STRIDE, ::_STRIDE].ravel(), minlength=len(curve))
        level = float(curve[_quantile_code(counts, HEADROOM_QUANTILE)] / curve[-1])
        headroom.append(_headroom(level))
        any_high = clipped if any_high is None else any_high | clipped
        all_high = clipped if all_high is None else all_high & clipped
        any_low = blocked if any_low is None else any_low | blocked
        all_low = blocked if all_low is None else all_low & blocked
    if any_high is None or all_high is None or any_low is None or all_low is None:
        raise ValueError("a picture without channels")
    spread = (lambda values: tuple(values * 3)) if len(high) == 1 else tuple
    return ClippingResult(
        highlight_share=spread(high),
        highlight_any=_share_of(any_high),
        highlight_all=_share_of(all_high),
        shadow_share=spread(low),
        shadow_any=_share_of(any_low),
        shadow_all=_share_of(all_low),
        headroom_ev=spread(headroom),
        saturation_dn=(1.0, 1.0, 1.0),
    )


def clipped_pixels(
    codes: NDArray[np.uint8] | NDArray[np.uint16], curves: Sequence[NDArray[np.float32]]
) -> NDArray[np.bool_]:
    """Mark the pixels of a developed picture that are clipped in any channel.

    Parameters
    ----------
    codes, curves
        As for `clipping_of_developed`.

    Returns
    -------
    (rows, cols) bool array
        Their luma is too low, so an edge through them reads crisper than it is.
    """
    channels = codes[:, :, None] if codes.ndim == 2 else codes
    clipped = np.zeros(codes.shape[:2], dtype=bool)
    for index in range(channels.shape[2]):
        clipped |= channels[:, :, index] >= _clipped_code(_curve_of(curves, index))
    return clipped


def signal_floor_dn(gain_dn: float, read_variance_dn2: float) -> float:
    """Level above black at which signal equals its noise, DN.

    Parameters
    ----------
    gain_dn : float
        Slope of noise variance against level, DN (K of EMVA 1288).
    read_variance_dn2 : float
        Noise variance in the dark, DN squared.

    Returns
    -------
    float
        Root of ``level**2 = gain * level + read_variance``.

    References
    ----------
    ISO 15739 takes the level of a signal-to-noise ratio of 1 as the lower end of the range; for a
    shot and read noise model it lies at (1 + sqrt(1 + 4 read**2)) / 2 electrons.
    """
    return (gain_dn + float(np.sqrt(gain_dn**2 + 4 * read_variance_dn2))) / 2


def _saturation_and_headroom(
    own: Sequence[tuple[NDArray[np.uint16], int, int]],
    black_dn: NDArray[np.float32],
    white_dn: NDArray[np.float32],
) -> tuple[float, float]:
    """Saturation above black (the lowest of the colour's sites) and headroom, for one colour."""
    saturations, levels = [], []
    for plane, r, c in own:
        black, white = float(black_dn[r, c]), float(white_dn[r, c])
        counts = np.bincount(plane[::_STRIDE, ::_STRIDE].ravel())
        saturations.append(saturation_code(counts, black, white) - black)
        levels.append(_quantile_code(counts, HEADROOM_QUANTILE) - black)
    saturation = min(saturations)
    return saturation, _headroom(max(levels) / saturation)


def saturation_code(counts: NDArray[np.intp], black: float, white: float) -> float:
    """Find where samples end: the nominal white level, or a spike below it.

    Parameters
    ----------
    counts : (codes,) int array
        Histogram of the raw codes of one colour.
    black, white : float
        Nominal levels.

    Returns
    -------
    float
        Saturation as a code. The nominal white unless the histogram ends, below it, in a spike.
    """
    filled = np.flatnonzero(counts)
    if filled.size == 0:
        return white
    top = int(filled[-1])
    width = max(2, round(SPIKE_WIDTH_SHARE * (white - black)))
    if top >= black + CLIPPED_SHARE_OF_RANGE * (white - black) or top - 4 * width < black:
        return white
    spike = int(counts[top - width + 1 : top + 1].sum())
    below = counts[top - 4 * width + 1 : top - width + 1].sum() / 3
    if spike < SPIKE_MIN_SHARE * counts.sum() or spike < SPIKE_RATIO * max(float(below), 1.0):
        return white
    return float(top)


def _curve_of(curves: Sequence[NDArray[np.float32]], channel: int) -> NDArray[np.float32]:
    return curves[min(channel, len(curves) - 1)]


def _clipped_code(curve: NDArray[np.float32]) -> int:
    """First code of a developed channel that counts as clipped."""
    return int(np.searchsorted(curve, CLIPPED_SHARE_OF_RANGE * curve[-1]))


def _first_code(level: float) -> int:
    """Smallest code at or above a level, as the samples' own integer."""
    return min(int(np.ceil(level)), np.iinfo(np.uint16).max)


def _quantile_code(counts: NDArray[np.intp], quantile: float) -> int:
    cumulated = np.cumsum(counts)
    return int(np.searchsorted(cumulated, quantile * cumulated[-1]))


def _headroom(level_share: float) -> float:
    """Stops below saturation; a level that counts as clipped has none."""
    if level_share >= CLIPPED_SHARE_OF_RANGE:
        return 0.0
    return float(-np.log2(max(level_share, 2.0**-16)))


def _block_means(plane: NDArray[np.uint16], rows: int, cols: int) -> NDArray[np.float32]:
    """Means of `SHADOW_BLOCK` squared sites of one plane."""
    cut = plane[: rows * SHADOW_BLOCK, : cols * SHADOW_BLOCK]
    means: NDArray[np.float32] = cut.reshape(rows, SHADOW_BLOCK, cols, SHADOW_BLOCK).mean(
        axis=(1, 3), dtype=np.float32
    )
    return means


def _shares(counts: NDArray[np.float64], total: NDArray[np.float64]) -> tuple[float | None, ...]:
    return tuple(
        float(count / size) if size else None for count, size in zip(counts, total, strict=True)
    )


def _share_of(mask: NDArray[np.bool_]) -> float:
    return float(np.count_nonzero(mask) / mask.size) if mask.size else 0.0
