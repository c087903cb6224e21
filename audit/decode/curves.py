"""Tone curves of developed pictures, as tables from code to linear light."""

import numpy as np
from numpy.typing import NDArray

DCF_OPTIONAL_GAMMA = 563 / 256
"""Exponent of the optional colour space of DCF 2.0 (CIPA DC-009), marked by the interoperability
index R03: 2 + 51/256 (Adobe RGB (1998) Color Image Encoding, 4.3.4.2; from memory)."""


def code_levels(entries: int) -> NDArray[np.float64]:
    """Codes 0 .. entries - 1 as encoded values 0..1."""
    return np.linspace(0.0, 1.0, entries)


def srgb_curve(entries: int) -> NDArray[np.float32]:
    """Inverse of the sRGB transfer function (IEC 61966-2-1) for 256 or 65,536 codes.

    Parameters
    ----------
    entries : int
        Number of codes.

    Returns
    -------
    (entries,) float32 array
        Linear light 0..1.
    """
    level = code_levels(entries)
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


def dcf_optional_curve(entries: int) -> NDArray[np.float32]:
    """Inverse of the transfer function of the optional colour space of DCF; see `srgb_curve`."""
    return (code_levels(entries) ** DCF_OPTIONAL_GAMMA).astype(np.float32)
