"""True edge width and MTF50 of a frame, from the closed form of its blur times the pixel."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maker.camera import Blur, Frequencies, demosaic, transfer

NORMALS_DEG = tuple(range(0, 180, 15))
"""Directions across an edge for which the truth is worked out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeTruth:
    """Figures over all edge directions; `developed` adds what the demosaic does to a grey edge."""

    width_mean_px: float
    width_min_px: float
    width_max_px: float
    mtf50_mean_cpp: float
    mtf50_min_cpp: float
    mtf50_max_cpp: float
    developed_width_mean_px: float


def mtf(blur: Blur, normal_deg: float, frequency_cpp: Frequencies) -> NDArray[np.float64]:
    """Transfer of blur and square pixel along one direction; may be negative past a zero."""
    angle = np.radians(normal_deg)
    fx, fy = frequency_cpp * np.cos(angle), frequency_cpp * np.sin(angle)
    return np.asarray(transfer(blur, fx, fy) * np.sinc(fx) * np.sinc(fy))


def edge_profile(
    blur: Blur, normal_deg: float, distance_px: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the blurred image of a step from 0 to 1: the sine transform of its MTF."""
    frequency = (np.arange(700) + 0.5) * 0.002
    weight = mtf(blur, normal_deg, frequency) / frequency * 0.002 / np.pi
    return 0.5 + np.sin(2 * np.pi * distance_px[..., None] * frequency) @ weight


def rise_px(distance_px: NDArray[np.float64], profile: NDArray[np.float64]) -> float:
    """10-90 % rise distance of a profile that goes from 0 to 1."""
    first = int(np.argmax(profile > 0.1))
    last = int(np.argmax(profile > 0.9))
    low, high = (
        float(np.interp(level, profile[i - 1 : i + 1], distance_px[i - 1 : i + 1]))
        for level, i in ((0.1, first), (0.9, last))
    )
    return high - low


def mtf50_cpp(blur: Blur, normal_deg: float) -> float:
    """Lowest frequency at which the transfer falls to one half."""
    frequency = np.arange(0.001, 1.4, 0.001)
    values = mtf(blur, normal_deg, frequency)
    i = int(np.argmax(values < 0.5))
    return float(np.interp(0.5, values[[i, i - 1]], frequency[[i, i - 1]]))


def developed_rise_px(blur: Blur, normal_deg: float) -> float:
    """10-90 % rise of a grey edge after mosaic and demosaic, in linear luminance.

    A slanted edge is sampled exactly, demosaiced and binned by its known distance.
    """
    side = 96
    angle = np.radians(normal_deg + 4.0)
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    distance = x * np.cos(angle) - y * np.sin(angle)
    table = np.linspace(-80, 80, 3201)
    light = np.interp(distance, table, edge_profile(blur, normal_deg + 4.0, table))
    rgb = demosaic(light.astype(np.float32))
    luminance = rgb @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    inner = (slice(4, -4), slice(4, -4))
    bins = np.rint(distance[inner].ravel() * 8).astype(int)
    near = np.abs(bins) < 8 * 20
    count = np.bincount(bins[near] + 160, minlength=320)
    total = np.bincount(bins[near] + 160, luminance[inner].ravel()[near], 320)
    seen = count > 0
    return rise_px((np.arange(320)[seen] - 160) / 8, total[seen] / count[seen])


@lru_cache
def edge_truth(blur: Blur) -> EdgeTruth:
    """Work out the truth of one blur over all edge directions."""
    distance = np.linspace(-25, 25, 2001)
    width = [rise_px(distance, edge_profile(blur, n, distance)) for n in NORMALS_DEG]
    mtf50 = [mtf50_cpp(blur, n) for n in NORMALS_DEG]
    developed = [developed_rise_px(blur, n) for n in NORMALS_DEG]
    return EdgeTruth(
        width_mean_px=float(np.mean(width)),
        width_min_px=min(width),
        width_max_px=max(width),
        mtf50_mean_cpp=float(np.mean(mtf50)),
        mtf50_min_cpp=min(mtf50),
        mtf50_max_cpp=max(mtf50),
        developed_width_mean_px=float(np.mean(developed)),
    )
