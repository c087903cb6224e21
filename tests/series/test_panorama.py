"""The audit of a sweep: against closed forms of practice and the drawn cameras."""

import math
from copy import copy
from dataclasses import replace
from functools import partial

import msgspec
import numpy as np
import pytest
from planted_sweep import Pose, picture, shot, world

from audit.optics.panorama import cylinder_width_px, field_of_view_deg
from audit.records import DetailMap, Sharpness
from audit.series.framing import Views, groups
from audit.series.panorama import panorama_of
from audit.series.register import LEAST_EVIDENCE
from audit.series.stitched import Camera, largest_rectangle, stitched
from audit.series.sweep import sweeps
from audit.settings import Settings

SCENE = world(5)
STEP = 19.0


def audited(poses, **more):
    shots = [shot(i, picture(SCENE, p, i), p, 5.0 * i, **more) for i, p in enumerate(poses)]
    return audit_of(shots)


def audit_of(shots):
    views = Views()
    (sweep,) = sweeps(groups(shots, views), views)
    return panorama_of(sweep, views, Settings())


def row(count, **more):
    return [Pose(yaw_deg=STEP * i, upright=True, **more) for i in range(count)]


def turned(yaw_deg, focal_px, size):
    t = math.radians(yaw_deg)
    axes = np.array([[math.cos(t), 0, math.sin(t)], [0, 1, 0], [-math.sin(t), 0, math.cos(t)]])
    return Camera(axes.T, focal_px, *size)


def test_width_is_that_of_the_published_example():
    """120 degrees at 50 mm on 3.76 um make 27 851 px on a cylinder (angle x f / pitch)."""
    focal_px = 50_000 / 3.76
    size = (round(24_000 / 3.76), round(36_000 / 3.76))
    field = field_of_view_deg(24, 50)
    cameras = [turned((120 - field) / 5 * i, focal_px, size) for i in range(6)]
    flat = stitched(cameras, [list(range(6))], vertical=False)
    assert flat.width_px == pytest.approx(27_851, rel=1e-3)
    assert flat.width_px == pytest.approx(cylinder_width_px(120, 50, 3.76), rel=1e-3)
    assert flat.wander_deg == pytest.approx(0, abs=1e-6)
    assert flat.crop_height_px == pytest.approx(flat.level_crop_px, rel=0.02)


def test_a_full_turn_is_as_long_as_its_circle():
    cameras = [turned(360 / 14 * i, 4000.0, (4000, 6000)) for i in range(14)]
    flat = stitched(cameras, [list(range(14))], vertical=False)
    assert flat.full_turn
    assert flat.width_px == pytest.approx(2 * math.pi * 4000, abs=1)


def test_largest_rectangle_of_a_drawn_mask():
    mask = np.zeros((6, 9), bool)
    mask[1:5, 2:8] = True
    mask[:, 3] = True
    assert largest_rectangle(mask) == (6, 4)
    assert largest_rectangle(np.zeros((3, 3), bool)) == (0, 0)


def test_size_of_a_measured_sweep():
    """(3 steps + one field) x f: 3 x 19 + 26.991 degrees at 50 mm on 6 um pixels."""
    panorama, _ = audited(row(4))
    truth = math.radians(3 * STEP + 26.991) * 50_000 / 6
    assert panorama.stitched_width_px == pytest.approx(truth, rel=0.005)
    assert panorama.crop_width_px <= panorama.stitched_width_px
    assert not panorama.exposure_outliers
    assert panorama.weakest is None
    assert not panorama.changed


@pytest.mark.parametrize("bend", [-0.008, 0.0, 0.02])
def test_a_lens_that_bends_lines_does_not_change_the_size(bend):
    """Barrel of 2 % in the corner makes a pinhole's turns at 28 mm over 1 % too small."""
    step = 35.0
    poses = [Pose(yaw_deg=step * i, upright=True, focal_mm=28, bend=bend) for i in range(4)]
    panorama, _ = audited(poses)
    truth = math.radians(3 * step + field_of_view_deg(24, 28)) * 28_000 / 6
    assert panorama.stitched_width_px == pytest.approx(truth, rel=0.003)


