"""Runs of one and the same sample: what a failed card or copy leaves in uncompressed raw data.

Lost sectors come back as zeros or ones, and a file that was copied in part has its right length but
zeros from somewhere on. In the sensor's own data that is a long run of identical samples in the
order of the file, which begins and ends anywhere in a row. Light does not do that: noise breaks its
runs, and where a clipped sky or a black night has none, the samples around it are clipped or black,
too. So a run counts only if its border is one that no light draws: straight over the whole width,
with a step of one row where the run begins or ends, and suddenly other samples behind it.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

RUN_SAMPLES = 240
"""Shortest run: a sector of 512 bytes holds 256 samples of 16 bits, or more of fewer bits."""

STRIDE = 60
"""Distance of the samples that are looked at first; a run of `RUN_SAMPLES` holds four of them."""

MOST_RUNS = 4096
"""Runs that are looked at, the longest first: a clipped sky can have one a row."""

BESIDE_SAMPLES = 32
"""Samples beside an end of a run that are compared with it."""

CHUNK_SAMPLES = 64
"""Pieces of a run's border that are judged one by one."""

UNLIKE_SHARE = 0.75
"""Part of a piece's samples that must be unlike the run's (chosen on simulated frames)."""

DARK_UNLIKE_SHARE = 0.3
"""The same for runs of the darkest samples: where the camera took the black level off, half of the
noise meets zero (chosen on simulated frames)."""

FOREIGN_CHUNKS_SHARE = 0.8
"""Part of the border that must be unlike the run; the rest may lie in clipped light (guess)."""

LEAST_STEP_SHARE = 0.02
"""Of the range of the samples: how much the samples right behind a bright run must differ, so that
the slow edge of a clipped sky is none (project's choice)."""


class _Run(NamedTuple):
    start: int
    stop: int


class _Picture(NamedTuple):
    samples: NDArray[np.uint16]
    flat: NDArray[np.uint16]
    low: float
    """Level under which samples are of the darkest: their noise may be all there is."""
    least_step: float

    def row(self, number: int) -> NDArray[np.uint16]:
        """One row; empty beyond the picture."""
        inside = 0 <= number < self.samples.shape[0]
        return self.samples[number] if inside else self.samples[0, :0]

    def unlike(self, beside: NDArray[np.uint16], value: int) -> NDArray[np.bool_]:
        """Which samples are not those of a run: other ones in the dark, clearly other ones else."""
        least = 0.0 if value <= self.low else self.least_step
        far: NDArray[np.bool_] = np.abs(beside.astype(np.int32) - value) > least
        return far

    def unlike_share(self, value: int) -> float:
        """Part of a piece of border that must be unlike a run of this value."""
        return DARK_UNLIKE_SHARE if value <= self.low else UNLIKE_SHARE


def repeated_share(samples: NDArray[np.uint16]) -> float:
    """Share of the samples that lie in runs which no light can have made.

    Parameters
    ----------
    samples : (rows, cols) uint16 array
        As the sensor gave them, rows in the order of the file.

    Returns
    -------
    float
        0 where nothing is suspicious.
    """
    rows, cols = samples.shape
    if rows < 8 or cols < 2 * BESIDE_SAMPLES:
        return 0.0
    flat = np.ascontiguousarray(samples).reshape(-1)
    runs = sorted(_runs(flat), key=lambda run: run.start - run.stop)[:MOST_RUNS]
    if not runs:
        return 0.0
    levels = flat[:: 7 * STRIDE]
    low, high = (float(level) for level in np.quantile(levels, (0.02, 0.98)))
    picture = _Picture(samples, flat, low, LEAST_STEP_SHARE * (high - low))
    return sum(run.stop - run.start for run in runs if _is_unnatural(picture, run)) / flat.size


def _runs(flat: NDArray[np.uint16]) -> list[_Run]:
    """Runs of identical samples, by a coarse look and then exactly."""
    coarse = flat[::STRIDE]
    same = coarse[1:] == coarse[:-1]
    # Three equal neighbours on the coarse grid.
    candidates = np.flatnonzero(same[1:] & same[:-1])
    if candidates.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(candidates) > 1)
    firsts = candidates[np.concatenate([[0], breaks + 1])]
    lasts = candidates[np.concatenate([breaks, [candidates.size - 1]])] + 2
    found: list[_Run] = []
    for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
        found.extend(_exact_runs(flat, max(0, (first - 1) * STRIDE), (last + 1) * STRIDE + 1))
    return found


def _exact_runs(flat: NDArray[np.uint16], start: int, stop: int) -> list[_Run]:
    """Runs of at least `RUN_SAMPLES` inside a stretch."""
    part = flat[start:stop]
    borders = np.flatnonzero(part[1:] != part[:-1]) + 1
    edges = np.concatenate([[0], borders, [part.size]])
    long = np.flatnonzero(np.diff(edges) >= RUN_SAMPLES)
    return [_Run(start + int(edges[at]), start + int(edges[at + 1])) for at in long]


def _is_unnatural(picture: _Picture, run: _Run) -> bool:
    """Whether a run has a border that no light draws."""
    cols = picture.samples.shape[1]
    first_row, left = divmod(run.start, cols)
    last_row, right = divmod(run.stop - 1, cols)
    before = picture.flat[max(0, run.start - BESIDE_SAMPLES) : run.start]
    after = picture.flat[run.stop : run.stop + BESIDE_SAMPLES]
    value = int(picture.flat[run.start])
    begins, ends = _is_step(picture, before, value), _is_step(picture, after, value)
    if first_row == last_row:
        # Clipped lines one row thin exist: wires and glints. Black ones do not.
        rows = (picture.row(first_row + way)[left : right + 1] for way in (-2, -1, 1, 2))
        is_dark = value <= picture.low
        return is_dark and begins and ends and all(_is_foreign(picture, row, value) for row in rows)
    # One row of samples around the whole width: before the run's beginning, and behind its end.
    above = picture.flat[max(0, run.start - cols) : run.start]
    below = picture.flat[run.stop : run.stop + cols]
    # Next to the step itself: where a dark bar goes on along a border, there is none.
    over = above[: min(BESIDE_SAMPLES, cols - left)]
    under = below[cols - min(BESIDE_SAMPLES, right + 1) :]
    begins = begins and left > 0 and _differs(picture, over, value)
    ends = ends and right < cols - 1 and _differs(picture, under, value)
    return (begins and _is_foreign(picture, above, value)) or (
        ends and _is_foreign(picture, below, value)
    )


def _is_step(picture: _Picture, beside: NDArray[np.uint16], value: int) -> bool:
    """Whether the samples at an end of a run are suddenly others."""
    return beside.size == BESIDE_SAMPLES and _differs(picture, beside, value)


def _differs(picture: _Picture, beside: NDArray[np.uint16], value: int) -> bool:
    """Whether some samples are unlike a run's."""
    if beside.size == 0:
        return False
    return bool(picture.unlike(beside, value).mean() >= picture.unlike_share(value))


def _is_foreign(picture: _Picture, border: NDArray[np.uint16], value: int) -> bool:
    """Whether a border is unlike a run along nearly all its length."""
    chunks = border.size // CHUNK_SAMPLES
    if chunks == 0:
        return False
    pieces = picture.unlike(border[: chunks * CHUNK_SAMPLES], value).reshape(chunks, CHUNK_SAMPLES)
    foreign = pieces.mean(axis=1) >= picture.unlike_share(value)
    return bool(foreign.mean() >= FOREIGN_CHUNKS_SHARE)
