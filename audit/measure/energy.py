"""Energy of fine detail: orders the frames of one series, where the scene stays the same."""

from __future__ import annotations

from typing import NamedTuple

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

ENERGY_SAMPLES = 1_000_000
"""Samples that the energy looks at: two frames of one scene then differ by chance under 0.3 %."""

LONGEST_STEP = 16
"""Longest step below, in rows or columns of the lattice: smaller strips are left out."""

SMALLEST_SHARE_OF_NOISE = 1e-3
"""Least energy, as a share of the noise's own, so that a frame of pure noise has an order too."""


class Step(NamedTuple):
    """One direction on the lattice, and how many times it is taken."""

    down: int
    right: int
    fine: int
    coarse: int


LATTICE_STEPS = (
    Step(0, 1, 2, 16),
    Step(1, 0, 2, 16),
    Step(1, 1, 2, 12),
    Step(1, -1, 2, 12),
    Step(1, 2, 1, 8),
    Step(2, 1, 1, 8),
    Step(1, -2, 1, 8),
    Step(2, -1, 1, 8),
)
"""Eight directions 22 to 27 degrees apart on a green lattice, whose samples lie two pixels apart:
short steps of 4 to 5.7 px, long ones of 32 to 36. Chosen among 1 to 16 samples;
docs/methods/sharpness.md."""

PIXEL_STEPS = (
    Step(0, 1, 4, 16),
    Step(1, 0, 4, 16),
    Step(1, 1, 3, 12),
    Step(1, -1, 3, 12),
    Step(1, 2, 2, 8),
    Step(2, 1, 2, 8),
    Step(1, -2, 2, 8),
    Step(2, -1, 2, 8),
)
"""The same where every pixel counts: short steps of 4 to 4.5 px, beyond the reach of demosaic."""


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
    for strip in _strips(plane, green_parity, MAX_SAMPLES):
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

    In each of eight directions the mean square difference of samples a short step apart, relative
    to that over a long step: exposure and contrast cancel. The smallest of the eight counts, since
    a frame is as sharp as its worst direction: a mean would rank a smear, which leaves one
    direction crisp, above an even blur that prints better.

    Parameters and limits as for `laplacian_variance`.

    Returns
    -------
    float
        A pure number above 0, more is sharper. Scenes have their own scale: compare only frames
        of one scene.

    References
    ----------
    Structure functions as in Monin, A. S. & Yaglom, A. M. (1975), Statistical Fluid Mechanics 2,
    ch. 8 (from memory); the choice of steps and of the worst direction is measured:
    docs/methods/sharpness.md.
    """
    strips = _strips(plane, green_parity, ENERGY_SAMPLES)
    count = sum(strip.size for strip in strips)
    if count == 0:
        return 0.0
    level_dn = sum(float(strip.sum(dtype=np.float64)) for strip in strips) / count - black_dn
    noise_dn2 = 2.0 * float(noise.variance_dn2(level_dn))
    floor_dn2 = SMALLEST_SHARE_OF_NOISE * noise_dn2
    shares = []
    for step in PIXEL_STEPS if green_parity is None else LATTICE_STEPS:
        fine = _mean_square_step(strips, step.down, step.right, step.fine) - noise_dn2
        coarse = _mean_square_step(strips, step.down, step.right, step.coarse) - noise_dn2
        shares.append(max(fine, floor_dn2) / max(coarse, noise_dn2))
    return min(shares)


def _mean_square_step(strips: list[F32], down: int, right: int, times: int) -> float:
    """Mean square difference of samples ``times`` steps of (down, right) apart."""
    rows, cols = down * times, abs(right) * times
    total = count = 0.0
    for strip in strips:
        here, there = strip[: strip.shape[0] - rows], strip[rows:]
        width = strip.shape[1] - cols
        if right >= 0:
            difference = there[:, cols:] - here[:, :width]
        else:
            difference = there[:, :width] - here[:, cols:]
        flat = difference.ravel()
        total += float(np.dot(flat, flat))
        count += flat.size
    return total / max(count, 1.0)


def _strips(plane: Plane, green_parity: int | None, most: int) -> list[F32]:
    """Evenly spread strips of one lattice of equal samples, float32."""
    lattice = plane if green_parity is None else plane[0::2, green_parity::2]
    rows, cols = lattice.shape
    wanted = max(1, min(rows // STRIP_ROWS, most // max(1, cols * STRIP_ROWS)))
    starts = np.linspace(0, max(0, rows - STRIP_ROWS), wanted).astype(int)
    strips = [lattice[s : s + STRIP_ROWS].astype(np.float32) for s in starts]
    return [strip for strip in strips if min(strip.shape) > LONGEST_STEP]
