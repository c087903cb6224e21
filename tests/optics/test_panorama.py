"""Panorama geometry agrees with a published table of frames and with plain projection."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.optics.panorama import (
    corner_width_deg,
    cylinder_height_px,
    cylinder_width_px,
    dipped_edge_deg,
    field_frames,
    field_of_view_deg,
    flat_row_width_px,
    full_turn_frames,
    overlap_share,
    overlap_width_share,
    raised_edge_deg,
    seam_width_deg,
    step_deg,
)


@pytest.mark.parametrize(
    ("side_mm", "focal_mm", "fov_deg"),
    [
        (36, 24, 73.740),
        (36, 35, 54.432),
        (36, 50, 39.598),
        (24, 24, 53.130),
        (24, 35, 37.849),
        (24, 50, 26.991),
        (24, 85, 16.071),
        (24, 100, 13.686),
        (43.8, 30, 72.259),
    ],
)
def test_field_of_view(side_mm: float, focal_mm: float, fov_deg: float) -> None:
    """Rectilinear lens focused at infinity; values computed from 2 atan(d / 2f)."""
    assert field_of_view_deg(side_mm, focal_mm) == pytest.approx(fov_deg, abs=0.001)


@pytest.mark.parametrize(
    ("focal_mm", "counts", "published"),
    [
        (14, (6, 7, 9), 10),
        (20, (8, 9, 12), 12),
        (24, (9, 10, 14), 14),
        (35, (12, 14, 20), 20),
        (50, (17, 20, 27), 28),
        (85, (29, 33, 45), 46),
        (100, (33, 38, 53), 54),
        (200, (66, 75, 105), 106),
    ],
)
def test_frames_of_a_full_turn(focal_mm: float, counts: tuple[int, ...], published: int) -> None:
    """Upright frames of 24 mm, at 20, 30 and 50 % (computed).

    Published: Columbia University r4110, week 12, "at least 50 %", rounded up to even numbers.
    """
    fov_deg = field_of_view_deg(24, focal_mm)
    found = [full_turn_frames(step_deg(fov_deg, overlap)) for overlap in (0.2, 0.3, 0.5)]
    assert tuple(found) == counts
    assert found[2] + found[2] % 2 == published


def test_frames_of_a_partial_field() -> None:
    """50 mm upright, 120 degrees, 30 % overlap: 6 frames (computed)."""
    assert field_frames(120, field_of_view_deg(24, 50), 0.3) == 6
    assert field_frames(20, field_of_view_deg(24, 50), 0.3) == 1


def test_whole_numbers_of_steps_do_not_gain_a_frame_by_rounding() -> None:
    """In binary 360 / (24 x 0.6) is 25.000000000000004, and one step of 36 x 0.7 a shade over 1."""
    assert full_turn_frames(step_deg(24.0, 0.4)) == 25
    assert field_frames(36 + 36 * (1 - 0.3), 36, 0.3) == 2


@given(st.floats(20, 300), st.floats(5, 100), st.floats(0, 0.8))
def test_planned_frames_cover_the_field_and_one_fewer_would_not(
    field_deg: float, fov_deg: float, overlap: float
) -> None:
    frames = field_frames(field_deg, fov_deg, overlap)
    step = step_deg(fov_deg, overlap)
    assert fov_deg + (frames - 1) * step >= field_deg - 1e-6
    if frames > 1:
        assert fov_deg + (frames - 2) * step < field_deg


@given(st.floats(5, 100), st.floats(0, 0.9))
def test_overlap_comes_back_from_the_step(fov_deg: float, overlap: float) -> None:
    assert overlap_share(fov_deg, step_deg(fov_deg, overlap)) == pytest.approx(overlap, abs=1e-9)


@pytest.mark.parametrize(("fov_deg", "step"), [(27, 18.9), (53.13, 37.2), (80, 40), (27, 30)])
def test_overlap_in_pixels_by_projecting_the_neighbours_edge(fov_deg: float, step: float) -> None:
    """Pinhole projection of a direction vector, turned by a rotation matrix."""
    half, turn = math.radians(fov_deg / 2), math.radians(step)
    edge_x, edge_z = -math.sin(half), math.cos(half)
    seen_x = edge_x * math.cos(turn) + edge_z * math.sin(turn)
    seen_z = -edge_x * math.sin(turn) + edge_z * math.cos(turn)
    rim = math.tan(half)
    expected = (rim - seen_x / seen_z) / (2 * rim)
    assert overlap_width_share(fov_deg, step) == pytest.approx(expected, abs=1e-9)


def test_a_gap_is_a_negative_overlap() -> None:
    assert overlap_share(27, 30) < 0
    assert overlap_width_share(27, 30) < 0
    assert overlap_width_share(27, 27) == pytest.approx(0, abs=1e-12)


def test_long_lenses_overlap_alike_in_angle_and_in_pixels() -> None:
    assert overlap_width_share(5, 3.5) == pytest.approx(overlap_share(5, 3.5), abs=1e-3)
    assert overlap_width_share(73.74, 51.6) > overlap_share(73.74, 51.6)


def test_stitched_widths() -> None:
    """6336 px, 5 frames, 30 %: 24 077 px; 50 mm on 3.76 um over 120 degrees: 27 851 (computed)."""
    assert flat_row_width_px(6336, 5, 0.3) == pytest.approx(24077, abs=1)
    assert cylinder_width_px(120, 50, 3.76) == pytest.approx(27851, abs=1)
    assert flat_row_width_px(6336, 1, 0.3) == 6336


def test_impossible_panoramas_are_refused() -> None:
    for call in (
        lambda: field_of_view_deg(0, 50),
        lambda: full_turn_frames(0),
        lambda: field_frames(-1, 27, 0.3),
        lambda: cylinder_width_px(120, 50, 0),
        lambda: flat_row_width_px(6336, 0, 0.3),
    ):
        with pytest.raises(ValueError, match="must be a finite number above 0"):
            call()
    with pytest.raises(ValueError, match="overlap_share"):
        step_deg(27, 1.0)
    with pytest.raises(ValueError, match="no flat frames"):
        overlap_width_share(40, 120)


def test_borders_of_tilted_rows() -> None:
    """By hand, where the tangents are plain: tan 45 = 1, cos 30 = 0.86603, atan of it 40.893."""
    assert dipped_edge_deg(45, 60) == pytest.approx(40.893, abs=1e-3)
    assert raised_edge_deg(40.8934, 60) == pytest.approx(45, abs=1e-3)
    assert seam_width_deg(90, 60) == pytest.approx(2 * 40.893, abs=2e-3)
    assert dipped_edge_deg(30, 0) == pytest.approx(30)
    assert corner_width_deg(50, 40, 0) == pytest.approx(50)
    assert cylinder_height_px(45, -45, 50, 5) == pytest.approx(20_000)


@given(st.floats(10, 90), st.floats(10, 60), st.floats(0, 40))
def test_corners_of_a_tilted_frame(fov_deg: float, across_deg: float, tilt_deg: float) -> None:
    """The upper corner as a ray, turned by the tilt: its longitude, written out."""
    x, up = math.tan(math.radians(fov_deg / 2)), math.tan(math.radians(across_deg / 2))
    tilt = math.radians(tilt_deg)
    ahead = math.cos(tilt) - up * math.sin(tilt)
    expected = 2 * math.degrees(math.atan2(x, ahead))
    assert corner_width_deg(fov_deg, across_deg, tilt_deg) == pytest.approx(expected)
    assert corner_width_deg(fov_deg, across_deg, -tilt_deg) == pytest.approx(expected)


@pytest.mark.parametrize(
    "call",
    [
        lambda: dipped_edge_deg(90, 10),
        lambda: raised_edge_deg(-1, 10),
        lambda: seam_width_deg(40, 180),
        lambda: corner_width_deg(40, 40, 70),
        lambda: cylinder_height_px(10, 20, 50, 5),
    ],
)
def test_angles_that_no_frame_has_are_refused(call: Callable[[], float]) -> None:
    with pytest.raises(ValueError, match=r"angle|elevation|flat frame"):
        call()
