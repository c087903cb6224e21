"""Energy of fine detail: orders the frames of one series, where the scene stays the same."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audit.measure.noise import NoiseModel

Plane = NDArray[np.uint16] | NDArray[np.float32]
F32 = NDArray[np.float32]

LAPLACIAN_NOISE_GAIN = 20.0
"""Sum of squares of the 4-neighbour Laplacian: variance of white noise is multiplied by it."""

MAX_SAMPLES = 4_000_000
"""Samples looked at, in strips spread over the frame: sets the cost."""

STRIP_ROWS = 64
"""Rows of one strip, on the lattice of equal samples."""


def laplacian_variance(
    plane: Plane,
    *,
    black_dn: float,
    noise: NoiseModel,
    green_parity: int | None,
) -> float:
    """Variance of the 4-neighbour Laplacian on linear samples, less the noise's own share.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        Linear samples.
    black_dn : float
        Black level.
    noise : NoiseModel
        Noise of one sample.
    green_parity : 0, 1 or None
        Bayer mosaic: one lattice of the green samples is used (every second row and column).

    Returns
    -------
    float
        DN^2, never below 0. Depends on contrast and content: never compare two scenes by it.

    References
    ----------
    Pech-Pacheco, J. L. et al. (2000). Diatom autofocusing in brightfield microscopy. ICPR 15.
    """
    total = mean = level = 0.0
    count = 0
    for strip in _strips(plane, green_parity):
        inner = strip[1:-1, 1:-1]
        laplacian = strip[:-2, 1:-1] + strip[2:, 1:-1]
        laplacian += strip[1:-1, :-2]
        laplacian += strip[1:-1, 2:]
        laplacian -= 4.0 * inner
        flat = laplacian.ravel()
        total += float(np.dot(flat, flat))
        mean += float(flat.sum(dtype=np.float64))
        level += float(inner.sum(dtype=np.float64))
        count += inner.size
    if count == 0:
        return 0.0
    noise_dn2 = float(noise.variance_dn2(level / count - black_dn))
    variance = total / count - (mean / count) ** 2
    return max(0.0, variance - LAPLACIAN_NOISE_GAIN * noise_dn2)


def energy(
    plane: Plane,
    *,
    black_dn: float,
    noise: NoiseModel,
    green_parity: int | None,
) -> float:
    """Noise-corrected energy of fine detail over that of coarse contrast, for one series.

    The mean square difference between neighbours of the half-resolution plane, relative to that
    over four times the distance: exposure and contrast cancel, more means sharper.

    Parameters and limits as for `laplacian_variance`; returns a pure number >= 0.
    """
    fine = coarse = level = 0.0
    count = 0
    for strip in _strips(plane, green_parity):
        level += float(strip.sum(dtype=np.float64))
        count += strip.size
        fine += _mean_square_step(strip, 1) * strip.size
        coarse += _mean_square_step(strip, 8) * strip.size
    if count == 0:
        return 0.0
    noise_dn2 = 2.0 * float(noise.variance_dn2(level / count - black_dn))
    fine, coarse = fine / count - noise_dn2, coarse / count - noise_dn2
    return max(0.0, fine) / max(coarse, noise_dn2, 1e-9)


def _mean_square_step(strip: F32, distance: int) -> float:
    down = strip[distance:] - strip[:-distance]
    across = strip[:, distance:] - strip[:, :-distance]
    squares = float(np.dot(down.ravel(), down.ravel())) / down.size
    return 0.5 * (squares + float(np.dot(across.ravel(), across.ravel())) / across.size)


def _strips(plane: Plane, green_parity: int | None) -> list[F32]:
    """Evenly spread strips of one lattice of equal samples, float32."""
    lattice = plane if green_parity is None else plane[0::2, green_parity::2]
    rows, cols = lattice.shape
    wanted = max(1, min(rows // STRIP_ROWS, MAX_SAMPLES // max(1, cols * STRIP_ROWS)))
    starts = np.linspace(0, max(0, rows - STRIP_ROWS), wanted).astype(int)
    strips = [lattice[s : s + STRIP_ROWS].astype(np.float32) for s in starts]
    return [s for s in strips if min(s.shape) > 2]
