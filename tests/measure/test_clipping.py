"""Lost highlights and shadows against direct counts and levels that were planted."""

import math
import os
from pathlib import Path

import numpy as np
import pytest
import rawpy
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from audit.measure.clipping import (
    clipping_of_mosaic,
    saturation_code,
    signal_floor_dn,
)

RGGB = np.array([[0, 1], [1, 2]], dtype=np.uint8)
BLACK = np.full((2, 2), 512, dtype=np.float32)
WHITE = np.full((2, 2), 15871, dtype=np.float32)
NO_FLOOR = (None, None, None)
REAL_RAWS = (
    Path(os.environ.get("FRAME_AUDIT_DATA", Path(__file__).parents[3] / "shared" / "data")) / "raw"
)


def mosaic(level: float, rows: int = 64, cols: int = 96) -> NDArray[np.uint16]:
    return np.full((rows, cols), level, dtype=np.uint16)


def lit_mosaic(level: float, rows: int = 64, cols: int = 96) -> NDArray[np.uint16]:
    """An even light with shot noise (0.34 DN an electron), as a sensor sees it."""
    rng = np.random.default_rng(5)
    noise = rng.normal(0, math.sqrt(0.34 * level), (rows, cols))
    return np.rint(512 + level + noise).astype(np.uint16)


def test_the_99_percent_rule_at_its_edge() -> None:
    """DNG worked value: black 512, white 15871, sample 15718 is 0.99004 of the range: clipped."""
    samples = lit_mosaic(5000)
    samples[:16] = 15718
    samples[16:32] = 15717
    samples[-1] = 15871

    found = clipping_of_mosaic(samples, RGGB, BLACK, WHITE, NO_FLOOR)

    assert found.highlight_any == pytest.approx(17 / 64)


def test_each_colour_counts_its_own_sites() -> None:
    samples = lit_mosaic(2000)
    samples[0::2, 0::2][:16] = 15871  # half of the red sites
    samples[1::2, 1::2][:8] = 15871  # a quarter of the blue sites

    found = clipping_of_mosaic(samples, RGGB, BLACK, WHITE, NO_FLOOR)

    assert found.highlight_share == (0.5, 0.0, 0.25)
    assert found.highlight_any == pytest.approx((0.5 + 0.25) / 4)
    assert found.highlight_all == 0.0


def test_lost_in_every_colour_needs_the_whole_cell() -> None:
    samples = lit_mosaic(2000)
    samples[:16] = 15871

    found = clipping_of_mosaic(samples, RGGB, BLACK, WHITE, NO_FLOOR)

    assert found.highlight_all == pytest.approx(0.25)


def test_headroom_is_counted_in_stops_from_the_level_that_holds_999_permille() -> None:
    """A plane at a quarter of the range has two stops left."""
    samples = lit_mosaic((15871 - 512) / 4)

    headroom = clipping_of_mosaic(samples, RGGB, BLACK, WHITE, NO_FLOOR).headroom_ev

    # Shot noise lifts the 99.9 % level by three standard deviations: 0.04 EV.
    assert headroom == pytest.approx((1.96, 1.96, 1.96), abs=0.02)


def test_a_clipped_colour_has_no_headroom() -> None:
    assert clipping_of_mosaic(mosaic(15871), RGGB, BLACK, WHITE, NO_FLOOR).headroom_ev == (0, 0, 0)


def test_saturation_is_found_where_samples_pile_up_below_the_nominal_white() -> None:
    """Planted: a sky that ends at 13000 of a nominal 15871, with read noise on it."""
    rng = np.random.default_rng(1)
    samples = rng.uniform(600, 9000, (400, 600))
    samples[:120] = 13000 - np.abs(rng.normal(0, 6, (120, 600)))

    found = clipping_of_mosaic(samples.astype(np.uint16), RGGB, BLACK, WHITE, NO_FLOOR)

    assert found.saturation_dn[1] == pytest.approx(13000 - 512, abs=30)
    assert found.highlight_any == pytest.approx(0.3, abs=0.005)


