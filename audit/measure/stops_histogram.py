"""How the light of each colour is spread, in stops below saturation."""

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

BINS = 64
STEP_EV = 0.2
LOWEST_EV = -BINS * STEP_EV
"""64 bins of a fifth of a stop: 12.8 stops, more than a sensor of 14 bits shows above its noise
(project's choice)."""

SAMPLES_WANTED = 200_000
"""Samples looked at a colour: a share of one half is then known to 0.1 % (binomial error)."""


class StopsHistogram(NamedTuple):
    """Share of samples in each bin; the first bin takes all that is darker."""

    shares: tuple[tuple[float, ...] | None, ...]
    """Of red, green, blue; ``None`` for a colour that there is not."""
    samples: int
    """Looked at, of the colour with the fewest."""

    @property
    def error_share(self) -> float:
        """Largest standard error of a share, one half being the worst case."""
        return 0.5 / math.sqrt(self.samples) if self.samples else 1.0


def histogram_of_mosaic(
    samples: NDArray[np.uint16],
    pattern: NDArray[np.uint8],
    black_dn: NDArray[np.float32],
    saturation_dn: Sequence[float],
) -> StopsHistogram:
    """Histogram of the sensor's own samples, by the colour of their filters.

    Parameters
    ----------
    samples : (rows, cols) uint16 array
    pattern : (pattern rows, pattern cols) uint8 array
        Colour of each site: 0, 1, 2.
    black_dn : array like ``pattern``
    saturation_dn : three floats
        Above black, by colour.
    """
    found: list[NDArray[np.int64] | None] = [None, None, None]
    for row, col in np.ndindex(*pattern.shape):
        colour = int(pattern[row, col])
        plane = samples[row :: pattern.shape[0], col :: pattern.shape[1]]
        sites = int((pattern == colour).sum())
        codes = np.bincount(_thinned(plane, SAMPLES_WANTED // sites).ravel(), minlength=65536)
        bins = _binned(codes, (np.arange(codes.size) - black_dn[row, col]) / saturation_dn[colour])
        before = found[colour]
        found[colour] = bins if before is None else before + bins
    return _as_shares(found)


def histogram_of_developed(
    codes: NDArray[np.uint8] | NDArray[np.uint16], curve: tuple[NDArray[np.float32], ...]
) -> StopsHistogram:
    """Histogram of a developed picture, made linear by its curve.

    Parameters
    ----------
    codes : (rows, cols, 3) or (rows, cols) array
    curve : tuple of tables from code to linear light
        One a channel or one for all.
    """
    planes = [codes] if codes.ndim == 2 else [codes[:, :, channel] for channel in range(3)]
    found: list[NDArray[np.int64] | None] = []
    for channel, plane in enumerate(planes):
        table = curve[channel] if len(curve) > 1 else curve[0]
        counts = np.bincount(_thinned(plane, SAMPLES_WANTED).ravel(), minlength=table.size)
        found.append(_binned(counts, table))
    if len(found) == 1:
        found = [None, found[0], None]
    return _as_shares(found)


def _thinned(plane: NDArray[np.generic], wanted: int) -> NDArray[np.generic]:
    """Every n-th row and column, so that about ``wanted`` samples are left."""
    step = max(1, math.isqrt(plane.size // max(wanted, 1)))
    return plane[step // 2 :: step, step // 2 :: step]


def _binned(counts: NDArray[np.int64], levels: NDArray[np.floating]) -> NDArray[np.int64]:
    """Counts of codes as counts of bins."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ev = np.log2(np.maximum(levels, 2.0**LOWEST_EV))
    place = np.clip(np.floor((ev - LOWEST_EV) / STEP_EV + 1e-9).astype(int), 0, BINS - 1)
    return np.bincount(place, weights=counts, minlength=BINS).astype(np.int64)


def _as_shares(found: Sequence[NDArray[np.int64] | None]) -> StopsHistogram:
    totals = [int(bins.sum()) for bins in found if bins is not None]
    return StopsHistogram(
        shares=tuple(_shares(bins) for bins in found), samples=min(totals, default=0)
    )


def _shares(bins: NDArray[np.int64] | None) -> tuple[float, ...] | None:
    if bins is None or not bins.sum():
        return None
    return tuple(part for part in _parts(bins))


def _parts(bins: NDArray[np.int64]) -> Iterator[float]:
    total = int(bins.sum())
    for count in bins.tolist():
        yield round(count / total, 5)
