"""Joining two frames: against the geometry of a drawn world and published tables of practice."""

import math

import numpy as np
import pytest
from planted_sweep import Pose, picture, seen_share, world

from audit.optics.panorama import field_of_view_deg, step_deg
from audit.series.register import join, join_near, same_framing
from audit.series.view import ASSUMED_FOCAL_35MM_MM, view_of

SCENE = world(1)


def seen(pose, scene=SCENE, seed=0, short_px=171):
    size_px = (4000, 6000) if pose.upright else (6000, 4000)
    return view_of(picture(scene, pose, seed, short_px), pose.focal_mm, size_px)


@pytest.mark.parametrize(
    ("one", "two"),
    [
        (Pose(), Pose(yaw_deg=26)),
        (Pose(), Pose(yaw_deg=3, pitch_deg=-19, roll_deg=1)),
        (Pose(upright=True), Pose(yaw_deg=-17, upright=True, ev=-2)),
        (Pose(upright=True, focal_mm=24), Pose(yaw_deg=40, focal_mm=24, upright=True)),
        (Pose(pitch_deg=15, focal_mm=24), Pose(yaw_deg=30, pitch_deg=15, focal_mm=24)),
        (Pose(), Pose(yaw_deg=20, upright=True)),
    ],
    ids=["row", "column", "two stops darker", "wide", "pitched up", "turned upright"],
)
def test_overlap_and_turn_are_those_of_the_drawn_cameras(one, two):
    """Truth: rays counted by the test's own pinhole; overlap within the 0.3 points promised."""
    link = join(seen(one), seen(two, seed=1))
    assert link is not None
    truth = (seen_share(one, two) + seen_share(two, one)) / 2
    assert link.overlap == pytest.approx(truth, abs=0.005)
    assert abs(link.brightness_ev - (two.ev - one.ev)) < 0.1


def test_a_full_turn_by_the_published_table_closes():
    """Columbia University, r4110 week 12: 14 upright frames at 24 mm overlap by half at least.

    The turns must add up to 360 degrees, which no focal length or scale can feign.
    """
    frames = 14
    poses = [Pose(yaw_deg=360 / frames * i, focal_mm=24, upright=True) for i in range(frames)]
    views = [seen(pose, seed=i) for i, pose in enumerate(poses)]
    turns = []
    for i in range(frames):
        link = join(views[i], views[(i + 1) % frames])
        assert link is not None
        assert link.overlap >= 0.5
        turns.append(link.yaw_deg)
    assert sum(turns) == pytest.approx(360, abs=1)


def test_the_step_of_30_per_cent_is_measured_as_planned():
    """24 mm side at 50 mm: 26.991 degrees (2 atan(d / 2f)); 30 % of the angle makes 18.894."""
    step = step_deg(field_of_view_deg(24, 50), 0.3)
    assert step == pytest.approx(0.7 * 26.991, abs=0.001)
    link = join(seen(Pose(upright=True)), seen(Pose(upright=True, yaw_deg=step), seed=1))
    assert link is not None
    assert link.yaw_deg == pytest.approx(step, abs=0.1)
    assert link.shift_x_share == pytest.approx(0.7, abs=0.01)


def test_frames_of_other_places_are_not_joined():
    """Six pairs of unrelated worlds."""
    others = [seen(Pose(yaw_deg=90 * i), world(2)) for i in range(3)]
    ours = [seen(Pose(yaw_deg=120 * i)) for i in range(2)]
    assert [join(a, b) for a in ours for b in others] == [None] * 6


def test_blank_sky_proves_nothing():
    """Only noise, and the same vignetting: neither one framing nor an overlap."""
    y, x = np.mgrid[-1:1:171j, -1.5:1.5:256j]
    sky = 190 / (1 + 0.05 * (x**2 + y**2))
    views = [
        view_of(np.rint(sky + np.random.default_rng(i).normal(0, 0.7, sky.shape)).astype("u1"), 35)
        for i in range(2)
    ]
    assert join(*views) is None
    assert same_framing(*views) is None


def test_two_places_that_fit_alike_are_refused():
    """A fence that repeats every 9 degrees: the second-best place is as good as the best."""
    period = round(9 / 0.15)
    fence = np.tile(SCENE[:, :period], (1, math.ceil(SCENE.shape[1] / period)))
    one, two = seen(Pose(), fence), seen(Pose(yaw_deg=20), fence, seed=1)
    assert join(one, two) is None
    step = join(seen(Pose()), seen(Pose(yaw_deg=19), seed=1))
    assert step is not None
    link = join_near(one, two, step)
    assert link is not None
    assert link.yaw_deg == pytest.approx(20, abs=0.1)


def test_a_known_step_proves_nothing_elsewhere():
    """The next frame was turned by half a field more, or shows another place."""
    step = join(seen(Pose()), seen(Pose(yaw_deg=10), seed=1))
    assert step is not None
    assert join_near(seen(Pose()), seen(Pose(yaw_deg=26), seed=1), step) is None
    assert join_near(seen(Pose()), seen(Pose(), world(2)), step) is None


def test_a_reflection_does_not_make_one_framing():
    """A quarter of the light is the first frame again: the turn of 15 degrees fits better."""
    one = picture(SCENE, Pose())
    two = picture(SCENE, Pose(yaw_deg=15), 1)
    both = np.rint(0.4 * one + 0.6 * two).astype("u1")
    assert same_framing(view_of(one, 50), view_of(both, 50)) is None


@pytest.mark.parametrize("short_px", [160, 171, 180])
def test_a_picture_of_whole_rows_is_not_taken_for_square_pixels(short_px):
    """Drawn frames of 2:3 in more or fewer rows than 256 / 1.5: the turn is the drawn one."""
    views = [seen(Pose(pitch_deg=p), seed=i, short_px=short_px) for i, p in enumerate((0, 18))]
    link = join(*views)
    assert link is not None
    assert link.pitch_deg == pytest.approx(18, abs=0.03)
    assert link.overlap == pytest.approx(seen_share(Pose(), Pose(pitch_deg=18)), abs=0.005)


@pytest.mark.parametrize("ev", [0, -2, 2])
def test_one_framing_is_known_whatever_the_exposure(ev):
    link = same_framing(seen(Pose()), seen(Pose(yaw_deg=0.5, ev=ev), seed=1))
    assert link is not None
    assert link.yaw_deg == pytest.approx(0.5, abs=0.1)


def test_a_turned_camera_is_another_framing():
    assert same_framing(seen(Pose()), seen(Pose(yaw_deg=6), seed=1)) is None


def test_breathing_of_the_focus_is_measured_as_zoom():
    link = same_framing(seen(Pose()), view_of(picture(SCENE, Pose(focal_mm=50.6), 1), 50))
    assert link is not None
    assert link.zoom == pytest.approx(50.6 / 50, abs=0.002)


def test_an_assumed_focal_length_is_said():
    """Truth is the assumed focal length itself, so that only the mark differs."""
    poses = [Pose(focal_mm=ASSUMED_FOCAL_35MM_MM, yaw_deg=yaw) for yaw in (0, 40)]
    one, two = (view_of(picture(SCENE, pose, i), None) for i, pose in enumerate(poses))
    link = join(one, two)
    assert link is not None
    assert link.focal_assumed
    assert link.overlap == pytest.approx(seen_share(*poses), abs=0.005)
