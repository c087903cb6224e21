"""The camera: optics, pixel, sensor and developer, from a sharp scene to samples in a file.

Blur is applied as one optical transfer function, the product of the closed forms of a perfect
lens, a Gaussian lens error, a defocus disc and an even straight movement. The same function gives
the truth (`maker.truth`), so nothing about the blur is measured or fitted.
All frequencies are in cycles per sensor pixel. Figures of the sensor are invented but ordinary.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import convolve
from scipy.special import j1

from maker.paint import Plane

BLACK_DN = 512
WHITE_DN = 15871
"""14 bits with headroom above white, as many sensors leave."""

FULL_WELL_E = 45000.0
"""Electrons at white, ISO 100 (assumed; ordinary for a pixel of 4.4 micrometres)."""

READ_NOISE_E = 3.0
"""Electrons, at every ISO (assumed)."""

WHITE_BALANCE = (2.0, 1.0, 1.6)
"""Gain that makes a grey surface equal in red, green, blue (assumed; daylight-like)."""

WAVELENGTH_UM = 0.55
"""One wavelength for every colour, so that one truth holds for raw and developed frames."""


Frequencies: TypeAlias = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """All that softens a frame, in sensor pixels and viewed orientation.

    `shake_angle_deg` is counter-clockwise from right; `tremor_sigma_px` is the even part of hand
    movement, in all directions.
    """

    aperture_n: float
    pitch_um: float
    lens_sigma_px: float = 0.0
    disc_radius_px: float = 0.0
    shake_px: float = 0.0
    shake_angle_deg: float = 0.0
    tremor_sigma_px: float = 0.0


def transfer(blur: Blur, fx: Frequencies, fy: Frequencies) -> NDArray[np.float64]:
    """Optical transfer function without the pixel; `fx` to the right, `fy` up.

    References
    ----------
    Goodman, J. W. Introduction to Fourier Optics: circular pupil (6.3.2), defocus disc as the
    Bessel pair of a circle (2.1.5); from memory.
    """
    radial = np.hypot(fx, fy)
    cutoff = blur.pitch_um / (WAVELENGTH_UM * blur.aperture_n)
    reach = np.clip(radial / cutoff, 0, 1)
    total = 2 / np.pi * (np.arccos(reach) - reach * np.sqrt(1 - reach**2))
    sigma2 = blur.lens_sigma_px**2 + blur.tremor_sigma_px**2
    total *= np.exp(-2 * np.pi**2 * sigma2 * radial**2)
    if blur.disc_radius_px:
        turn = np.maximum(2 * np.pi * blur.disc_radius_px * radial, 1e-9)
        total *= 2 * j1(turn) / turn
    if blur.shake_px:
        angle = np.radians(blur.shake_angle_deg)
        total *= np.sinc(blur.shake_px * (fx * np.cos(angle) + fy * np.sin(angle)))
    return np.asarray(total, np.float64)


def through_lens(scene: Plane, scale: int, blur: Blur) -> Plane:
    """Blur a scene of shape (rows, cols, 3); the outermost pixels wrap around and are for cutting.

    Rows and columns are lengthened by their last value to sizes that transform quickly.
    """
    rows, cols = scene.shape[:2]
    full = next_fast_len(rows, real=True), next_fast_len(cols, real=True)
    fy = -np.fft.fftfreq(full[0])[:, None] * scale
    fx = np.fft.rfftfreq(full[1])[None, :] * scale
    response = transfer(blur, fx, fy).astype(np.float32)
    out = np.empty_like(scene)
    for band in range(3):
        padded = np.pad(scene[..., band], ((0, full[0] - rows), (0, full[1] - cols)), "edge")
        out[..., band] = irfft2(rfft2(padded) * response, full)[:rows, :cols]
    return np.maximum(out, 0)


def on_pixels(image: Plane, scale: int) -> Plane:
    """Collect the light of `scale` x `scale` samples in each square pixel."""
    rows, cols = image.shape[0] // scale, image.shape[1] // scale
    blocks = image[: rows * scale, : cols * scale].reshape(rows, scale, cols, scale, 3)
    return np.asarray(blocks.mean(axis=(1, 3)), np.float32)


def colour_sites(rows: int, cols: int) -> NDArray[np.intp]:
    """Return 0, 1, 2 for the red, green and blue sites of an RGGB mosaic."""
    sites = np.ones((rows, cols), np.intp)
    sites[0::2, 0::2] = 0
    sites[1::2, 1::2] = 2
    return sites


def expose(light: Plane, iso: int, rng: np.random.Generator) -> NDArray[np.uint16]:
    """Turn linear light (1 = white in the developed picture) into the samples of the sensor.

    Shot noise, read noise, the full well and 14-bit rounding, in this order.
    """
    rows, cols = light.shape[:2]
    site = colour_sites(rows, cols)
    gain = np.array(WHITE_BALANCE, np.float32)[site]
    well = FULL_WELL_E * 100 / iso
    electrons = np.take_along_axis(light, site[..., None], axis=2)[..., 0] / gain * well
    electrons = rng.poisson(electrons) + READ_NOISE_E * rng.standard_normal((rows, cols))
    level = np.rint(electrons / well * (WHITE_DN - BLACK_DN) + BLACK_DN)
    return np.clip(level, 0, WHITE_DN).astype(np.uint16)


def demosaic(mosaic: Plane) -> Plane:
    """Fill in the two missing colours of every site of a white-balanced RGGB mosaic.

    References
    ----------
    Malvar, H. S., He, L., Cutler, R. (2004). High-quality linear interpolation for demosaicing
    of Bayer-patterned color images. ICASSP 2004, 3, 485-488 (the filters of its figure 2).
    """
    green = np.array(
        [[0, 0, -2, 0, 0], [0, 0, 4, 0, 0], [-2, 4, 8, 4, -2], [0, 0, 4, 0, 0], [0, 0, -2, 0, 0]]
    )
    along = np.array(
        [[0, 0, 1, 0, 0], [0, -2, 0, -2, 0], [-2, 8, 10, 8, -2], [0, -2, 0, -2, 0], [0, 0, 1, 0, 0]]
    )
    across = np.array(
        [[0, 0, -3, 0, 0], [0, 4, 0, 4, 0], [-3, 0, 12, 0, -3], [0, 4, 0, 4, 0], [0, 0, -3, 0, 0]]
    )
    at_green, in_row, in_col, diagonal = (
        convolve(mosaic, (kernel / 16).astype(np.float32), mode="mirror")
        for kernel in (green, along, along.T, across)
    )
    even_row = (np.arange(mosaic.shape[0]) % 2 == 0)[:, None]
    even_col = (np.arange(mosaic.shape[1]) % 2 == 0)[None, :]
    is_red, is_blue = even_row & even_col, ~even_row & ~even_col
    red = np.where(is_blue, diagonal, np.where(even_row, in_row, in_col))
    blue = np.where(is_red, diagonal, np.where(even_row, in_col, in_row))
    rgb = np.stack([red, np.where(is_red | is_blue, at_green, mosaic), blue], axis=2)
    rgb[..., 0][is_red] = mosaic[is_red]
    rgb[..., 2][is_blue] = mosaic[is_blue]
    return np.asarray(rgb, np.float32)


def develop(samples: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Develop the sensor's samples plainly: white balance, demosaic, sRGB; no sharpening."""
    level = (samples.astype(np.float32) - BLACK_DN) / (WHITE_DN - BLACK_DN)
    balanced = level * np.array(WHITE_BALANCE, np.float32)[colour_sites(*samples.shape)]
    return srgb_8bit(demosaic(np.asarray(balanced, np.float32)))


def srgb_8bit(linear: Plane) -> NDArray[np.uint8]:
    """Code linear light as 8-bit sRGB (IEC 61966-2-1)."""
    light = np.clip(linear, 0, 1)
    coded = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(coded * 255), np.uint8)
