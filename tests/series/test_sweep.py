"""Sweeps among the frames of a card: rows, gaps, and what is no sweep. Truth: the drawn cameras."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from planted_sweep import Pose, picture, seen_share, shot, world

from audit.series.framing import Views, groups
from audit.series.register import join
from audit.series.sweep import sweeps

SCENE = world(3)
STEP = 19.0
"""Degrees: 30 % of the 27 degrees of an upright frame at 50 mm stay common."""


def row(*steps, **more):
    """Poses of upright frames at multiples of the step."""
    return [Pose(yaw_deg=STEP * i, upright=True, **more) for i in steps]


def card(poses, seconds=None, pictures=None, **more):
    seconds = seconds or [5.0 * i for i in range(len(poses))]
    pictures = pictures or {}
    return [
        shot(i, pictures.get(i, picture(SCENE, pose, i)), pose, seconds[i], **more)
        for i, pose in enumerate(poses)
    ]


def found(shots):
    views = Views()
    return sweeps(groups(shots, views), views), views


def places(sweep):
    return [each.place for each in sweep.shots]


def blank():
    return np.full((256, 171), 180, np.uint8)


@pytest.mark.parametrize(
    ("poses", "layout"),
    [
        (row(0, 1, 2, 3), "horizontal"),
        ([Pose(pitch_deg=p) for p in (19, 0, -19)], "vertical"),
        ([*row(0, 1, 2, pitch_deg=14), *row(2, 1, 0, pitch_deg=-12)], "multi-row"),
        ([*row(0, 1, 2, pitch_deg=14), *row(0, 1, 2, pitch_deg=-12)], "multi-row"),
    ],
    ids=["row", "column", "rows to and fro", "rows all one way"],
)
def test_sweeps_are_found_whole(poses, layout):
    (sweep,), views = found(card(poses))
    assert places(sweep) == list(range(len(poses)))
    assert sweep.layout == layout
    assert not sweep.breaks
    assert not sweep.unlinked
    assert views.pairs <= 2 * len(poses)


def half_fenced(*, fence_first):
    """The drawn world with a fence, repeating every 7 degrees, on one side of 100 degrees.

    Upright frames 19 degrees apart show 8 degrees in common: places some boards off fit as
    well, or better, and only a step elsewhere in the sweep tells which one is right.
    """
    period, bound = round(7 / 0.15), round(100 / 0.15)
    fence = np.tile(SCENE[:, :period], (1, 60))[:, : SCENE.shape[1]]
    west, east = (fence, SCENE) if fence_first else (SCENE, fence)
    return np.concatenate([west[:, :bound], east[:, bound:]], axis=1)


@pytest.mark.parametrize(
    ("first", "fence_first", "alone"),
    [(4.93, False, (1, 2)), (3.6, True, (0, 1))],
    ids=["after a known step", "before a known step"],
)
def test_a_fence_is_joined_where_the_step_beside_it_leads(first, fence_first, alone):
    """Two neighbours that nothing proves by themselves; the sweep is whole all the same."""
    poses = row(*(first + i for i in range(3)))
    scene = half_fenced(fence_first=fence_first)
    shots = card(poses, pictures={i: picture(scene, pose, i) for i, pose in enumerate(poses)})
    one, two = (shots[i].view() for i in alone)
    assert join(one, two) is None

    (sweep,), _ = found(shots)

    assert places(sweep) == [0, 1, 2]
    assert not sweep.breaks
    assert not sweep.unlinked
    truth = seen_share(poses[alone[0]], poses[alone[1]])
    (joint,) = [each for each in sweep.joints if (each.a, each.b) == alone]
    assert joint.link.overlap == pytest.approx(truth, abs=0.01)


def test_a_missing_frame_is_a_gap():
    (sweep,), _ = found(card(row(0, 1, 2, 4, 5, 6)))
    assert [(each.a, each.b, each.blank) for each in sweep.breaks] == [(2, 3, False)]


@pytest.mark.parametrize("alone", [0, 4])
def test_a_lone_frame_beyond_a_gap_is_a_possible_member(alone):
    steps = [0, 2, 3, 4, 5] if alone == 0 else [0, 1, 2, 3, 5]
    (sweep,), _ = found(card(row(*steps)))
    assert places(sweep) == [0, 1, 2, 3, 4]
    assert sweep.possible == [alone]
    assert [(each.a, each.b) for each in sweep.breaks] == [(0, 1) if alone == 0 else (3, 4)]


def test_a_missing_frame_of_two_rows_is_a_hole():
    poses = [*row(0, 1, 3, 4, pitch_deg=14), *row(4, 3, 2, 1, 0, pitch_deg=-12)]
    (sweep,), _ = found(card(poses))
    assert [(each.a, each.b, each.missing) for each in sweep.breaks] == [(1, 2, 1)]


def test_a_blank_frame_cannot_be_verified():
    """It is kept as a member, but neither joined nor called a gap."""
    (sweep,), _ = found(card(row(0, 1, 2, 3, 4), pictures={4: blank()}))
    assert places(sweep) == [0, 1, 2, 3, 4]
    assert [(each.a, each.b, each.blank) for each in sweep.breaks] == [(3, 4, True)]


def test_three_frames_with_a_blank_end_are_one_sweep():
    """The third is as little proven to belong as not to: it stays, and is called unverified."""
    (sweep,), _ = found(card(row(0, 1, 2), pictures={2: blank()}))
    assert places(sweep) == [0, 1, 2]
    assert [(each.a, each.b, each.blank) for each in sweep.breaks] == [(1, 2, True)]


def test_three_frames_of_which_one_is_elsewhere_are_a_pair():
    (sweep,), _ = found(card(row(0, 1, 5)))
    assert places(sweep) == [0, 1]


def test_a_dark_marker_is_no_member():
    (sweep,), _ = found(card(row(0, 1, 2, 3, 3), pictures={4: np.full((256, 171), 12, np.uint8)}))
    assert places(sweep) == [0, 1, 2, 3]


def test_two_frames_are_a_sweep_only_by_a_clear_step():
    (sweep,), _ = found(card(row(0, 1)))
    assert places(sweep) == [0, 1]
    aside = [Pose(upright=True), Pose(yaw_deg=9, pitch_deg=10, upright=True)]
    assert found(card(aside))[0] == []
    assert found(card(row(0, 1), seconds=[0, 40]))[0] == []


def test_frames_composed_anew_are_no_sweep():
    poses = [Pose(), Pose(yaw_deg=10, pitch_deg=6), Pose(yaw_deg=10, pitch_deg=6, focal_mm=70)]
    assert found(card([*poses, Pose(upright=True)]))[0] == []


@pytest.mark.parametrize("aperture_n", [16.0, None])
def test_a_frame_at_another_aperture_is_another_picture(aperture_n):
    """Depth of field is held over a sweep (common practice, no source); unknown is no change."""
    shots = card(row(0, 1, 2, 3))
    exposure = msgspec.structs.replace(shots[3].exposure, aperture_n=aperture_n)
    shots[3] = replace(shots[3], row=msgspec.structs.replace(shots[3].row, exposure=exposure))

    (sweep,), _ = found(shots)

    assert places(sweep) == ([0, 1, 2] if aperture_n else [0, 1, 2, 3])


def test_a_second_sweep_of_the_same_place_is_another():
    poses = row(0, 1, 2, 3, 0, 1, 2, 3)
    both, _ = found(card(poses, seconds=[0, 5, 10, 15, 60, 65, 70, 75]))
    assert [places(sweep) for sweep in both] == [[0, 1, 2, 3], [4, 5, 6, 7]]


def test_a_bracketed_sweep_is_one_sweep_of_brackets():
    poses = [replace(pose, ev=ev) for pose in row(0, 1, 2) for ev in (0, -2, 2)]
    seconds = [20.0 * (i // 3) + i % 3 for i in range(9)]
    shots = [
        shot(i, picture(SCENE, pose, i), pose, seconds[i], shutter_s=0.01 * 2**pose.ev)
        for i, pose in enumerate(poses)
    ]
    (sweep,), _ = found(shots)
    assert places(sweep) == [0, 3, 6]
    assert [len(position) for position in sweep.positions] == [3, 3, 3]