def test_two_frames_are_measured_like_many():
    panorama, _ = audited(row(2))
    truth = math.radians(STEP + 26.991) * 50_000 / 6
    assert panorama.stitched_width_px == pytest.approx(truth, rel=0.005)
    assert panorama.weakest is None


def test_fisheye_frames_are_not_joined():
    """Equidistant at 15 mm, the usual diagonal fisheye on 24 x 36 mm (from memory)."""
    poses = [Pose(yaw_deg=30.0 * i, upright=True, focal_mm=15, fisheye=True) for i in range(4)]
    shots = [shot(i, picture(SCENE, p, i), p, 5.0 * i) for i, p in enumerate(poses)]
    views = Views()
    assert sweeps(groups(shots, views), views) == []


def test_a_lens_that_bends_lines_too_far_gets_no_sizes():
    """Barrel of 6 %: between a rectilinear lens and a fisheye."""
    poses = [Pose(yaw_deg=35.0 * i, upright=True, focal_mm=28, bend=0.06) for i in range(4)]
    panorama, notes = audited(poses)
    assert panorama.stitched_width_px is None
    assert any("The lens is not rectilinear" in note for note in notes)


def test_a_field_wider_than_any_rectilinear_lens_gets_no_sizes():
    """10 mm on 24 x 36 mm: 122 degrees along (2 atan(d / 2f))."""
    poses = [Pose(yaw_deg=35.0 * i, upright=True, focal_mm=10) for i in range(3)]
    panorama, notes = audited(poses)
    assert panorama.stitched_width_px is None
    assert any("122 degrees along the frame is a fisheye's field" in note for note in notes)


def test_turns_that_do_not_close_give_no_sizes():
    """One join of a loop of two rows is turned by 4 degrees."""
    poses = [*row(3, pitch_deg=14), *row(3, pitch_deg=-12)]
    shots = [shot(i, picture(SCENE, p, i), p, 5.0 * i) for i, p in enumerate(poses)]
    views = Views()
    (sweep,) = sweeps(groups(shots, views), views)
    off = turned(4.0, 1.0, (1, 1)).rotation
    last = sweep.joints[-1]
    sweep.joints[-1] = last._replace(link=last.link._replace(rotation=last.link.rotation @ off))
    panorama, notes = panorama_of(sweep, views, Settings())
    assert panorama.stitched_width_px is None
    assert any("the turns do not close by 4.0 degrees" in note for note in notes)


