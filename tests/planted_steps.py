"""Planes of slanted steps whose blur is known exactly, square pixels included."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

F64 = NDArray[np.float64]

LOW_DN, HIGH_DN = 2000.0, 8000.0
SPACING_PX = 34.0
"""Distance of neighbouring steps: 8 blur widths on each side at sigma 2."""


def blurred_step(distance: F64, *, sigma_px: float, theta: float) -> F64:
    """Unit step blurred by a Gaussian and averaged over square pixels, exactly.

    The square seen along the normal is a box of width |cos| convolved with one of width |sin|:
    second differences of the twice integrated normal distribution.
    """
    a, b = abs(math.cos(theta)) / 2, max(abs(math.sin(theta)) / 2, 1e-3)

    def twice_integrated(x: F64) -> F64:
        u = x / sigma_px
        bell = np.exp(-0.5 * u * u) / math.sqrt(2 * math.pi)
        value: F64 = 0.5 * ((x * x + sigma_px**2) * ndtr(u) + x * sigma_px * bell)
        return value

    parts = (
        twice_integrated(distance + a + b)
        - twice_integrated(distance + a - b)
        - twice_integrated(distance - a + b)
        + twice_integrated(distance - a - b)
    )
    return parts / (4 * a * b)


def stripes_from(
    step: Callable[[F64], F64],
    *,
    theta: float,
    rows: int = 320,
    cols: int = 420,
    spacing_px: float = SPACING_PX,
) -> F64:
    """Plane of steps up and down by turns; ``step`` maps signed distance to 0..1."""
    row, col = np.mgrid[:rows, :cols].astype(np.float64)
    along = col * math.cos(theta) + row * math.sin(theta)
    plane = np.full(along.shape, LOW_DN)
    count = int((along.max() - along.min()) / spacing_px) - 1
    first = along.min() + spacing_px
    for k in range(count):
        offset = first + spacing_px * k + (0.37 * k) % 1.0
        plane += (1 if k % 2 == 0 else -1) * (HIGH_DN - LOW_DN) * step(along - offset)
    return plane


def slanted_stripes(*, sigma_px: float, theta: float, rows: int = 320, cols: int = 420) -> F64:
    """Steps of one blur and direction; theta is that of the normal, from +col towards +row."""
    return stripes_from(
        lambda distance: blurred_step(distance, sigma_px=sigma_px, theta=theta),
        theta=theta,
        rows=rows,
        cols=cols,
    )


def gaussian_mtf50_cpp(sigma_px: float, theta: float) -> float:
    """Frequency of half modulation of Gaussian times pixel square: the formula, bisected."""
    low, high = 0.001, 2.0
    for _ in range(60):
        f = 0.5 * (low + high)
        pixel = np.sinc(f * math.cos(theta)) * np.sinc(f * math.sin(theta))
        if math.exp(-2 * (math.pi * sigma_px * f) ** 2) * pixel > 0.5:
            low = f
        else:
            high = f
    return 0.5 * (low + high)


def gaussian_rise_px(sigma_px: float, theta: float) -> float:
    """10-90 % rise of the same."""
    x = np.linspace(-12, 12, 48_001)
    profile = blurred_step(x, sigma_px=sigma_px, theta=theta)
    return float(np.interp(0.9, profile, x) - np.interp(0.1, profile, x))
