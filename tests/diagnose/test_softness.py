"""Why a frame is soft: each rule with its figure, its limit, its doubt and its advice."""

from collections.abc import Callable

import pytest

from audit.diagnose import judge
from audit.diagnose.focus_place import focus_place
from audit.records import Finding, Reading, SharpnessMap
from audit.settings import Settings

MakeReading = Callable[..., Reading]
DEFAULTS = Settings()
SMEARED = {
    "edge_width_px": 5.0,
    "smear_px": 6.0,
    "smear_angle_deg": 30.0,
    "smear_confidence": 0.9,
}

MOVED = {
    "moved_share": 0.2,
    "moved_px": 8.0,
    "moved_angle_deg": 90.0,
    "moved_confidence": 0.25,
    "smear_confidence": 0.1,
}


def found(reading: Reading, kind: str) -> Finding | None:
    findings = judge(reading, DEFAULTS).findings
    return next((each for each in findings if each.kind == kind), None)


def rows_of(*widths: float | None) -> SharpnessMap:
    """A map of nine rows, one width a row, four columns."""
    assert len(widths) == 9
    return SharpnessMap(rows=9, cols=4, edge_width_px=tuple((w, w, w, w) for w in widths))


NEAR_GROUND = rows_of(4.4, 4.2, 4.0, 3.6, 3.2, 3.0, 2.6, 2.5, 2.5)


class TestMissedFocus:
    """Softness alike in all directions."""

    def test_the_plane_of_focus_is_placed_where_the_map_tells(
        self, make_reading: MakeReading
    ) -> None:
        soft = found(make_reading(edge_width_px=3.2, map=NEAR_GROUND), "missed-focus")

        assert soft is not None
        assert "lower third, the near ground" in soft.message
        assert soft.advice.startswith("Focus farther away")

    def test_no_place_is_named_on_an_even_map(self, make_reading: MakeReading) -> None:
        even = found(make_reading(edge_width_px=3.2, map=rows_of(*[3.3] * 9)), "missed-focus")

        assert even is not None
        assert "sharpest edges lie" not in even.message

    def test_a_near_smear_takes_confidence(self, make_reading: MakeReading) -> None:
        """The more a smear is likely, the less the focus is to blame."""
        sure, unsure = (
            found(
                make_reading(edge_width_px=5.0, smear_px=3.0, smear_confidence=confidence),
                "missed-focus",
            )
            for confidence in (0.05, 0.5)
        )

        assert sure is not None
        assert unsure is not None
        assert unsure.confidence < 0.6 * sure.confidence

    def test_an_untold_shape_is_said(self, make_reading: MakeReading) -> None:
        untold = found(make_reading(edge_width_px=5.0), "missed-focus")
        told = found(make_reading(edge_width_px=5.0, smear_confidence=0.05), "missed-focus")

        assert untold is not None
        assert told is not None
        assert "cannot be told" in untold.message
        assert "cannot be told" not in told.message
        assert untold.confidence < told.confidence


class TestFocusPlace:
    """Thirds of the map."""

    @pytest.mark.parametrize(
        ("tiles", "words"),
        [
            (NEAR_GROUND, "lower third"),
            (rows_of(2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 4.0, 4.0, 4.0), "upper third"),
            (rows_of(4.0, 4.0, 4.0, 2.0, 2.0, 2.0, 3.0, 3.0, 3.0), "middle third"),
        ],
    )
    def test_the_sharpest_third_is_named(self, tiles: SharpnessMap, words: str) -> None:
        place = focus_place(tiles)

        assert place is not None
        assert words in place.words

    def test_sides_are_named_too(self) -> None:
        row = (2.0, 2.0, 3.0, 3.0, 3.5, 3.5)
        place = focus_place(SharpnessMap(rows=3, cols=6, edge_width_px=(row, row, row)))

        assert place is not None
        assert "left side" in place.words

    def test_a_small_difference_or_few_tiles_name_nothing(self) -> None:
        few = rows_of(2.0, None, None, 4.0, None, None, None, None, None)

        assert focus_place(rows_of(*[3.0] * 3, *[3.2] * 3, *[3.4] * 3)) is None
        assert focus_place(few) is None
        assert focus_place(None) is None


