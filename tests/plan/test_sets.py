"""Rows and columns, brackets, cameras and cautions."""

import math

import pytest
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as st
from plan.planted_plan import camera, planned

from audit.errors import SettingsError
from audit.plan.bracket import bracket_plan
from audit.plan.camera import camera_of_format, camera_of_sensor, camera_of_sides, camera_of_table
from audit.plan.marks import marked_time_s, nearest_time_s
from audit.plan_records import (
    BracketAsked,
    BracketPlan,
    PanoramaAsked,
    PanoramaPlan,
    StarsAsked,
    WaterAsked,
)
from audit.records import Sensor
from audit.settings import SENSOR_FORMATS, Camera


def bracket(range_ev: float, holds: float = 8, step: float = 2, **more: float) -> BracketPlan:
    return bracket_plan(BracketAsked(range_ev=range_ev, frame_range_ev=holds, step_ev=step, **more))


class TestBracket:
    @pytest.mark.parametrize(
        ("range_ev", "frames"), [(4, 1), (8, 1), (9, 3), (12, 3), (14, 5), (16, 5), (16.1, 7)]
    )
    def test_frames_of_a_range(self, range_ev: float, frames: int) -> None:
        """By hand: n frames two stops apart hold 8 + 2 (n - 1), n odd."""
        assert bracket(range_ev).frames == frames

    @given(st.floats(1, 20), st.floats(2, 14), st.floats(0.5, 2))
    def test_it_holds_the_scene_with_no_pair_to_spare(
        self, range_ev: float, holds: float, step: float
    ) -> None:
        try:
            plan = bracket(range_ev, holds, step)
        except SettingsError:
            assert math.ceil((range_ev - holds) / step) + 1 > 9 - 1
            return
        assert plan.covered_ev >= range_ev - 1e-6
        assert plan.frames == 1 or plan.covered_ev - 2 * step < range_ev
        assert sum(plan.offsets_ev) == pytest.approx(0)

    def test_times_are_marked_ones(self) -> None:
        """Nominal times of the trade: two stops from 1/60 are 1/250 and 1/15."""
        plan = bracket(14, middle_shutter_s=1 / 60)
        assert plan.shutters_s == (1 / 1000, 1 / 250, 1 / 60, 1 / 15, 1 / 4)

    def test_long_times_are_whole_seconds(self) -> None:
        assert nearest_time_s(64.0) == 64.0
        assert nearest_time_s(68.27) == 68.0
        assert marked_time_s(40.9) == 40.0

    def test_a_hole_between_frames_is_refused(self) -> None:
        with pytest.raises(SettingsError, match="at most 1 EV"):
            bracket(14, holds=1)

    def test_more_frames_than_anybody_takes_are_refused(self) -> None:
        with pytest.raises(SettingsError, match=r"at most 9 frames, found 13; widen --step"):
            bracket(20, step=1)


class TestPanorama:
    @given(
        st.floats(20, 85),
        st.floats(30, 300),
        st.floats(20, 90),
        st.floats(0.2, 0.5),
        st.sampled_from(["portrait", "landscape"]),
    )
    @tries(max_examples=25, deadline=None)
    def test_the_field_is_covered_clean_and_frames_overlap_as_asked(
        self, focal_mm: float, width_deg: float, height_deg: float, overlap: float, held: str
    ) -> None:
        asked = PanoramaAsked(
            width_deg=width_deg,
            height_deg=height_deg,
            overlap=overlap,
            held=held,  # type: ignore[arg-type]
        )
        sweep = planned(focal_mm=focal_mm, panorama=asked).panorama
        assert sweep is not None
        assert sweep.width_deg >= width_deg - 1e-6
        assert sweep.height_deg >= height_deg - 1e-6
        assert sweep.overlap is None or sweep.overlap >= overlap - 1e-9
        assert sweep.row_overlap is None or sweep.row_overlap >= overlap - 1e-9
        assert sweep.frames == sweep.rows * sweep.columns
        assert len(sweep.yaws_deg) == sweep.columns
        assert len(sweep.pitches_deg) == sweep.rows
        assert sum(sweep.pitches_deg) == pytest.approx(0, abs=1e-6)
        assert sweep.one_row_less_deg is None or sweep.one_row_less_deg < height_deg
        assert _is_covered(sweep, focal_mm)

    def test_one_frame_where_one_is_enough(self) -> None:
        asked = PanoramaAsked(width_deg=40, height_deg=30, overlap=0.3, held="landscape")
        sweep = planned(focal_mm=24, panorama=asked).panorama
        assert sweep is not None
        assert (sweep.frames, sweep.step_deg, sweep.overlap) == (1, None, None)
        assert sweep.width_deg == pytest.approx(73.74, abs=0.01)
        assert sweep.stitched_width_px == pytest.approx(
            math.radians(73.74) * 24_000 / 4.35, rel=1e-3
        )

    def test_a_field_that_no_cylinder_bears_is_refused(self) -> None:
        asked = PanoramaAsked(width_deg=120, height_deg=159, overlap=0.3, held="portrait")
        with pytest.raises(SettingsError, match="--panorama: expected a height"):
            planned(focal_mm=24, panorama=asked)


