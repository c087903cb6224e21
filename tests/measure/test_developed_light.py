"""The one pass over a developed picture: luminance, and what is lost at both ends."""

import numpy as np
import pytest

from audit.decode.curves import srgb_curve
from audit.measure import developed_light as module
from audit.measure.developed_light import FULL_SCALE_DN, developed_light

CURVE = (srgb_curve(256),)
BAND_ROWS = 16


@pytest.fixture(autouse=True)
def narrow_bands(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that small pictures have several bands."""
    monkeypatch.setattr(module, "BAND_SAMPLES", 9 * BAND_ROWS)


def test_luminance_is_the_weighted_sum_of_linear_channels() -> None:
    """Y = 0.2126 R + 0.7152 G + 0.0722 B of linear values, IEC 61966-2-1, within 1.5 DN."""
    codes = np.random.default_rng(1).integers(3, 254, (BAND_ROWS + 5, 7, 3)).astype(np.uint8)
    linear = CURVE[0].astype(float)[codes]

    luminance_dn = developed_light(codes, CURVE).luminance_dn

    assert luminance_dn.dtype == np.uint16
    expected = linear @ [0.2126, 0.7152, 0.0722] * FULL_SCALE_DN
    np.testing.assert_allclose(luminance_dn, expected, atol=1.5)


def test_each_channel_goes_through_its_own_curve() -> None:
    tables = tuple(np.append(np.full(255, level, np.float32), 1) for level in (0.1, 0.5, 0.9))
    codes = np.full((2, 2, 3), 100, np.uint8)

    found = developed_light(codes, tuple(t.astype(np.float32) for t in tables))

    share = 0.2126 * 0.1 + 0.7152 * 0.5 + 0.0722 * 0.9
    assert found.luminance_dn[0, 0] == pytest.approx(share * FULL_SCALE_DN, abs=1.5)


def test_grey_sixteen_bit_codes_are_looked_up_directly() -> None:
    """Half the code range of IEC 61966-2-1 is 0.21404 of the light."""
    codes = np.array([[0, 32768, 65535]], dtype=np.uint16)

    found = developed_light(codes, (srgb_curve(65536),))

    np.testing.assert_allclose(found.luminance_dn[0], [0, 14027, 65535], atol=1)


@pytest.mark.parametrize("bits", [8, 16])
def test_every_count_is_that_of_a_plain_comparison(bits: int) -> None:
    """Against numpy alone, on noise that is lost in every combination of channels."""
    top = 2**bits - 1
    codes = np.random.default_rng(3).choice([0, top // 3, top], (3 * BAND_ROWS + 1, 9, 3))
    curve = (srgb_curve(top + 1),)

    found = developed_light(codes.astype(np.uint8 if bits == 8 else np.uint16), curve).clipping

    for lost, shares, in_any, in_all in (
        (codes == top, found.highlight_share, found.highlight_any, found.highlight_all),
        (codes == 0, found.shadow_share, found.shadow_any, found.shadow_all),
    ):
        assert shares == pytest.approx(lost.mean(axis=(0, 1)))
        assert (in_any, in_all) == pytest.approx((lost.any(axis=2).mean(), lost.all(axis=2).mean()))


@pytest.mark.parametrize("code", [0, 1, 2, 3, 252, 253, 254, 255])
def test_developed_codes_at_both_ends(code: int) -> None:
    """On the curve of IEC 61966-2-1 code 254 is 0.991 linear and clipped, 253 is 0.982 and not."""
    codes = np.full((8, 8, 3), code, dtype=np.uint8)

    found = developed_light(codes, (srgb_curve(256),)).clipping

    assert found.highlight_any == (1.0 if code >= 254 else 0.0)
    assert found.shadow_any == (1.0 if code <= 2 else 0.0)


def test_developed_any_and_all_differ() -> None:
    codes = np.full((10, 10, 3), 128, dtype=np.uint8)
    codes[:5, :, 0] = 255
    codes[:2] = 255

    found = developed_light(codes, (srgb_curve(256),)).clipping

    assert found.highlight_share == pytest.approx((0.5, 0.2, 0.2))
    assert (found.highlight_any, found.highlight_all) == pytest.approx((0.5, 0.2))
    assert found.headroom_ev == (0.0, 0.0, 0.0)


def test_a_pixel_clipped_in_one_channel_is_put_at_white() -> None:
    codes = np.full((4, 5, 3), 200, dtype=np.uint8)
    codes[1, 2, 0] = 254

    luminance_dn, clipping = developed_light(codes, (srgb_curve(256),))

    assert np.argwhere(luminance_dn == FULL_SCALE_DN).tolist() == [[1, 2]]
    assert clipping.highlight_share == pytest.approx((1 / 20, 0, 0))


def test_developed_headroom_of_mid_grey() -> None:
    """18 % grey lies 2.474 EV below white; code 118 is 0.1812 linear (IEC 61966-2-1)."""
    codes = np.full((8, 8), 118, dtype=np.uint8)

    found = developed_light(codes, (srgb_curve(256),)).clipping

    assert found.headroom_ev == pytest.approx((2.4647,) * 3, abs=1e-3)
