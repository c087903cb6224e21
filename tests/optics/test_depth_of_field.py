"""Depth of field agrees with worked examples and keeps its own promises at the limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.optics.depth_of_field import (
    FILM_COC_MM,
    PRINT_DISC_ARCMIN,
    aperture_for_disc_n,
    blur_disc_mm,
    coc_for_print_mm,
    coc_from_diagonal_mm,
    far_limit_m,
    focus_between_m,
    hyperfocal_m,
    near_limit_m,
)
from audit.optics.diffraction import exact_aperture_n

TENTH_MM_IN_M = 1e-4

focals_mm = st.floats(10.0, 600.0)
marked_n = st.floats(1.4, 32.0)
discs_mm = st.floats(0.002, 0.05)


@pytest.mark.parametrize(
    ("focal_mm", "aperture_n", "coc_mm", "distance_mm"),
    [
        (50, 8, 0.03, 10466.7),
        (50, 8, 0.02, 15675.0),
        (35, 11, 0.03, 3747.1),
        (24, 11, 0.03, 1769.5),
        (24, 8, 0.03, 2424.0),
    ],
)
def test_hyperfocal_examples(
    focal_mm: float, aperture_n: float, coc_mm: float, distance_mm: float
) -> None:
    """Worked examples: encyclopaedia "Hyperfocal distance" (row 1), bit1024 (rows 2 and 3).

    The rows for 24 mm are computed from Greenleaf's formula.
    """
    found_m = hyperfocal_m(focal_mm, aperture_n, coc_mm)
    assert found_m == pytest.approx(distance_mm / 1000, abs=TENTH_MM_IN_M)


def test_hyperfocal_with_the_exact_f_number() -> None:
    """35 mm at a marked f/11, in truth 11.314: 3644.2 mm (computed)."""
    assert hyperfocal_m(35, exact_aperture_n(11), 0.03) == pytest.approx(3.6442, abs=TENTH_MM_IN_M)


def test_hyperfocal_for_two_pixels_is_four_times_the_film_rule() -> None:
    """24 mm, f/11, 2 px of 3.76 um: 6987 mm, computed from Greenleaf's formula."""
    assert hyperfocal_m(24, 11, 0.00752) == pytest.approx(6.987, abs=5e-4)


@pytest.mark.parametrize(
    ("focal_mm", "aperture_n", "focus_m", "near_mm", "far_mm"),
    [
        (50, 8, 5, 3389.4, 9527.4),
        (85, 5.6, 10, 8126.5, 12996.3),
        (100, 16, 10, 6778.7, 19054.9),
        (24, 8, 3, 1339.3, math.inf),
        (16, 8, 1, 520.2, 12903.2),
    ],
)
def test_near_and_far_limits(
    focal_mm: float, aperture_n: float, focus_m: float, near_mm: float, far_mm: float
) -> None:
    """Greenleaf, Photographic Optics (1950), pp. 25-27; values computed from his formulas."""
    near_m = near_limit_m(focal_mm, aperture_n, FILM_COC_MM, focus_m)
    far_m = far_limit_m(focal_mm, aperture_n, FILM_COC_MM, focus_m)
    assert near_m == pytest.approx(near_mm / 1000, abs=TENTH_MM_IN_M)
    assert far_m == pytest.approx(far_mm / 1000, abs=TENTH_MM_IN_M)


@pytest.mark.parametrize(("subject_m", "disc_mm"), [(math.inf, 0.0631), (3.0, 0.0421)])
def test_blur_disc_examples(subject_m: float, disc_mm: float) -> None:
    """50 mm, f/8, focus at 5 m; computed from the thin lens."""
    assert blur_disc_mm(50, 8, 5, subject_m) == pytest.approx(disc_mm, abs=5e-5)


def test_film_rule_leaves_eight_pixels_at_infinity() -> None:
    """24 mm, f/11, focus at the hyperfocal distance, pixels of 3.76 um."""
    disc_mm = blur_disc_mm(24, 11, hyperfocal_m(24, 11, FILM_COC_MM), math.inf)
    assert disc_mm / 0.00376 == pytest.approx(8.0, abs=0.05)


@given(focals_mm, marked_n, discs_mm, st.floats(0.05, 20.0))
def test_discs_at_both_limits_are_the_circle_of_confusion(
    focal_mm: float, aperture_n: float, coc_mm: float, hyperfocal_share: float
) -> None:
    """Thin-lens image distances give the disc without Greenleaf's formulas."""
    focus_m = focal_mm / 1000 * 3 + hyperfocal_share * hyperfocal_m(focal_mm, aperture_n, coc_mm)
    limits_m = (
        near_limit_m(focal_mm, aperture_n, coc_mm, focus_m),
        far_limit_m(focal_mm, aperture_n, coc_mm, focus_m),
    )

    def image_mm(distance_m: float) -> float:
        return 1 / (1 / focal_mm - 1 / (1000 * distance_m))

    for limit_m in limits_m:
        if math.isfinite(limit_m):
            apart = abs(image_mm(limit_m) - image_mm(focus_m)) / image_mm(limit_m)
            disc_mm = focal_mm / aperture_n * apart
            assert disc_mm == pytest.approx(coc_mm, rel=1e-5)


