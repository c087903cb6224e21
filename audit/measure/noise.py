"""Sensor noise as a function of brightness, from the flat parts of one linear plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

BLOCK_PX = 8
"""Side of one block on its own sample lattice: small enough to fit between the leaves of a
dense scene, where 16 px blocks read the texture (measured)."""

FLAT_QUANTILE = 0.05
"""The flattest twentieth of the blocks of a brightness class is taken as free of texture."""

SELECTION_FACTOR = 2.15
"""White noise in 8 x 8 blocks reads low by this factor at that quantile (simulated, 100 to 1000
blocks a class)."""

BRIGHTNESS_CLASSES = 12
"""Classes of equal block count; enough for a two-parameter line (guess)."""

MIN_BLOCKS_PER_CLASS = 40
"""Fewer blocks than this cannot give a twentieth quantile."""

MAX_BLOCKS = 20_000
"""Blocks looked at on any frame: sets the cost, more does not lower the error (measured)."""

FLOOR_DN2 = 1.0 / 12.0
"""Variance of rounding to whole DN: no integer file can have less."""

SECOND_DIFFERENCE_GAIN = 36.0
"""Sum of squares of [1 -2 1] x [1 -2 1], so that white noise of variance 1 reads 1."""

MIDTONE = 0.18
"""Mid-grey card, as a share of saturation."""

FloatPlane = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseModel:
    """Variance of one sample: ``gain_dn * level + floor_dn2``, level in DN above black."""

    gain_dn: float
    floor_dn2: float

    def variance_dn2(self, level_dn: ArrayLike) -> NDArray[np.float64]:
        """Noise variance in DN^2 at a level in DN above black (negative levels count as 0)."""
        level = np.maximum(np.asarray(level_dn, dtype=np.float64), 0.0)
        return self.gain_dn * level + self.floor_dn2

    def sigma_dn(self, level_dn: ArrayLike) -> NDArray[np.float64]:
        """Noise standard deviation in DN at a level in DN above black."""
        return np.sqrt(self.variance_dn2(level_dn))


def fit_noise(
    plane: NDArray[np.uint16] | FloatPlane,
    *,
    black_dn: float,
    clipped_dn: float,
    green_parity: int | None,
    most_blocks: int = MAX_BLOCKS,
) -> NoiseModel:
    """Poisson-Gauss noise of a plane, from its flattest blocks in each brightness class.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        Linear samples at full resolution.
    black_dn, clipped_dn : float
        Black level; level from which a sample counts as clipped.
    green_parity : 0, 1 or None
        Bayer mosaic: only samples with (row + col) % 2 == green_parity are used, on one lattice
        of equal columns and rows. None: every sample is used.
    most_blocks : int
        Blocks looked at: sets the cost.

    Returns
    -------
    NoiseModel
        Never negative in either term. A frame without a flat patch reads too high.

    References
    ----------
    Foi, A., Trimeche, M., Katkovnik, V., Egiazarian, K. (2008). Practical Poissonian-Gaussian
    noise modeling and fitting for single-image raw-data. IEEE Trans. Image Processing 17(10).
    Immerkaer, J. (1996). Fast noise variance estimation. CVIU 64(2), 300-302 (the kernel).
    """
    lattice = plane if green_parity is None else plane[0::2, green_parity::2]
    level, variance = _block_readings(lattice, black_dn, clipped_dn, most_blocks)
    return _fit_line(*_flattest(level, variance))


def with_code_steps(
    noise: NoiseModel, curve: NDArray[np.float32], full_scale_dn: float
) -> NoiseModel:
    """Noise of a developed plane, never below that of rounding to its codes.

    Parameters
    ----------
    noise : NoiseModel
        As fitted on the linearised plane.
    curve : (codes,) float32 array
        Linear value, 0 to 1, of every code.
    full_scale_dn : float
        DN of linear 1.

    Returns
    -------
    NoiseModel
        A flat patch of a developed file often holds one single code and reads no noise at all,
        though its true level is only known to a code step: the variance of rounding is a twelfth
        of the step squared (uniform distribution), at black and at mid-grey.
    """
    mid = int(np.searchsorted(curve, MIDTONE))
    step_at_black, step_at_mid = (
        float(curve[code] - curve[code - 1]) * full_scale_dn for code in (1, mid)
    )
    floor_dn2 = step_at_black**2 / 12.0
    gain_dn = (step_at_mid**2 / 12.0 - floor_dn2) / (MIDTONE * full_scale_dn)
    return NoiseModel(
        gain_dn=max(noise.gain_dn, gain_dn, 0.0), floor_dn2=max(noise.floor_dn2, floor_dn2)
    )


def _block_readings(
    lattice: NDArray[np.uint16] | FloatPlane,
    black_dn: float,
    clipped_dn: float,
    most_blocks: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean level above black and second-difference variance of evenly spread blocks."""
    rows, cols = lattice.shape[0] // BLOCK_PX, lattice.shape[1] // BLOCK_PX
    if rows == 0 or cols == 0:
        return np.empty(0), np.empty(0)
    stride = max(1, round(float(np.sqrt(rows * cols / most_blocks))))
    cut = lattice[: rows * BLOCK_PX, : cols * BLOCK_PX]
    blocks = cut.reshape(rows, BLOCK_PX, cols, BLOCK_PX)[::stride, :, ::stride, :]
    block = np.ascontiguousarray(blocks.transpose(0, 2, 1, 3), dtype=np.float32)
    block = block.reshape(-1, BLOCK_PX, BLOCK_PX)
    along = block[:, :, 2:] - 2.0 * block[:, :, 1:-1] + block[:, :, :-2]
    both = along[:, 2:] - 2.0 * along[:, 1:-1] + along[:, :-2]
    variance = np.einsum("nij,nij->n", both, both) / both[0].size / SECOND_DIFFERENCE_GAIN
    open_ = block.max((1, 2)) < clipped_dn
    level = block.mean((1, 2)) - black_dn
    return level[open_].astype(np.float64), variance[open_].astype(np.float64)


