"""Curves of ICC profiles, against LittleCMS (through Pillow) on the same profile."""

import io
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms

from audit.decode.curves import srgb_curve
from audit.decode.icc import profile_curves

SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def with_curve(element: bytes) -> bytes:
    """The sRGB profile with another tone curve for all three colours."""
    profile = bytearray(SRGB + b"\0" * (-len(SRGB) % 4))
    offset = len(profile)
    profile += element
    struct.pack_into(">I", profile, 0, len(profile))
    (count,) = struct.unpack_from(">I", profile, 128)
    for at in range(132, 132 + 12 * count, 12):
        if bytes(profile[at : at + 4]) in (b"rTRC", b"gTRC", b"bTRC"):
            struct.pack_into(">II", profile, at + 4, offset, len(element))
    return bytes(profile)


def curv(*points: int) -> bytes:
    return struct.pack(f">4s4xI{len(points)}H", b"curv", len(points), *points)


def para(kind: int, *values: float) -> bytes:
    fixed = [round(value * 65536) for value in values]
    return struct.pack(f">4s4xHH{len(fixed)}i", b"para", kind, 0, *fixed)


def lightness_by_littlecms(profile: bytes) -> NDArray[np.float64]:
    """L* of the grey codes 0..255, relative colorimetric."""
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    transform = ImageCms.buildTransform(
        source,
        ImageCms.createProfile("LAB"),
        "RGB",
        "LAB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        flags=ImageCms.Flags.NOOPTIMIZE,
    )
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    result = ImageCms.applyTransform(Image.fromarray(ramp), transform)
    assert result is not None
    return np.asarray(result)[0, :, 0] * (100 / 255)


def lightness(linear: NDArray[np.float32]) -> NDArray[np.float64]:
    """L* of relative luminance, CIE 15."""
    y = linear.astype(float)
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)


@pytest.mark.parametrize(
    "element",
    [
        curv(),
        curv(round(1.8 * 256)),
        curv(round(2.2 * 256)),
        curv(*[round(65535 * (i / 63) ** 2.4) for i in range(64)]),
        para(0, 2.4),
        para(1, 2.2, 1.1, -0.1),
        para(2, 2.2, 0.9, 0.0, 0.05),
        para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045),
        para(4, 2.4, 0.9, 0.05, 0.1, 0.06, 0.01, 0.002),
    ],
    ids=["identity", "gamma-1.8", "gamma-2.2", "table", *(f"para-{k}" for k in range(5))],
)
def test_curve_equals_littlecms(element: bytes) -> None:
    """Each form of ICC.1:2022 10.6 and 10.18, within LittleCMS's 8-bit L* (one step is 0.39)."""
    profile = with_curve(element)
    tables = profile_curves(profile, channels=3, entries=256)
    assert tables is not None
    expected = lightness_by_littlecms(profile)
    for table in tables:
        # Code 0 is left out: LittleCMS makes it black, whatever the curve says.
        np.testing.assert_allclose(lightness(table)[1:], expected[1:], atol=0.45)


def test_a_real_srgb_profile_gives_the_srgb_curve() -> None:
    tables = profile_curves(SRGB, channels=3, entries=256)
    assert tables is not None
    for table in tables:
        np.testing.assert_allclose(table, srgb_curve(256), atol=2e-5)


def test_profiles_of_real_cameras_equal_littlecms(real_files: Callable[[str], list[Path]]) -> None:
    """Display P3 and others, as phones and cameras embed them."""
    compared = 0
    for path in real_files("jpeg"):
        with Image.open(path) as image:
            profile = image.info.get("icc_profile")
        if profile:
            tables = profile_curves(profile, channels=3, entries=256)
            assert tables is not None, path.name
            found = lightness(tables[1])
            np.testing.assert_allclose(found, lightness_by_littlecms(profile), atol=0.45)
            compared += 1
    assert compared


def test_sixteen_bit_tables_hold_the_eight_bit_ones() -> None:
    profile = with_curve(curv(round(2.2 * 256)))
    small = profile_curves(profile, channels=3, entries=256)
    large = profile_curves(profile, channels=3, entries=65536)
    assert small is not None
    assert large is not None
    np.testing.assert_allclose(large[0][::257], small[0], atol=1e-7)


@pytest.mark.parametrize(
    "profile",
    [
        b"",
        SRGB[:100],
        SRGB[:140],
        SRGB.replace(b"RGB ", b"CMYK", 1),
        SRGB.replace(b"acsp", b"nope", 1),
        with_curve(b""),
        with_curve(b"curv\0\0\0\0\0\0\0\5\0\0"),
        with_curve(b"mft2" + b"\0" * 40),
        with_curve(curv(65535, 0)),
        with_curve(curv(9, 9)),
        with_curve(para(7, 1.0)),
        with_curve(para(3, 2.4)),
    ],
    ids=lambda profile: f"{len(profile)}-bytes",
)
def test_a_profile_without_sound_curves_gives_none(profile: bytes) -> None:
    """Broken, cut short, for inks, falling, flat: never a wrong curve."""
    assert profile_curves(profile, channels=3, entries=256) is None


def test_a_colour_profile_does_not_fit_a_grey_picture() -> None:
    assert profile_curves(SRGB, channels=1, entries=256) is None


@given(st.binary(max_size=200), st.integers(0, 600))
def test_hostile_profiles_never_raise(noise: bytes, at: int) -> None:
    profile = SRGB[:at] + noise + SRGB[at + len(noise) :]
    tables = profile_curves(profile, channels=3, entries=256)
    if tables is not None:
        for table in tables:
            assert ((table >= 0) & (table <= 1)).all()
            assert (np.diff(table) >= 0).all()


@given(st.integers(0, 5), st.lists(st.integers(-(2**31), 2**31 - 1), min_size=7, max_size=7))
def test_hostile_parameters_never_raise(kind: int, fixed: list[int]) -> None:
    element = struct.pack(">4s4xHH7i", b"para", kind, 0, *fixed)
    tables = profile_curves(with_curve(element), channels=3, entries=256)
    assert tables is None or all(np.isfinite(table).all() for table in tables)
