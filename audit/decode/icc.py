"""Tone curves of an embedded ICC profile (ICC.1:2022, the same as ISO 15076-1).

Only the tone reproduction curves of matrix and grey profiles are read (clause 10.6 ``curv`` and
10.18 ``para``): they are what makes codes linear. Profiles built of multi-dimensional tables have
no such curve, and the caller is told so by ``None``.
"""

import struct
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from audit.decode.curves import code_levels

_HEADER_BYTES = 128
_MAX_TAGS = 200
"""A display profile has 10 to 30 tags; more is no profile (guess, for a bound on hostile files)."""

_PARAMETERS = (1, 3, 4, 5, 7)
"""Parameters of the parametric function types 0 to 4 (ICC.1:2022, table 68)."""

_RGB_CURVES = (b"rTRC", b"gTRC", b"bTRC")
_GREY_CURVES = (b"kTRC",)


def profile_curves(
    profile: bytes, *, channels: int, entries: int
) -> tuple[NDArray[np.float32], ...] | None:
    """Read a profile's curves as tables from code to linear light.

    Parameters
    ----------
    profile : bytes
        The whole profile, as embedded; may be hostile.
    channels : int
        Channels of the picture: 3, or 1 for grey.
    entries : int
        Number of codes: 256 or 65,536.

    Returns
    -------
    tuple of (entries,) float32 arrays, or None
        One table a channel; ``None`` where the profile does not fit the picture, has no curves or
        is broken.
    """
    if len(profile) < _HEADER_BYTES + 4 or profile[36:40] != b"acsp":
        return None
    wanted = {3: (b"RGB ", _RGB_CURVES), 1: (b"GRAY", _GREY_CURVES)}.get(channels)
    if wanted is None or profile[16:20] != wanted[0]:
        return None
    elements = dict(_elements(profile))
    tables = []
    for signature in wanted[1]:
        table = _table(elements.get(signature, b""), entries)
        if table is None:
            return None
        tables.append(table)
    return tuple(tables)


def _elements(profile: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Tag signatures and their data (clause 7.3)."""
    (count,) = struct.unpack_from(">I", profile, _HEADER_BYTES)
    last = (len(profile) - _HEADER_BYTES - 4) // 12
    for index in range(min(count, last, _MAX_TAGS)):
        signature, offset, size = struct.unpack_from(
            ">4sII", profile, _HEADER_BYTES + 4 + 12 * index
        )
        yield signature, profile[offset : offset + size]


def _table(element: bytes, entries: int) -> NDArray[np.float32] | None:
    """One curve as a table; ``None`` where it is broken or no tone curve at all."""
    kind = element[:4]
    if kind == b"curv":
        linear = _sampled_curve(element, entries)
    elif kind == b"para":
        linear = _parametric_curve(element, entries)
    else:
        return None
    if linear is None or not np.isfinite(linear).all():
        return None
    linear = np.clip(linear, 0.0, 1.0)
    if (np.diff(linear) < 0).any() or linear[-1] <= linear[0]:
        return None
    return linear.astype(np.float32)


def _sampled_curve(element: bytes, entries: int) -> NDArray[np.float64] | None:
    """Return ``curv``: identity, one gamma as u8Fixed8, or a table of uint16 (clause 10.6)."""
    if len(element) < 12:
        return None
    (count,) = struct.unpack_from(">I", element, 8)
    level = code_levels(entries)
    if count == 0:
        return level
    if len(element) < 12 + 2 * count:
        return None
    points = np.frombuffer(element, dtype=">u2", count=count, offset=12)
    if count == 1:
        return np.asarray(level ** (int(points[0]) / 256))
    return np.interp(level, code_levels(count), points / 65535)


def _parametric_curve(element: bytes, entries: int) -> NDArray[np.float64] | None:
    """Return ``para``: five kinds of power law with a straight foot (clause 10.18)."""
    if len(element) < 12:
        return None
    (kind,) = struct.unpack_from(">H", element, 8)
    if kind >= len(_PARAMETERS) or len(element) < 12 + 4 * _PARAMETERS[kind]:
        return None
    fixed = struct.unpack_from(f">{_PARAMETERS[kind]}i", element, 12)
    g, a, b, c, d, e, f = _seven_parameters(kind, [value / 65536 for value in fixed])
    level = code_levels(entries)
    with np.errstate(all="ignore"):
        power = np.maximum(a * level + b, 0.0) ** g + e
    return np.where(level >= d, power, c * level + f)


def _seven_parameters(kind: int, values: list[float]) -> tuple[float, ...]:
    """Bring every kind to the form of kind 4: (aX+b)^g + e from d on, cX + f below."""
    if kind == 0:
        return (values[0], 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    g, a, b = values[:3]
    foot_end = -b / a if a else 0.0
    if kind == 1:
        return (g, a, b, 0.0, foot_end, 0.0, 0.0)
    if kind == 2:
        return (g, a, b, 0.0, foot_end, values[3], values[3])
    if kind == 3:
        return (g, a, b, values[3], values[4], 0.0, 0.0)
    return (g, a, b, values[3], values[4], values[5], values[6])