def _flattest(
    level: NDArray[np.float64], variance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Level and variance of the flattest blocks of each brightness class."""
    order = np.argsort(level)
    classes = max(1, min(BRIGHTNESS_CLASSES, level.size // MIN_BLOCKS_PER_CLASS))
    levels, variances = [], []
    for members in np.array_split(order, classes):
        if members.size == 0:
            continue
        limit = np.quantile(variance[members], FLAT_QUANTILE)
        flat = members[variance[members] <= limit]
        levels.append(float(level[flat].mean()))
        variances.append(float(limit) * SELECTION_FACTOR)
    return np.array(levels), np.array(variances)


def _fit_line(level: NDArray[np.float64], variance: NDArray[np.float64]) -> NoiseModel:
    """Lower-envelope line through the classes: textured classes lie above it and lose weight."""
    if level.size == 0:
        return NoiseModel(gain_dn=0.0, floor_dn2=FLOOR_DN2)
    level = np.maximum(level, 0.0)
    weight = 1.0 / np.maximum(variance, FLOOR_DN2) ** 2
    gain, floor = 0.0, float(np.min(variance))
    for _ in range(8):
        mean_x = np.average(level, weights=weight)
        mean_y = np.average(variance, weights=weight)
        spread = np.average((level - mean_x) ** 2, weights=weight)
        cross = np.average((level - mean_x) * (variance - mean_y), weights=weight)
        gain = max(0.0, float(cross / spread)) if spread > 0 else 0.0
        floor = max(FLOOR_DN2, float(mean_y - gain * mean_x))
        model = gain * level + floor
        above = np.maximum(variance / model - 1.0, 0.0)
        weight = 1.0 / model**2 / (1.0 + (above / 0.15) ** 2)
    return NoiseModel(gain_dn=gain, floor_dn2=floor)