def test_a_smooth_top_is_no_spike() -> None:
    """A frame that simply holds no brighter light keeps its nominal white level."""
    rng = np.random.default_rng(2)
    samples = rng.uniform(600, 9000, (400, 600)).astype(np.uint16)

    found = clipping_of_mosaic(samples, RGGB, BLACK, WHITE, NO_FLOOR)

    assert found.saturation_dn == pytest.approx((15359.0,) * 3)
    assert found.highlight_any == 0.0


def test_an_empty_histogram_keeps_the_nominal_white() -> None:
    assert saturation_code(np.zeros(100, dtype=np.intp), 10, 90) == 90


def test_noise_alone_does_not_read_as_blocked_shadow() -> None:
    """Signal twice the level where it equals its noise: single sites dip below, places do not."""
    rng = np.random.default_rng(3)
    floor = signal_floor_dn(0.34, 1.2**2)
    samples = np.rint(rng.normal(512 + 2 * floor, 1.2, (512, 512))).astype(np.uint16)

    found = clipping_of_mosaic(samples, RGGB, BLACK, WHITE, (floor,) * 3)

    assert found.shadow_any < 0.01


def test_shadows_at_black_are_blocked() -> None:
    rng = np.random.default_rng(4)
    floor = signal_floor_dn(0.34, 1.2**2)
    samples = np.rint(rng.normal(900, 3, (512, 512)))
    samples[:128] = np.rint(rng.normal(512, 1.2, (128, 512)))

    found = clipping_of_mosaic(samples.astype(np.uint16), RGGB, BLACK, WHITE, (floor,) * 3)

    assert found.shadow_any == pytest.approx(0.25, abs=0.005)
    assert found.shadow_all == pytest.approx(0.25, abs=0.005)


@pytest.mark.parametrize(("read_e", "expected_e"), [(0.0, 1.0), (3.0, 3.541)])
def test_signal_equals_noise_where_iso_15739_puts_the_lower_end(
    read_e: float, expected_e: float
) -> None:
    """(1 + sqrt(1 + 4 read^2)) / 2 electrons for a shot and read noise model (gain 1 DN/e-)."""
    assert signal_floor_dn(1.0, read_e**2) == pytest.approx(expected_e, abs=1e-3)


@given(st.integers(0, 63), st.integers(0, 63))
def test_shares_stay_shares_whatever_the_levels(low: int, high: int) -> None:
    rng = np.random.default_rng(low * 64 + high)
    samples = rng.integers(0, 256 + 256 * max(low, high), (24, 32)).astype(np.uint16)

    found = clipping_of_mosaic(samples, RGGB, BLACK, WHITE, (float(low),) * 3)

    shares = [*found.highlight_share, found.highlight_any, found.highlight_all]
    shares += [*found.shadow_share, found.shadow_any, found.shadow_all]
    assert all(share is not None and 0 <= share <= 1 for share in shares)
    assert all(ev is not None and 0 <= ev < math.inf for ev in found.headroom_ev)


@pytest.mark.skipif(not REAL_RAWS.is_dir(), reason="real raw files are not here")
@pytest.mark.parametrize("name", sorted(p.name for p in REAL_RAWS.glob("*")) or ["none"])
def test_real_raws_agree_with_a_direct_count(name: str) -> None:
    """LibRaw's own samples and levels, counted site by site through rawpy."""
    with rawpy.imread(str(REAL_RAWS / name)) as raw:
        samples = raw.raw_image_visible.copy()
        colours = raw.raw_colors_visible.copy()
        black = np.array(raw.black_level_per_channel, dtype=np.float64)
        white = float(raw.white_level)
    if colours.max() > 3 or samples.ndim != 2:
        pytest.skip("no colour filter mosaic")
    lost = samples >= black[colours] + 0.99 * (white - black[colours])
    pattern = colours[:2, :2]

    found = clipping_of_mosaic(
        samples,
        np.where(pattern == 3, 1, pattern).astype(np.uint8),
        black[pattern].astype(np.float32),
        np.full((2, 2), white, dtype=np.float32),
        NO_FLOOR,
    )

    assert found.highlight_any == pytest.approx(float(lost.mean()), abs=0.02)


def _srgb_curve() -> NDArray[np.float32]:
    codes = np.arange(256) / 255
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )
