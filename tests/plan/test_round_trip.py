"""A planned panorama, drawn as planned, audited by the code that audits real ones: found so.

The world and the camera are those of `planted_sweep`, which shares no geometry with plan or audit.
Tolerances: overlap 0.02 in one row; sizes 1 %; the area of the clean rectangle to one cell of the
audit's grid (a 96th of a frame's long side) at each end.
"""

import pytest
from plan.planted_plan import camera
from planted_sweep import Pose, picture, shot, world

from audit.plan import plan_of
from audit.plan_records import Asked, Held, PanoramaAsked, PanoramaPlan
from audit.records import Panorama
from audit.series.framing import Views, groups
from audit.series.panorama import panorama_of
from audit.series.sweep import sweeps
from audit.settings import Settings

SCENE = world(7)
PITCH_UM = 6.0
"""Of the planted frames: 6000 x 4000 px on 36 x 24 mm."""

CELL_PX = 6000 / 96


def planned(
    focal_mm: float, width_deg: float, height_deg: float | None, overlap: float, held: Held
) -> PanoramaPlan:
    asked = Asked(
        camera=camera(PITCH_UM),
        focal_mm=focal_mm,
        aperture_n=8.0,
        panorama=PanoramaAsked(
            width_deg=width_deg, height_deg=height_deg, overlap=overlap, held=held
        ),
    )
    sweep = plan_of(asked, Settings()).panorama
    assert sweep is not None
    return sweep


def taken(sweep: PanoramaPlan, focal_mm: float) -> tuple[Panorama, int]:
    """The sweep as a person would take it: row by row, from the top; and the frames found."""
    poses = [
        Pose(
            yaw_deg=60 + yaw_deg,
            pitch_deg=pitch_deg,
            focal_mm=focal_mm,
            upright=sweep.held == "portrait",
        )
        for pitch_deg in sweep.pitches_deg
        for yaw_deg in sweep.yaws_deg
    ]
    shots = [shot(i, picture(SCENE, pose, i), pose, 5.0 * i) for i, pose in enumerate(poses)]
    views = Views()
    (found,) = sweeps(groups(shots, views), views)
    panorama, _ = panorama_of(found, views, Settings())
    return panorama, len(found.shots)


def near(value: float, share: float = 0.0, px: float = 0.0) -> object:
    return pytest.approx(value, rel=share, abs=max(px, share * value))


def assert_clean(panorama: Panorama, sweep: PanoramaPlan) -> None:
    """The audit finds a clean rectangle as large as planned.

    The plan's has the whole asked width. The audit looks for the most area, and may give up some
    width at the ends, where the border bows, for height: up to a tenth more area for these fields.
    """
    assert panorama.crop_width_px is not None
    assert panorama.crop_height_px is not None
    found = panorama.crop_width_px * panorama.crop_height_px
    width_px, height_px = sweep.clean_width_px, sweep.clean_height_px
    assert found > (width_px - 2 * CELL_PX) * (height_px - 2 * CELL_PX)
    assert found < 1.1 * width_px * height_px


@pytest.mark.parametrize(
    ("focal_mm", "width_deg", "overlap", "held"),
    [
        (50, 80, 0.3, "portrait"),
        (35, 100, 0.25, "portrait"),
        (35, 110, 0.4, "landscape"),
    ],
)
def test_one_row(focal_mm: float, width_deg: float, overlap: float, held: Held) -> None:
    sweep = planned(focal_mm, width_deg, None, overlap, held)
    panorama, frames = taken(sweep, focal_mm)

    assert frames == sweep.frames
    assert panorama.layout == "horizontal"
    assert not panorama.gaps
    assert not panorama.thin_pairs
    assert len(panorama.pairs) == sweep.frames - 1
    for pair in panorama.pairs:
        assert pair.overlap == pytest.approx(sweep.overlap_width, abs=0.02)
        assert pair.overlap > overlap - 0.02
    assert panorama.stitched_width_px == near(sweep.stitched_width_px, 0.01)
    assert panorama.stitched_height_px == near(sweep.stitched_height_px, 0.01)
    assert_clean(panorama, sweep)


@pytest.mark.parametrize(
    ("focal_mm", "width_deg", "height_deg", "rows"),
    [(50, 60, 55, 2), (70, 45, 55, 3)],
)
def test_rows(focal_mm: float, width_deg: float, height_deg: float, rows: int) -> None:
    """Tilted frames lean together, so a pair overlaps at least as planned for level ones."""
    sweep = planned(focal_mm, width_deg, height_deg, 0.3, "portrait")
    assert sweep.rows == rows
    panorama, frames = taken(sweep, focal_mm)

    assert frames == sweep.frames == sweep.rows * sweep.columns
    assert panorama.layout == "multi-row"
    assert not panorama.gaps
    least = min(sweep.overlap_width or 1.0, sweep.row_overlap_width or 1.0)
    assert min(pair.overlap for pair in panorama.pairs) > least - 0.04
    assert panorama.stitched_width_px == near(sweep.stitched_width_px, 0.01)
    assert panorama.stitched_height_px == near(sweep.stitched_height_px, 0.01)
    assert_clean(panorama, sweep)


def test_a_full_turn_closes() -> None:
    """Fourteen frames of 35 mm at 30 %: the picture is as wide as its circle, 2 pi f / p."""
    sweep = planned(35, 360, None, 0.3, "portrait")
    panorama, frames = taken(sweep, 35)

    assert frames == sweep.frames == 14
    assert sweep.stitched_width_px == near(2 * 3.14159265 * 35_000 / PITCH_UM, 1e-4)
    assert panorama.stitched_width_px == near(sweep.stitched_width_px, 0.01)
    for pair in panorama.pairs:
        assert pair.overlap == pytest.approx(sweep.overlap_width, abs=0.02)
