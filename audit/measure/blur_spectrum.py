"""Which direction of a picture has lost its fine detail: a second witness of a smear.

The power spectrum of small patches round the strongest edges, by frequency and direction. A scene
of parallel lines is one-sided at all frequencies; a smear takes from the fine ones along its own
direction, so what counts is the swing of the log power over direction in the fine bands against
the swing in the coarsest band of the same patches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.measure.edges import EdgeTable
from audit.measure.noise import NoiseModel

F32 = NDArray[np.float32]

PATCH_PX = 64
"""Side of a patch."""

MOST_PATCHES = 100
"""Patches looked at: the cells of a 64 px grid with the strongest edges."""

BANDS_CPP = ((0.03, 0.07), (0.07, 0.11), (0.11, 0.15), (0.15, 0.20))
"""Frequency bands, cycles per pixel. The green lattice holds 0.35 in every direction; beyond 0.20
noise rules (bands to 0.33 were tried)."""

DIRECTIONS = 12
"""Directions of 15 degrees."""

LEAST_SIGNAL = 0.05
"""Power less noise is kept above this share of the power, so that its logarithm exists."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DetailLoss:
    """Swing of the log power over direction, by band.

    Attributes
    ----------
    swing : tuple of complex
        Twice the mean of ln power times exp(2i psi), psi from +col towards +row.
    """

    swing: tuple[complex, ...]

    def along(self, angle: float) -> float:
        """Loss of fine detail along a direction (from +col towards +row), in units of ln power.

        The largest over the fine bands: which one the smear takes from depends on its length.
        """
        turn = complex(math.cos(2.0 * angle), -math.sin(2.0 * angle))
        return max(-((fine - self.swing[0]) * turn).real for fine in self.swing[1:])


def _band_weights() -> F32:
    """(frequencies, bands x directions): mean of the power in each band and direction."""
    down = np.fft.fftfreq(PATCH_PX)[:, None]
    across = np.fft.rfftfreq(PATCH_PX)[None, :]
    frequency = np.hypot(across, down)
    sector = np.floor(np.arctan2(down, across) / math.pi * DIRECTIONS + 0.5).astype(np.int64)
    sector %= DIRECTIONS
    weights = [
        (frequency >= low) & (frequency < high) & (sector == direction)
        for low, high in BANDS_CPP
        for direction in range(DIRECTIONS)
    ]
    flat = np.stack([weight.ravel() / max(weight.sum(), 1) for weight in weights], axis=1)
    return flat.astype(np.float32)


def detail_loss(
    plane: NDArray[np.uint16] | F32,
    table: EdgeTable,
    *,
    black_dn: float,
    clipped_dn: float,
    noise: NoiseModel,
    green_parity: int | None,
) -> DetailLoss | None:
    """Swing of the spectrum of the patches round a frame's edges.

    Parameters
    ----------
    plane : (rows, cols) uint16 or float32 array
        Linear samples at full resolution.
    table : EdgeTable
        Its edges choose the patches.
    black_dn, clipped_dn : float
        Black level; level from which a sample counts as clipped.
    noise : NoiseModel
        Noise of one sample; its power is taken off.
    green_parity : 0, 1 or None
        Bayer mosaic: only samples with (row + col) % 2 == green_parity are valid.

    Returns
    -------
    DetailLoss or None
        None where no patch is free of clipping.
    """
    patches = _patches(plane, table) - np.float32(black_dn)
    window, gain = _window(green_parity)
    is_open = (patches * (window > 0)).max(axis=(1, 2), initial=0.0) < clipped_dn - black_dn
    patches = patches[is_open]
    if len(patches) == 0:
        return None
    level = (patches * window).sum(axis=(1, 2)) / window.sum()
    ripple = (patches - level[:, None, None]) * window
    power = np.abs(np.fft.rfft2(ripple)) ** 2 * (gain / float((window**2).sum()))
    told = power.reshape(len(patches), -1).astype(np.float32) @ _band_weights()
    noise_power = gain * noise.variance_dn2(level)[:, None]
    signal = np.log(np.maximum(told - noise_power, LEAST_SIGNAL * told) + np.float32(1e-6))
    signal = signal.reshape(-1, len(BANDS_CPP), DIRECTIONS)
    signal -= signal[:, 1, :].mean(axis=1)[:, None, None]
    typical = np.median(signal, axis=0)
    turn = np.exp(2j * math.pi * np.arange(DIRECTIONS) / DIRECTIONS)
    return DetailLoss(swing=tuple(complex(2.0 * (band * turn).mean()) for band in typical))


def _patches(plane: NDArray[np.uint16] | F32, table: EdgeTable) -> F32:
    """(patches, PATCH_PX, PATCH_PX): grid cells with the strongest edges."""
    rows, cols = plane.shape[0] // PATCH_PX, plane.shape[1] // PATCH_PX
    row = np.rint(table.row).astype(np.int64) // PATCH_PX
    col = np.rint(table.col).astype(np.int64) // PATCH_PX
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    contrast = table.contrast[inside] / np.maximum(table.level[inside], 1e-6)
    strength = np.bincount(row[inside] * cols + col[inside], contrast**2, rows * cols)
    best = np.argsort(-strength, kind="stable")[:MOST_PATCHES]
    best = best[strength[best] > 0]
    cut = plane[: rows * PATCH_PX, : cols * PATCH_PX].reshape(rows, PATCH_PX, cols, PATCH_PX)
    return cut[best // cols, :, best % cols, :].astype(np.float32)


def _window(green_parity: int | None) -> tuple[F32, float]:
    """Window of a patch, zero off the green sites, and the power gain that makes up for them."""
    bell = np.hanning(PATCH_PX + 2)[1:-1]
    window = np.outer(bell, bell).astype(np.float32)
    if green_parity is None:
        return window, 1.0
    row, col = np.mgrid[:PATCH_PX, :PATCH_PX]
    return (window * ((row + col) % 2 == green_parity)).astype(np.float32), 2.0
