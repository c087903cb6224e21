"""Movement in pixels and the times that follow from it agree with standards and worked examples."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.optics.printing import pixels_per_arcmin
from audit.optics.shake import (
    FILM_BLUR_UM,
    HAND_RATE_DEG_PER_S,
    SIDEREAL_RATE_RAD_PER_S,
    STABILISER_BLUR_UM,
    VibrationWindow,
    handheld_shutter_s,
    motion_blur_px,
    reciprocal_rate_deg_per_s,
    reciprocal_shutter_s,
    stabiliser_gain_ev,
    star_drift_px_per_s,
    star_npf_full_s,
    star_npf_simple_s,
    star_rule_500_s,
    star_shutter_s,
    subject_motion_px,
    vibration_window,
)


@pytest.mark.parametrize(
    ("blur_um", "rate_deg_per_s", "pixels"),
    [
        (STABILISER_BLUR_UM, 3.61, (26.2, 16.8, 15.2, 14.5, 10.7, 9.7)),
        (FILM_BLUR_UM, 1.72, (12.5, 8.0, 7.2, 6.9, 5.1, 4.6)),
        (3.76, 0.215, (1.567, 1.0, 0.908, 0.864, 0.637, 0.578)),
    ],
)
def test_film_rule_as_a_rate_and_as_pixels(
    blur_um: float, rate_deg_per_s: float, pixels: tuple[float, ...]
) -> None:
    """63 um is the threshold of ISO 20954-1:2019, 3.5; rates and pixels computed from it."""
    rate = reciprocal_rate_deg_per_s(blur_um)
    assert rate == pytest.approx(rate_deg_per_s, abs=0.005)
    for pitch_um, expected in zip((2.4, 3.76, 4.14, 4.35, 5.9, 6.5), pixels, strict=True):
        for focal_mm in (24, 50, 200):
            found = motion_blur_px(focal_mm, pitch_um, rate, reciprocal_shutter_s(focal_mm))
            assert found == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(
    ("focal_mm", "shutter_s", "rate_deg_per_s", "pitch_um", "blur_px"),
    [
        (24, 1 / 30, 1.0, 3.76, 3.71),
        (50, 1 / 50, 1.0, 3.76, 4.64),
        (100, 1 / 125, 1.0, 4.35, 3.21),
        (200, 1 / 200, 1.0, 4.14, 4.22),
        (35, 1 / 15, 0.5, 5.9, 3.45),
    ],
)
def test_motion_blur_examples(
    focal_mm: float, shutter_s: float, rate_deg_per_s: float, pitch_um: float, blur_px: float
) -> None:
    """Values computed from f w t / p."""
    found = motion_blur_px(focal_mm, pitch_um, rate_deg_per_s, shutter_s)
    assert found == pytest.approx(blur_px, abs=0.01)


def test_one_pixel_as_an_angle() -> None:
    """3.76 um at 50 mm spans 15.51 arc-seconds (computed)."""
    assert motion_blur_px(50, 3.76, 15.51 / 3600, 1.0) == pytest.approx(1.0, abs=1e-3)


def test_film_rule_examples_of_a_manual() -> None:
    """Camera manual of the 1980s, p. 44: 125 mm, 1/125 s; 300 mm, 1/500 s, the safe side."""
    assert reciprocal_shutter_s(125) == pytest.approx(1 / 125)
    assert 1 / 500 < reciprocal_shutter_s(300) < 1 / 250


def test_sharp_to_the_pixel_asks_an_eighth_of_the_film_rule() -> None:
    """50 mm on 3.76 um: 1/399 s (computed)."""
    assert 1 / handheld_shutter_s(50, 3.76, 1.0) == pytest.approx(399, abs=0.5)


@pytest.mark.parametrize("crop", [0.79, 1.0, 1.53, 2.0])
@pytest.mark.parametrize("focal_mm", [16.0, 50.0, 300.0])
def test_hand_held_time_is_the_film_rule_at_the_film_rules_blur(
    crop: float, focal_mm: float
) -> None:
    """On any sensor: 30 um over the crop factor gives one over the 35 mm equivalent."""
    pitch_um = 4.0
    smear_px = FILM_BLUR_UM / crop / pitch_um
    found_s = handheld_shutter_s(focal_mm, pitch_um, smear_px)
    assert found_s == pytest.approx(reciprocal_shutter_s(focal_mm * crop), rel=1e-4)


def test_hand_held_time_follows_the_print() -> None:
    """Twice the print from the same distance: half the time. Twice the distance takes it back."""

    def longest_s(long_cm: float, viewing_cm: float) -> float:
        smear_px = pixels_per_arcmin(8256, long_cm, viewing_cm)
        return handheld_shutter_s(50, 4.35, smear_px)

    assert longest_s(120, 50) == pytest.approx(longest_s(60, 50) / 2, rel=1e-4)
    assert longest_s(120, 100) == pytest.approx(longest_s(60, 50), rel=1e-9)


@given(
    st.floats(8, 800), st.floats(1, 12), st.floats(0.2, 20), st.floats(0.05, 5),
)  # fmt: skip
def test_hand_held_time_gives_its_own_smear(
    focal_mm: float, pitch_um: float, smear_px: float, rate_deg_per_s: float
) -> None:
    longest_s = handheld_shutter_s(focal_mm, pitch_um, smear_px, rate_deg_per_s)
    found = motion_blur_px(focal_mm, pitch_um, rate_deg_per_s, longest_s)
    assert found == pytest.approx(smear_px, rel=1e-6)


def test_measured_hands_are_less_steady_than_the_film_rules() -> None:
    """Criner 2004: 0.24 degrees per 1/16 s. The film rule's hand is the steadier one."""
    assert pytest.approx(1.72, abs=0.005) == HAND_RATE_DEG_PER_S
    assert HAND_RATE_DEG_PER_S < 0.24 * 16