@pytest.mark.parametrize(("moved_px", "is_told"), [(0, False), (4, True)])
def test_parallax_is_told(moved_px, is_told):
    """By hand: every other band of the second frame is moved aside by 4 of 171 px, to and fro."""
    poses = row(3)
    second = picture(SCENE, poses[1], 1)
    for i, top in enumerate(range(0, 256, 32)):
        second[top : top + 32] = np.roll(second[top : top + 32], moved_px // 2 * (-1) ** i, axis=1)
    grey = {1: second}
    shots = [shot(i, grey.get(i, picture(SCENE, p, i)), p, 5.0 * i) for i, p in enumerate(poses)]
    _, notes = audit_of(shots)
    assert any("(parallax)" in note for note in notes) == is_told


def test_thin_overlap_is_named():
    """23.5 of 27 degrees: 12 % in common, under the 15 % of practice (no source)."""
    poses = [Pose(yaw_deg=a, upright=True) for a in (0, 19, 42.5)]
    panorama, notes = audited(poses)
    assert panorama.thin_pairs == (("sweep_0001.jpg", "sweep_0002.jpg"),)
    assert any("joining is at risk" in note for note in notes)


def test_a_gap_withholds_the_sizes():
    poses = [Pose(yaw_deg=STEP * i, upright=True) for i in (0, 1, 2, 4, 5, 6)]
    panorama, notes = audited(poses)
    assert panorama.gaps == (("sweep_0002.jpg", "sweep_0003.jpg"),)
    assert panorama.unlinked == ("sweep_0003.jpg", "sweep_0004.jpg", "sweep_0005.jpg")
    assert panorama.stitched_width_px is None
    assert panorama.print is None
    assert any("do not overlap, or by less than 5 %" in note for note in notes)


def test_wander_costs_height():
    """A row that climbs 6 degrees loses about 6 degrees x f of its height: 870 px at 8333 px."""
    poses = [replace(pose, pitch_deg=2.0 * i) for i, pose in enumerate(row(4))]
    straight, _ = audited(row(4))
    panorama, _ = audited(poses)
    # Levelling may turn a steady climb into a tilt of the whole; what is lost is measured.
    assert straight.wander_cost_px < 150
    assert panorama.crop_height_px < straight.crop_height_px - 300


def test_a_frame_of_another_exposure_is_named():
    """0.7 EV in the drawn light; the promise is 0.15 EV."""
    poses = row(5)
    poses[2] = replace(poses[2], ev=0.7)
    panorama, notes = audited(poses)
    assert panorama.exposure_outliers == ("sweep_0002.jpg",)
    assert any("0.7 EV brighter" in note for note in notes)


def detail_of(level_log2, loss_log2, seed, hidden=()):
    """Energies that rise by 2, 1.5 and 1 log2 from arm to arm, less what a blur takes of each."""
    rng = np.random.default_rng(seed)
    tiles = level_log2 + np.cumsum([0, 2, 1.5, 1])[:, None, None] + rng.normal(0, 0.05, (4, 24, 16))
    tiles += loss_log2 * np.array([1.33, 0.66, 0.33, 0.2])[:, None, None]
    packed = np.rint(100 * tiles[1:]).astype("<i2")
    for arm in hidden:
        packed[arm] = np.iinfo(np.int16).min
    fine = tuple(tuple(float(each) for each in row) for row in tiles[0])
    return DetailMap(rows=24, cols=16, log2_energy=fine, log2_floor=-24.0, coarser=packed.tobytes())


def measured(made, detail, edge_width_px=1.5):
    sharp = Sharpness(
        laplacian_variance=None,
        energy=None,
        edge_width_px=edge_width_px,
        edge_width_low_px=None,
        edge_width_high_px=None,
        mtf50_cpp=None,
        edges=50,
        measurable=True,
    )
    row = msgspec.structs.replace(made.row, sharpness=sharp)
    return replace(made, detail_source=partial(copy, detail), row=row)


def weak_row(losses, evs=(0, 0, 0, 0, 0)):
    """Five frames whose finest detail lacks so much."""
    shots = []
    for i, pose in enumerate(row(5)):
        lit = replace(pose, ev=evs[i])
        made = shot(i, picture(SCENE, lit, i), lit, 5.0 * i)
        detail = detail_of(-10.0 + 2 * evs[i], losses[i], i)
        shots.append(measured(made, detail, 1.5 if losses[i] > -1 else 3.0))
    return shots


def test_the_weakest_frame_is_the_one_with_less_fine_over_coarse_detail():
    """Two frames read low: one was underexposed by 1 EV (2 log2 of energy), one is soft."""
    panorama, notes = audit_of(weak_row([0, 0, 0, -1.2, 0], evs=(0, -1.0, 0, 0, 0)))
    assert panorama.weakest == "sweep_0003.jpg"
    assert any(note.startswith("The weakest frame is sweep_0003.jpg: 4") for note in notes)
    assert panorama.print is not None
    assert panorama.print.limited_by == "softness"
    # Half the sharpness, half the print: 3.0 px against the 1.5 px of a fully sharp frame.
    longest = max(panorama.crop_width_px, panorama.crop_height_px)
    assert panorama.print.long_cm == pytest.approx(longest * 50 / 3437.75 / 2, rel=1e-3)


@pytest.mark.parametrize("losses", [[0, 0, 0, 0, 0], [0, 0, 0, -0.08, 0], [0, -1.2, 0, -1.2, 0]])
def test_no_frame_is_the_weakest_where_none_stands_out(losses):
    """None is soft, one hardly, or two are alike."""
    panorama, _ = audit_of(weak_row(losses))
    assert panorama.weakest is None


def test_without_coarser_energies_the_weakest_is_not_told():
    shots = weak_row([0, 0, 0, -1.2, 0])
    bare = [
        replace(
            each,
            detail_source=partial(msgspec.structs.replace, each.detail, coarser=b""),
        )
        for each in shots
    ]
    assert audit_of(bare)[0].weakest is None


def test_a_white_spectrum_is_noise_and_names_no_frame():
    """Energies that do not rise from arm to arm: only noise, in one frame less than in the rest."""
    shots = []
    for i, each in enumerate(weak_row([0] * 5)):
        level = -12.0 if i == 2 else -10.0
        flat = np.full((3, 24, 16), 100 * level).astype("<i2").tobytes()
        tiles = ((level,) * 16,) * 24
        noisy = DetailMap(rows=24, cols=16, log2_energy=tiles, log2_floor=-24.0, coarser=flat)
        shots.append(replace(each, detail_source=partial(copy, noisy)))
    assert audit_of(shots)[0].weakest is None


@pytest.mark.parametrize(
    ("soft", "named"),
    [((-1.0, -1.0, -1.0), "sweep_0008.jpg"), ((-3.0, -1.0, -1.0), "sweep_0006.jpg")],
    ids=["all alike: the longest", "the darkest is softer"],
)
def test_of_a_bracketed_position_the_longest_exposure_is_named(soft, named):
    """Four brackets of three, dark to bright; shake acts longest in the longest exposure."""
    shots = []
    for i, pose in enumerate(row(4)):
        for k, ev in enumerate((-2.0, 0.0, 2.0)):
            at = 3 * i + k
            lit = replace(pose, ev=ev)
            made = shot(at, picture(SCENE, lit, at), lit, 8.0 * i + k, shutter_s=0.01 * 2**ev)
            loss = soft[k] if i == 2 else 0.0
            shots.append(measured(made, detail_of(-12.0 + 2 * ev, loss, at)))
    panorama, notes = audit_of(shots)
    assert panorama.weakest == named
    position = "of the position sweep_0006.jpg, sweep_0007.jpg and sweep_0008.jpg"
    assert any(position in note for note in notes)


@pytest.mark.parametrize(("share", "is_told"), [(1.2, True), (30.0, False)])
def test_a_step_unlike_the_others_is_doubted_where_little_proves_it(share, is_told):
    """Turns of 12, 19 and 19 degrees; a join needs an evidence of `LEAST_EVIDENCE`."""
    poses = [Pose(yaw_deg=a, upright=True) for a in (0, 12, 31, 50)]
    shots = [shot(i, picture(SCENE, p, i), p, 5.0 * i) for i, p in enumerate(poses)]
    views = Views()
    (sweep,) = sweeps(groups(shots, views), views)
    sweep.joints = [
        each._replace(link=each.link._replace(likelihood=share * LEAST_EVIDENCE, second_share=0.0))
        for each in sweep.joints
    ]
    panorama, notes = panorama_of(sweep, views, Settings())
    told = [note for note in notes if "the step differs from the others" in note]
    assert len(told) == is_told
    assert (panorama.stitched_width_px is None) == is_told
    assert any("a step differs" in note for note in notes) == is_told
    if is_told:
        assert told[0].startswith("sweep_0000.jpg and sweep_0001.jpg")


def test_without_a_focal_length_no_size_is_given():
    poses = [Pose(yaw_deg=26.0 * i, focal_mm=28, upright=True) for i in range(3)]
    shots = [
        shot(i, picture(SCENE, p, i), p, 5.0 * i, focal_known=False) for i, p in enumerate(poses)
    ]
    panorama, notes = audit_of(shots)
    assert panorama.focal_assumed
    assert panorama.stitched_width_px is None
    assert any("assumed" in note for note in notes)
