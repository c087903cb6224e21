"""Exposure values, meters and third stops agree with APEX, ISO 2720 and the marks on cameras."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.optics.diffraction import exact_aperture_n
from audit.optics.exposure import (
    WaterLook,
    aperture_av,
    aperture_n_from_av,
    av_thirds,
    brightness_thirds,
    ev100,
    exact_shutter_s,
    exposure_ev,
    illuminance_lx,
    iso_thirds,
    light_thirds,
    luminance_cd_m2,
    shutter_s_from_tv,
    shutter_tv,
    speed_sv,
    tv_thirds,
    water_look,
)

times_s = st.floats(1 / 32000, 3600.0)


@pytest.mark.parametrize(
    ("aperture_n", "shutter_s", "iso", "av", "tv", "level_ev", "luminance"),
    [
        (1, 1, 100, 0.0, 0.0, 0.0, 0.125),
        (8, 1 / 125, 100, 6.0, 6.9658, 12.9658, 1000.0),
        (11, 1 / 60, 100, 6.9189, 5.9069, 12.8258, 907.5),
        (16, 1 / 100, 100, 8.0, 6.6439, 14.6439, 3200.0),
        (5.6, 1 / 30, 400, 4.9709, 4.9069, 7.8777, 29.4),
        (11, 8, 100, 6.9189, -3.0, 3.9189, 1.891),
        (2.8, 1 / 15, 1600, 2.9709, 3.9069, 2.8777, 0.919),
    ],
)
def test_apex_values(
    aperture_n: float,
    shutter_s: float,
    iso: float,
    av: float,
    tv: float,
    level_ev: float,
    luminance: float,
) -> None:
    """Exif standard DC-008 annex C and ISO 2720 (K 12.5); values computed from the formulas."""
    assert aperture_av(aperture_n) == pytest.approx(av, abs=1e-4)
    assert shutter_tv(shutter_s) == pytest.approx(tv, abs=1e-4)
    assert exposure_ev(shutter_s, aperture_n) == pytest.approx(av + tv, abs=2e-4)
    found_ev = ev100(shutter_s, aperture_n, iso)
    assert found_ev == pytest.approx(level_ev, abs=1e-4)
    assert luminance_cd_m2(found_ev) == pytest.approx(luminance, rel=1e-3)


def test_apex_table_of_the_exif_standard() -> None:
    """DC-008 annex C, conversion tables: Tv 1/30 s 5, 1/125 7; Av f/5.6 5, f/16 8; Sv ISO 100 5.

    The standard's tables pair marked values with whole APEX steps; from memory.
    """
    assert tv_thirds(1 / 30) == 15
    assert tv_thirds(1 / 125) == 21
    assert av_thirds(5.6) == 15
    assert av_thirds(16) == 24
    assert speed_sv(100) == pytest.approx(5.0)
    assert speed_sv(3200) == pytest.approx(10.0)
    assert shutter_s_from_tv(7.0) == pytest.approx(1 / 128)
    assert aperture_n_from_av(5.0) == pytest.approx(5.657, abs=5e-4)


def test_full_sun_by_the_sunny_16_rule() -> None:
    """Common practice: f/16 at 1/ISO s in full sun is EV 15 within a half; 4096 cd/m2, 81 920 lx.

    The two levels of light are computed from ISO 2720's K 12.5 and C 250.
    """
    assert ev100(1 / 100, 16, 100) == pytest.approx(15, abs=0.5)
    assert luminance_cd_m2(15) == pytest.approx(4096)
    assert illuminance_lx(15) == pytest.approx(81920)


@pytest.mark.parametrize(
    ("marked_s", "exact_s"),
    [
        (1 / 8000, 1 / 8192), (1 / 500, 1 / 512), (1 / 160, 1 / 161.27), (1 / 125, 1 / 128),
        (1 / 100, 1 / 101.59), (1 / 80, 1 / 80.635), (1 / 60, 1 / 64), (1 / 50, 1 / 50.797),
        (1 / 40, 1 / 40.317), (1 / 30, 1 / 32), (1 / 15, 1 / 16), (1 / 8, 1 / 8), (1 / 6, 1 / 6.35),
        (0.3, 0.315), (0.4, 0.397), (0.5, 0.5), (0.6, 0.63), (0.8, 0.794), (1.3, 1.26),
        (1.6, 1.587),
        (2.5, 2.520), (3.2, 3.175), (5, 5.04), (6, 6.35), (13, 12.70), (15, 16), (20, 20.16),
        (25, 25.40), (30, 32),
    ],
)  # fmt: skip
def test_marked_times_stand_for_exact_third_stops(marked_s: float, exact_s: float) -> None:
    """Marks of cameras, common practice; exact values 2^(k/3) computed."""
    assert exact_shutter_s(marked_s) == pytest.approx(exact_s, rel=1e-3)


@given(times_s)
def test_snapping_a_time_twice_changes_nothing(shutter_s: float) -> None:
    exact_s = exact_shutter_s(shutter_s)
    assert exact_shutter_s(exact_s) == exact_s
    assert tv_thirds(exact_s) == tv_thirds(shutter_s)
    assert abs(math.log2(exact_s / shutter_s)) <= 1 / 6 + 1e-9


@pytest.mark.parametrize(
    ("first", "second", "thirds"),
    [
        ((1 / 60, 8, 100), (1 / 125, 8, 100), -3),
        ((1 / 60, 8, 100), (1 / 64, 8, 100), 0),
        ((1 / 60, 8, 100), (1 / 60, 11, 100), -3),
        ((1 / 60, 11, 100), (1 / 60, 16, 100), -3),
        ((1 / 60, 11, 100), (1 / 60, 13, 100), -1),
        ((30, 8, 100), (15, 8, 100), -3),
        ((1 / 60, 8, 100), (1 / 60, 8, 125), 1),
        ((1 / 60, 8, 100), (1 / 15, 16, 100), 0),
        ((1 / 60, 8, 100), (1 / 60, 5.6, 64), 1),
    ],
)
def test_differences_of_marked_exposures_are_whole_thirds(
    first: tuple[float, float, float], second: tuple[float, float, float], thirds: int
) -> None:
    """Bracketing on real cameras: raw ratios of marks read up to 1.08 EV for one stop."""
    assert brightness_thirds(*second) - brightness_thirds(*first) == thirds


def test_light_ignores_sensitivity() -> None:
    assert light_thirds(1 / 60, 8) == brightness_thirds(1 / 60, 8, 100)
    assert iso_thirds(400) == 6
    assert iso_thirds(50) == -3


@given(st.floats(0.95, 64.0))
def test_aperture_thirds_and_exact_aperture_agree(aperture_n: float) -> None:
    assert aperture_av(exact_aperture_n(aperture_n)) == pytest.approx(av_thirds(aperture_n) / 3)


@pytest.mark.parametrize(
    ("shutter_s", "look"),
    [
        (1 / 2000, WaterLook.FROZEN),
        (1 / 500, WaterLook.FROZEN),
        (1 / 250, WaterLook.ALMOST_FROZEN),
        (1 / 60, WaterLook.TRACES),
        (1 / 64, WaterLook.TRACES),
        (1 / 30, WaterLook.TRACES),
        (1 / 15, WaterLook.STREAKED),
        (1 / 16, WaterLook.STREAKED),
        (1 / 8, WaterLook.STREAKED),
        (1 / 4, WaterLook.SILKY),
        (1, WaterLook.SILKY),
        (2, WaterLook.MISTY),
        (30, WaterLook.MISTY),
    ],
)
def test_water_by_time(shutter_s: float, look: WaterLook) -> None:
    """Photographers' texts: 1/500 frozen, 1/60 traces, 1/15 flow, 1/4 to 1 s silk, 2 s mist."""
    assert water_look(shutter_s) is look


def test_impossible_exposures_are_refused() -> None:
    for call in (
        lambda: aperture_av(0),
        lambda: shutter_tv(-1 / 60),
        lambda: speed_sv(0),
        lambda: ev100(1 / 60, 8, math.nan),
        lambda: exact_shutter_s(0),
        lambda: iso_thirds(-100),
        lambda: water_look(0),
    ):
        with pytest.raises(ValueError, match="must be a finite number above 0"):
            call()
