"""Tone curves against the published values."""

import numpy as np
import pytest

from audit.decode.curves import dcf_optional_curve, srgb_curve


@pytest.mark.parametrize(
    ("code", "linear"),
    [
        (0, 0.0),
        (1, 0.000304),
        (10, 0.003035),
        (50, 0.031896),
        (118, 0.181164),
        (128, 0.215861),
        (188, 0.502886),
        (250, 0.955973),
        (253, 0.982251),
        (254, 0.991102),
        (255, 1.0),
    ],
)
def test_srgb_codes_become_the_tabulated_light(code: int, linear: float) -> None:
    """Inverse transfer function of IEC 61966-2-1 (values computed from the standard's formula)."""
    assert float(srgb_curve(256)[code]) == pytest.approx(linear, abs=1e-6)


def test_srgb_encodes_mid_grey_where_the_standard_does() -> None:
    """18 % light is encoded as 0.461356 (IEC 61966-2-1)."""
    table = srgb_curve(65536)
    assert np.interp(0.18, table, np.linspace(0, 1, 65536)) == pytest.approx(0.461356, abs=1e-5)


def test_the_optional_colour_space_of_dcf_is_a_plain_power() -> None:
    """Adobe RGB (1998) 4.3.4.2: exponent 2 + 51/256; half-way code 0.5 -> 0.217755."""
    assert float(dcf_optional_curve(3)[1]) == pytest.approx(0.5 ** (2 + 51 / 256), abs=1e-7)
    assert float(dcf_optional_curve(256)[255]) == 1.0
