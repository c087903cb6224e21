"""Lost highlights and blocked shadows, per colour, on the samples themselves.

Raw files are judged before white balance and before any demosaic, site by site: a preview or a
developed picture clips where the raw still holds, and the other way round. Developed files are
judged on their linearised values and can only tell what the development left.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from audit.measure.blocks import block_sums

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

BAND_ROWS = 128
"""Rows of one colour's site that are looked at together; a multiple of `SHADOW_BLOCK`."""

HISTOGRAM_STRIDE = 4
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
    ends = [
        _saturation_and_headroom(samples, pattern == colour, black_dn, white_dn)
        for colour in range(COLOURS)
    ]
    shape = tuple(size // cell for size, cell in zip(samples.shape, pattern.shape, strict=True))
    tally = _Tally(shape)
    for (r, c), colour in np.ndenumerate(pattern):
        top = ends[colour]
        if top is None:
            raise ValueError(f"a filter of colour {colour}, expected 0, 1 or 2")
        black = float(black_dn[r, c])
        tally.add(
            samples[r :: pattern.shape[0], c :: pattern.shape[1]],
            int(colour),
            _first_code(black + CLIPPED_SHARE_OF_RANGE * top.saturation_dn),
            black + (noise_floor_dn[int(colour)] or 0.0),
        )
    return ClippingResult(
        highlight_share=_shares(tally.high, tally.total),
        highlight_any=float(tally.high.sum() / samples.size),
        highlight_all=_share_of(tally.lost_high),
        shadow_share=_shares(tally.low, tally.total),
        shadow_any=float(tally.low.sum() / samples.size),
        shadow_all=_share_of(tally.lost_low),
        headroom_ev=tuple(None if top is None else top.headroom_ev for top in ends),
        saturation_dn=tuple(None if top is None else top.saturation_dn for top in ends),
    )


class _Tally:
    """Counts of lost samples, site by site of the pattern.

    Each site's samples are copied together band by band, so that whatever follows runs over
    contiguous memory in the processor's cache: five times as fast as over the mosaic (measured).
    """

    def __init__(self, cells: tuple[int, ...]) -> None:
        self.total, self.high, self.low = np.zeros(COLOURS), np.zeros(COLOURS), np.zeros(COLOURS)
        self.lost_high = np.ones(cells, dtype=bool)
        self.lost_low = np.ones(tuple(size // SHADOW_BLOCK for size in cells), dtype=bool)

    def add(
        self, plane: NDArray[np.uint16], colour: int, clipped_code: int, floor_dn: float
    ) -> None:
        """Count the samples of one site: those from a code on, and blocks up to a level."""
        cols = self.lost_high.shape[1]
        blocked = 0
        for top in range(0, plane.shape[0], BAND_ROWS):
            band = np.ascontiguousarray(plane[top : top + BAND_ROWS])
            lost = self.lost_high[top : top + BAND_ROWS]
            if band.max(initial=0) < clipped_code:
                lost[:] = False
            else:
                clipped = band >= clipped_code
                self.high[colour] += np.count_nonzero(clipped)
                lost &= clipped[: len(lost), :cols]
            low = self.lost_low[top // SHADOW_BLOCK : (top + BAND_ROWS) // SHADOW_BLOCK]
            below = block_sums(band, SHADOW_BLOCK)[: len(low)] <= floor_dn * SHADOW_BLOCK**2
            blocked += int(np.count_nonzero(below))
            low &= below
        self.total[colour] += plane.size
        self.low[colour] += blocked / max(self.lost_low.size, 1) * plane.size


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


class _Ends(NamedTuple):
    """Where the samples of one colour end."""

    saturation_dn: float
    headroom_ev: float


def _saturation_and_headroom(
    samples: NDArray[np.uint16],
    is_own: NDArray[np.bool_],
    black_dn: NDArray[np.float32],
    white_dn: NDArray[np.float32],
) -> _Ends | None:
    """Saturation above black (the lowest of the colour's sites) and headroom, for one colour."""
    saturations, levels = [], []
    for r, c in np.argwhere(is_own):
        black, white = float(black_dn[r, c]), float(white_dn[r, c])
        plane = samples[r :: is_own.shape[0], c :: is_own.shape[1]]
        counts = np.bincount(plane[::HISTOGRAM_STRIDE, ::HISTOGRAM_STRIDE].ravel())
        saturations.append(saturation_code(counts, black, white) - black)
        levels.append(quantile_code(counts, HEADROOM_QUANTILE) - black)
    if not saturations:
        return None
    saturation = min(saturations)
    return _Ends(saturation, headroom_ev(max(levels) / saturation))


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


def _first_code(level: float) -> int:
    """Smallest code at or above a level, as the samples' own integer."""
    return min(int(np.ceil(level)), np.iinfo(np.uint16).max)


def quantile_code(counts: NDArray[np.intp], quantile: float) -> int:
    """Code up to which a share of a histogram's samples lie."""
    cumulated = np.cumsum(counts)
    return int(np.searchsorted(cumulated, quantile * cumulated[-1]))


def headroom_ev(level_share: float) -> float:
    """Stops below saturation; a level that counts as clipped has none."""
    if level_share >= CLIPPED_SHARE_OF_RANGE:
        return 0.0
    return float(-np.log2(max(level_share, 2.0**-16)))


def _shares(counts: NDArray[np.float64], total: NDArray[np.float64]) -> tuple[float | None, ...]:
    return tuple(
        float(count / size) if size else None for count, size in zip(counts, total, strict=True)
    )


def _share_of(mask: NDArray[np.bool_]) -> float:
    return float(np.count_nonzero(mask) / mask.size) if mask.size else 0.0