class TestCameraShake:
    """One direction."""

    def test_the_finding_carries_the_readings_confidence(self, make_reading: MakeReading) -> None:
        shake = found(make_reading(**SMEARED), "camera-shake")

        assert shake is not None
        assert shake.confidence == 0.9
        assert "6.0 px up to the right (30 deg)" in shake.message

    def test_a_sharp_enough_frame_may_be_smeared_all_the_same(
        self, make_reading: MakeReading
    ) -> None:
        """Edges across the movement stay crisp, so the width alone is no alibi."""
        shake = found(make_reading(**{**SMEARED, "edge_width_px": 2.2}), "camera-shake")

        assert shake is not None

    def test_a_direction_that_is_not_known_is_not_made_up(self, make_reading: MakeReading) -> None:
        shake = found(
            make_reading(**{**SMEARED, "smear_px": 2.1, "smear_angle_deg": None}), "camera-shake"
        )

        assert shake is not None
        assert "deg)" not in shake.message


class TestSlowShutter:
    """1/160 s at 35 mm on 4.36 um pixels: a hand that sways 1.72 deg/s draws 1.5 px (computed)."""

    def test_a_slow_and_sharp_frame_stood_on_a_tripod(self, make_reading: MakeReading) -> None:
        assert judge(make_reading(shutter_s=1.0), DEFAULTS).findings == ()

    @pytest.mark.parametrize(("shutter_s", "named"), [(1 / 200, False), (1 / 100, True)])
    def test_the_time_counts_with_a_smear(
        self, make_reading: MakeReading, shutter_s: float, named: bool
    ) -> None:
        slow = found(make_reading(**SMEARED, shutter_s=shutter_s), "slow-shutter")

        assert (slow is not None) == named

    def test_an_even_softness_may_be_the_hand_if_time_allows_and_is_doubtful(
        self, make_reading: MakeReading
    ) -> None:
        """5 px edges ask for a 9 px path: 1/125 s draws 2 px, 1/15 s draws 16 px."""
        fast = found(make_reading(edge_width_px=5.0, shutter_s=1 / 125), "slow-shutter")
        slow = found(make_reading(edge_width_px=5.0, shutter_s=1 / 15), "slow-shutter")

        assert fast is None
        assert slow is not None
        assert slow.confidence < 0.5
        assert slow.limit == pytest.approx(1 / 160, rel=0.05)

    def test_an_unknown_lens_gives_no_limit(self, make_reading: MakeReading) -> None:
        unknown = make_reading(**SMEARED, shutter_s=1.0, focal_mm=None)

        assert found(unknown, "slow-shutter") is None


class TestVibrationWindow:
    """Shutter and mirror: 1/4 to 1/160 s (a summary of practice, no standard)."""

    @pytest.mark.parametrize(
        ("shutter_s", "named"), [(0.5, False), (0.25, True), (1 / 160, True), (1 / 250, False)]
    )
    def test_only_within_the_window(
        self, make_reading: MakeReading, shutter_s: float, named: bool
    ) -> None:
        upright = {**SMEARED, "smear_angle_deg": 88.0}
        window = found(make_reading(**upright, shutter_s=shutter_s), "vibration-window")

        assert (window is not None) == named
        if window is not None:
            assert window.confidence < 0.9


class TestSubjectMotion:
    """A part moved, the rest is sharp."""

    def test_it_is_never_a_fault(self, make_reading: MakeReading) -> None:
        motion = found(make_reading(**MOVED), "subject-motion")

        assert motion is not None
        assert (motion.severity, motion.excused_by) == ("note", None)
        assert motion.value == 0.2
        assert "20.0 %" in motion.message
        assert "8 px up and down" in motion.message
        assert motion.confidence == 0.25

    @pytest.mark.parametrize(("shutter_s", "excused"), [(0.2, False), (0.25, True), (2.0, True)])
    def test_long_times_draw_water_on_purpose(
        self, make_reading: MakeReading, shutter_s: float, excused: bool
    ) -> None:
        """Common practice, no source: silky from about 1/4 s."""
        motion = found(make_reading(**MOVED, shutter_s=shutter_s), "subject-motion")

        assert motion is not None
        assert (motion.excused_by == "water drawn on purpose") == excused

    @pytest.mark.parametrize(
        "change",
        [
            {"moved_share": 0.0, "moved_px": None},
            {"moved_share": None, "moved_px": None},
            {"edge_width_px": 5.0},
            {"smear_px": 6.0, "smear_angle_deg": 90.0, "smear_confidence": 0.9},
        ],
    )
    def test_it_needs_still_parts_that_are_sharp(
        self, make_reading: MakeReading, change: dict[str, float | None]
    ) -> None:
        assert found(make_reading(**{**MOVED, **change}), "subject-motion") is None
