"""Tests and intervals of the trip report: rank tests, exact shares, one level of false alarms.

Frames of one scene are alike and count once, so whoever calls this hands over one value a scene.
Nothing here supposes a normal spread.
"""

from collections.abc import Hashable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

FALSE_ALARM = 0.01
"""Chance that one question brings a statement on a trip without the habit. With about ten
questions, one quiet trip in ten may bear one at worst (project's choice)."""

INTERVAL = 0.95
"""Level of the intervals that are shown (common practice)."""

PERMUTATIONS = 2000
"""Random orders that a permutation test draws: enough to tell 0.002 from 0.01."""


class Tally(NamedTuple):
    """How many of how many."""

    hits: int
    of: int

    @property
    def share(self) -> float:
        """Hits as a part of 1."""
        return self.hits / self.of


def confidence_of(p: float, looks: int = 1) -> float:
    """Turn the chance of a false alarm in one of several looks into a confidence (Bonferroni)."""
    return max(0.0, 1.0 - p * looks)


def is_sure(p: float, looks: int = 1) -> bool:
    """Whether a chance is small enough, given how many looks the question took."""
    return p * looks <= FALSE_ALARM


def wider_p(values: Sequence[float], others: Sequence[float]) -> float:
    """Chance of values this much above the others if both came from one spread.

    One-sided rank test of Mann and Whitney (1947).
    """
    return float(stats.mannwhitneyu(values, others, alternative="greater").pvalue)


def oftener_p(inside: Tally, outside: Tally) -> float:
    """Chance of this many more hits inside if hits fell anywhere: Fisher's exact test."""
    table = np.array([[each.hits, each.of - each.hits] for each in (inside, outside)])
    return float(stats.fisher_exact(table, alternative="greater").pvalue)


def share_low(tally: Tally, level: float) -> float:
    """Lower one-sided bound of a share (Clopper and Pearson 1934)."""
    if tally.hits == 0:
        return 0.0
    return float(stats.beta.ppf(1 - level, tally.hits, tally.of - tally.hits + 1))


def share_high(tally: Tally, level: float) -> float:
    """Upper one-sided bound of a share (Clopper and Pearson 1934)."""
    return 1.0 - share_low(Tally(tally.of - tally.hits, tally.of), level)


def above_p(values: Sequence[float], limit: float) -> float:
    """Chance of as many values above a limit if their median lay on it: sign test."""
    above = sum(value > limit for value in values)
    return float(stats.binomtest(above, len(values), 0.5, alternative="greater").pvalue)


def off_zero_p(values: Sequence[float]) -> float:
    """Chance of values this far to one side of 0 if they lay evenly round it: Wilcoxon (1945)."""
    return float(stats.wilcoxon(values).pvalue)


def median_interval(values: Sequence[float]) -> tuple[float, float] | None:
    """Distribution-free interval of the median, from order statistics (David and Nagaraja 2003).

    Parameters
    ----------
    values : sequence of float

    Returns
    -------
    tuple of float or None
        Ends of the 95 % interval; ``None`` from fewer than six values, which cannot give one.
    """
    ordered = sorted(values)
    depth = int(stats.binom.ppf((1 - INTERVAL) / 2, len(ordered), 0.5))
    if depth < 1:
        return None
    return ordered[depth - 1], ordered[-depth]


def group_p(
    hits: Sequence[int], totals: Sequence[int], groups: Sequence[Hashable], group: Hashable
) -> float:
    """Chance of a share this far off the rest's if whole places were dealt out to the groups.

    Parameters
    ----------
    hits, totals : sequence of int
        Of each place, so that what a place's frames have in common is kept together.
    groups : sequence
        Group of each place.
    group : hashable
        The one that is asked about.

    Returns
    -------
    float
        Two-sided; from random orders with a fixed seed, so that the same trip says the same.
    """
    hit, total = np.asarray(hits), np.asarray(totals)
    chosen = np.array([each == group for each in groups])

    def off(mask: NDArray[np.bool_]) -> float:
        own, rest = (hit[each].sum() / total[each].sum() for each in (mask, ~mask))
        return abs(float(own - rest))

    found = off(chosen)
    rng = np.random.default_rng(0)
    more = sum(off(rng.permutation(chosen)) >= found - 1e-12 for _ in range(PERMUTATIONS))
    return float((more + 1) / (PERMUTATIONS + 1))