def test_stabiliser_gain() -> None:
    """ISO 20954-1 and CIPA DC-X011: 1/60 s to 1/4 s is 3.91 stops (computed)."""
    assert stabiliser_gain_ev(1 / 4, 1 / 60) == pytest.approx(3.91, abs=0.005)


@pytest.mark.parametrize(
    ("shutter_s", "window"),
    [
        (1 / 2, VibrationWindow.OUTSIDE),
        (0.3, VibrationWindow.OUTSIDE),
        (1 / 4, VibrationWindow.CORE),
        (1 / 15, VibrationWindow.CORE),
        (1 / 30, VibrationWindow.CORE),
        (1 / 32, VibrationWindow.CORE),
        (1 / 40, VibrationWindow.WIDE),
        (1 / 125, VibrationWindow.WIDE),
        (1 / 160, VibrationWindow.WIDE),
        (1 / 200, VibrationWindow.OUTSIDE),
        (1 / 1000, VibrationWindow.OUTSIDE),
    ],
)
def test_vibration_window(shutter_s: float, window: VibrationWindow) -> None:
    """Summary of published practice (mirror 1/60 to 1/2, shutter shock 1/4 to 1/125)."""
    assert vibration_window(shutter_s) is window


def test_the_sky_turns_once_in_a_sidereal_day() -> None:
    """Sidereal day 86 164.09 s (astronomical almanac, from memory)."""
    assert 2 * math.pi / SIDEREAL_RATE_RAD_PER_S == pytest.approx(86164.09, rel=1e-5)


@pytest.mark.parametrize(
    (
        "focal_mm", "aperture_n", "pitch_um", "declination_deg", "rule_500_s", "simple_s", "full_s",
        "drift", "trail_px",
    ),
    [
        (24, 2.8, 5.9, 0, 20.8, 11.46, 5.44, 0.2966, 6.2),
        (24, 2.8, 3.76, 0, 20.8, 8.78, 4.22, 0.4655, 9.7),
        (14, 2.8, 4.35, 0, 35.7, 16.32, 7.74, 0.2347, 8.4),
        (35, 1.8, 3.76, 0, 14.3, 5.02, 2.44, 0.6788, 9.7),
        (20, 4, 4.14, 60, 25.0, 13.21, 12.63, 0.1761, 4.4),
    ],
)  # fmt: skip
def test_star_limits(
    focal_mm: float,
    aperture_n: float,
    pitch_um: float,
    declination_deg: float,
    rule_500_s: float,
    simple_s: float,
    full_s: float,
    drift: float,
    trail_px: float,
) -> None:
    """NPF rule of F. Michaud (Societe Astronomique du Havre, 2013); values computed from it."""
    full = star_npf_full_s(focal_mm, aperture_n, pitch_um, declination_deg)
    speed = star_drift_px_per_s(focal_mm, pitch_um, declination_deg)
    assert star_rule_500_s(focal_mm) == pytest.approx(rule_500_s, abs=0.05)
    assert star_npf_simple_s(focal_mm, aperture_n, pitch_um) == pytest.approx(simple_s, abs=0.01)
    assert full == pytest.approx(full_s, abs=0.01)
    assert speed == pytest.approx(drift, abs=1e-4)
    assert speed * star_rule_500_s(focal_mm) == pytest.approx(trail_px, abs=0.05)
    assert star_shutter_s(focal_mm, pitch_um, 2.0, declination_deg) == pytest.approx(
        2.0 / drift, 1e-3
    )


def test_npf_with_slight_trails_is_about_the_short_form() -> None:
    """F. Michaud (2013)."""
    twice = star_npf_full_s(24, 2.8, 5.9, trailing=2)
    assert twice == pytest.approx(star_npf_simple_s(24, 2.8, 5.9), rel=0.1)


@pytest.mark.parametrize(
    ("speed_m_per_s", "shutter_s", "focal_mm", "distance_m", "pitch_um", "smear_px"),
    [
        (1.4, 1 / 60, 50, 20, 3.76, 15.51),
        (0.5, 1 / 15, 35, 5, 3.76, 62.06),
        (0.3, 1 / 125, 24, 2, 3.76, 7.66),
        (10, 1, 24, 2000, 3.76, 31.9),
        (2, 1 / 4, 24, 5, 4.35, 551.7),
    ],
)
def test_subject_motion(
    speed_m_per_s: float,
    shutter_s: float,
    focal_mm: float,
    distance_m: float,
    pitch_um: float,
    smear_px: float,
) -> None:
    """Walker, leaf, grass, cloud, water; values computed from v t f / (D p)."""
    found = subject_motion_px(speed_m_per_s, shutter_s, focal_mm, distance_m, pitch_um)
    rounding = 0.01 if smear_px < 100 and smear_px != 31.9 else 0.05
    assert found == pytest.approx(smear_px, abs=rounding)


def test_impossible_movements_are_refused() -> None:
    for call in (
        lambda: reciprocal_shutter_s(0),
        lambda: motion_blur_px(50, 4, -1, 1),
        lambda: handheld_shutter_s(50, 4, 0),
        lambda: vibration_window(0),
        lambda: star_rule_500_s(-24),
        lambda: subject_motion_px(1, 1, 50, 0, 4),
    ):
        with pytest.raises(ValueError, match="must be a finite number"):
            call()
    with pytest.raises(ValueError, match="under 90 degrees"):
        motion_blur_px(50, 4, 10, 30)
    with pytest.raises(ValueError, match="declination_deg"):
        star_drift_px_per_s(24, 4, 90)