@given(focals_mm, marked_n, discs_mm)
def test_focus_at_the_hyperfocal_distance_reaches_infinity_and_half_of_it(
    focal_mm: float, aperture_n: float, coc_mm: float
) -> None:
    distance_m = hyperfocal_m(focal_mm, aperture_n, coc_mm)
    assert far_limit_m(focal_mm, aperture_n, coc_mm, distance_m) == math.inf
    assert near_limit_m(focal_mm, aperture_n, coc_mm, distance_m) == pytest.approx(distance_m / 2)
    assert blur_disc_mm(focal_mm, aperture_n, distance_m, math.inf) == pytest.approx(coc_mm)


def test_focus_at_infinity() -> None:
    """Sharp from f^2 / (N c) on: the limit of Greenleaf's formula."""
    assert near_limit_m(50, 8, 0.03, math.inf) == pytest.approx(10.4167, abs=TENTH_MM_IN_M)
    assert far_limit_m(50, 8, 0.03, math.inf) == math.inf
    assert blur_disc_mm(50, 8, math.inf, math.inf) == 0
    assert blur_disc_mm(50, 8, math.inf, 10.0) == pytest.approx(
        blur_disc_mm(50, 8, 1e9, 10.0), rel=1e-6
    )


@given(st.floats(0.5, 50.0), st.floats(1.0, 100.0))
def test_focus_between_makes_both_ends_equally_soft(near_m: float, times: float) -> None:
    far_m = near_m * times
    focus_m = focus_between_m(near_m, far_m)
    near_disc = blur_disc_mm(24, 8, focus_m, near_m)
    assert near_disc == pytest.approx(blur_disc_mm(24, 8, focus_m, far_m), rel=1e-6, abs=1e-12)


def test_focus_between_a_stone_and_infinity_is_twice_the_stone() -> None:
    """Common practice, no source: "focus at twice the near distance"."""
    assert focus_between_m(1.2, math.inf) == pytest.approx(2.4)


def test_aperture_for_a_disc_gives_that_disc() -> None:
    needed_n = aperture_for_disc_n(24, 0.012, 2.4, math.inf)
    assert blur_disc_mm(24, needed_n, 2.4, math.inf) == pytest.approx(0.012)


@pytest.mark.parametrize(
    ("diagonal_mm", "divisor", "coc_mm"),
    [
        (43.267, 1000, 0.0433),
        (43.267, 1440, 0.0300),
        (43.267, 1500, 0.0288),
        (43.267, 3000, 0.0144),
        (54.780, 1500, 0.0365),
        (66.720, 1500, 0.0445),
        (28.207, 1500, 0.0188),
        (21.640, 1500, 0.0144),
    ],
)
def test_circle_of_confusion_by_diagonal(diagonal_mm: float, divisor: float, coc_mm: float) -> None:
    """Zeiss: diagonal / 1000 traditional, / 1500 modern; values computed."""
    assert coc_from_diagonal_mm(diagonal_mm, 1 / divisor) == pytest.approx(coc_mm, abs=5e-5)


def test_circle_of_confusion_for_the_classic_print() -> None:
    """0.2 mm on an 8 x 10 inch print at 25 cm, enlarged 7 times: 0.029 mm (theimage.com)."""
    disc_arcmin = math.degrees(math.atan(0.2 / 250)) * 60
    found_mm = coc_for_print_mm(36.0, 7 * 3.6, 25.0, disc_arcmin)
    assert found_mm == pytest.approx(0.2 / 7, rel=1e-4)


def test_a_larger_print_from_the_same_distance_asks_for_a_smaller_disc() -> None:
    """For a print k times larger seen from the same distance use c / k."""
    small = coc_for_print_mm(36, 30, 50)
    assert coc_for_print_mm(36, 90, 50) == pytest.approx(small / 3)
    assert coc_for_print_mm(36, 90, 150) == pytest.approx(small)


def test_print_disc_lies_between_acuity_and_the_film_rule() -> None:
    """One arc-minute is the eye's limit (optometry); 0.2 mm at 25 cm is 2.75 arc-minutes."""
    film_arcmin = math.degrees(math.atan(0.2 / 250)) * 60
    assert 1 < PRINT_DISC_ARCMIN < film_arcmin


def test_impossible_distances_are_refused() -> None:
    with pytest.raises(ValueError, match="aperture_n"):
        hyperfocal_m(50, 0, 0.03)
    with pytest.raises(ValueError, match="beyond the focal length"):
        near_limit_m(50, 8, 0.03, 0.05)
    with pytest.raises(ValueError, match="beyond the focal length"):
        far_limit_m(50, 8, 0.03, math.nan)
    with pytest.raises(ValueError, match="subject_m"):
        blur_disc_mm(50, 8, 5, 0)
    with pytest.raises(ValueError, match="nearer"):
        focus_between_m(5, 4)