def _is_covered(sweep: PanoramaPlan, focal_mm: float) -> bool:
    """Every direction of the clean field falls into a frame: by turning rays alone."""
    wide, high = (24.0, 36.0) if sweep.held == "portrait" else (36.0, 24.0)
    half_w, half_h = (side / 2 / focal_mm + 1e-9 for side in (wide, high))
    top = math.tan(math.radians(sweep.height_deg / 2))
    places = [(i / 8 - 1) for i in range(17)]
    for across in places:
        yaw = math.radians(across * sweep.width_deg / 2)
        for up in places:
            tangent = up * top
            if not any(
                _sees(yaw, tangent, math.radians(y), math.radians(p), half_w, half_h)
                for y in sweep.yaws_deg
                for p in sweep.pitches_deg
            ):
                return False
    return True


def _sees(
    yaw: float, tangent: float, to_yaw: float, to_pitch: float, half_w: float, half_h: float
) -> bool:
    x, y, z = math.sin(yaw - to_yaw), tangent, math.cos(yaw - to_yaw)
    ahead = z * math.cos(to_pitch) + y * math.sin(to_pitch)
    above = y * math.cos(to_pitch) - z * math.sin(to_pitch)
    return ahead > 0 and abs(x) <= half_w * ahead and abs(above) <= half_h * ahead


class TestCamera:
    @pytest.mark.parametrize(
        ("name", "megapixels", "width_px", "pitch_um"),
        [
            ("full-frame", 60.2, 9504, 3.76),
            ("full-frame", 45.4, 8256, 4.35),
            ("44x33", 101.8, 11648, 3.76),
            ("full-frame", 24.0, 6000, 5.97),
        ],
    )
    def test_common_sensors(
        self, name: str, megapixels: float, width_px: int, pitch_um: float
    ) -> None:
        """Pixels and pitches as makers state them (from memory); within 1 %."""
        found = camera_of_format(SENSOR_FORMATS[name], megapixels)
        assert found.width_px == pytest.approx(width_px, rel=0.01)
        assert found.pitch_um == pytest.approx(pitch_um, rel=0.01)

    def test_sides_in_any_order(self) -> None:
        upright = camera_of_sides(24, 36, 5504, 8256, "as given")
        assert (upright.width_mm, upright.width_px) == (36, 8256)
        assert upright.pitch_um == pytest.approx(4.3605, abs=1e-4)

    def test_pixels_that_are_not_square_are_refused(self) -> None:
        with pytest.raises(SettingsError, match=r"square pixels, found 4.36 by 6 um"):
            camera_of_sides(36, 24, 8256, 4000, "as given")

    def test_own_camera(self) -> None:
        own = Camera(model="VK-50", width_mm=36, width_px=8256, height_px=5504)
        assert camera_of_table(own).height_mm == pytest.approx(24.0)
        with pytest.raises(SettingsError, match="VK-50: expected height_px"):
            camera_of_table(Camera(model="VK-50", width_mm=36, width_px=8256))

    def test_a_frame_without_a_pitch_is_no_camera(self) -> None:
        sensor = Sensor(
            width_px=6000, height_px=4000, pitch_um=None, pitch_source=None, basis="raw"
        )
        with pytest.raises(SettingsError, match=r"a.jpg: .*--sensor"):
            camera_of_sensor(sensor, "a.jpg")

    def test_formats_have_the_diagonals_of_the_table(self) -> None:
        """Diagonals of the published table of formats, in mm (computed from the sides)."""
        expected = {
            "full-frame": 43.267,
            "44x33": 54.780,
            "54x40": 66.720,
            "aps-c": 28.207,
            "4/3": 21.640,
        }
        for name, diagonal_mm in expected.items():
            sides = SENSOR_FORMATS[name]
            found_mm = math.hypot(sides.width_mm, sides.height_mm)
            assert found_mm == pytest.approx(diagonal_mm, abs=0.001)


class TestCautions:
    WATER = WaterAsked(speed_m_per_s=2, distance_m=5, shutters_s=(1.0,))
    SWEEP = PanoramaAsked(width_deg=120, height_deg=None, overlap=0.3, held="portrait")

    @pytest.mark.parametrize(
        ("asked", "subjects"),
        [
            ({}, ["general"]),
            ({"water": WATER}, ["general", "water"]),
            ({"stars": StarsAsked()}, ["general", "night"]),
            ({"panorama": SWEEP}, ["general", "panorama"]),
            ({"focal_mm": 200.0}, ["general", "long-lens"]),
            (
                {"water": WATER, "stars": StarsAsked(), "panorama": SWEEP, "focal_mm": 100.0},
                ["general", "water", "night", "long-lens", "panorama"],
            ),
        ],
    )
    def test_only_those_that_the_subjects_call_for(
        self, asked: dict[str, object], subjects: list[str]
    ) -> None:
        assert [each.subject for each in planned(**asked).cautions] == subjects  # type: ignore[arg-type]

    def test_a_small_sensor_makes_a_long_lens(self) -> None:
        """100 mm on 13.2 x 8.8 mm frames like 273 mm."""
        from audit.plan import plan_of
        from audit.plan_records import Asked
        from audit.settings import Settings

        asked = Asked(camera=camera(2.4, 13.2, 8.8), focal_mm=50)
        assert [each.subject for each in plan_of(asked, Settings()).cautions] == [
            "general",
            "long-lens",
        ]

    def test_each_defers_or_warns_in_words(self) -> None:
        texts = " ".join(
            each.text for each in planned(water=self.WATER, stars=StarsAsked()).cautions
        )
        for word in ("edges", "closures", "trained people", "wet rock", "tide", "Alone", "warm"):
            assert word in texts
