"""Where stopping down turns, what two distances ask for, and focus brackets without gaps."""

import math
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as st
from plan.planted_plan import camera, planned

from audit.diagnose import judge
from audit.errors import SettingsError
from audit.optics.depth_of_field import blur_disc_mm, far_limit_m, near_limit_m
from audit.optics.diffraction import ceiling_edge_width_px
from audit.plan.aperture import coc_beside_diffraction_mm
from audit.plan.depth import edge_with_disc_px
from audit.plan_records import DepthAsked, Plan
from audit.records import Reading
from audit.settings import Limits, PrintSize, Settings

LARGE = Settings(print_size=PrintSize(90.0, 60.0))


def shown(plan: Plan) -> dict[float, float | None]:
    return {row.aperture_n: row.hyperfocal_m for row in plan.aperture.rows}


class TestTurning:
    @given(st.floats(2.0, 8.0), st.floats(20.0, 80.0))
    @tries(max_examples=8, deadline=None)
    def test_past_it_depth_and_print_both_shrink(self, pitch_um: float, share: float) -> None:
        """Found by looking at every mark; the print asked for is a share of the largest one."""
        largest_cm = planned(pitch_um).print.largest_long_cm
        size = PrintSize(largest_cm * share / 100, largest_cm * share / 150)
        plan = planned(pitch_um, settings=Settings(print_size=size))
        turning = plan.aperture.turning_n
        assert turning is not None
        rows = plan.aperture.rows
        place = [row.aperture_n for row in rows].index(turning)
        past = rows[place:]
        for one, two in pairwise(past):
            assert two.long_cm <= one.long_cm
            assert two.hyperfocal_m is None or (
                one.hyperfocal_m is not None and two.hyperfocal_m > one.hyperfocal_m
            )
        assert all(
            row.hyperfocal_m is not None and row.hyperfocal_m >= (past[0].hyperfocal_m or 0)
            for row in rows[:place]
        )

    @pytest.mark.parametrize("pitch_um", [2.4, 3.76, 5.9])
    @pytest.mark.parametrize("share", [0.2, 0.4])
    def test_it_lies_where_diffraction_takes_half_of_the_room(
        self, pitch_um: float, share: float
    ) -> None:
        """Closed form: N c is greatest where diffraction takes half of what the pixel leaves.

        In variances, (L^2 - p^2) / 2, for edges taken as Gaussians (10-90 % rise 2.563 sigma, sigma
        of diffraction 0.464 wavelength N, of the pixel 0.3106 px; computed). Within 2/3 stop: the
        skirts of the Airy disc are no Gaussian's.
        """
        largest_cm = planned(pitch_um).print.largest_long_cm
        size = PrintSize(largest_cm * share, largest_cm * share / 1.5)
        plan = planned(pitch_um, settings=Settings(print_size=size))
        allowed_sigma = 1.5 / share / 2.563
        expected_n = math.sqrt((allowed_sigma**2 - 0.3106**2) / 2) * pitch_um / (0.464 * 0.55)
        assert plan.aperture.turning_n is not None
        assert abs(2 * math.log2(min(32, expected_n) / plan.aperture.turning_n)) < 2 / 3

    def test_cost_is_the_audits_own_word(self) -> None:
        """F/8 on 4 um leaves 1.75 px, so it is held to 86 % of the pixels' print (computed)."""
        plan = planned(4.0)
        row = next(each for each in plan.aperture.rows if each.aperture_n == 8)
        assert row.long_cm / plan.print.largest_long_cm == pytest.approx(0.86, abs=0.005)
        assert row.cost_cm == pytest.approx(plan.print.largest_long_cm - row.long_cm)

    def test_a_print_that_the_pixels_cannot_give_leaves_no_depth(self) -> None:
        plan = planned(settings=Settings(print_size=PrintSize(300.0, 200.0)))
        assert plan.print.edge_width_px is None
        assert plan.aperture.turning_n is None
        assert plan.aperture.smallest_holding_n is None
        assert plan.depth.rows[0].coc_mm is None
        assert plan.lens.aperture_n == 9.0  # the last mark before f/9.7, Airy over 3 px of 4.35 um

    def test_an_edge_at_the_limit_of_depth_is_just_as_wide_as_the_print_bears(self) -> None:
        plan = planned(settings=LARGE, aperture_n=8)
        coc_mm = coc_beside_diffraction_mm(8, plan.camera, plan.print)
        assert coc_mm is not None
        assert edge_with_disc_px(8, plan.camera, coc_mm) == pytest.approx(plan.print.edge_width_px)

    def test_the_audit_holds_such_a_frame_at_the_same_print(
        self, make_reading: Callable[..., Reading]
    ) -> None:
        """A raw frame as sharp as the plan says holds at the plan's print, and one softer does not.

        The plan's figure at f/11 on 8256 columns of 36 mm, against `judge` on a planted reading.
        """
        sensor = camera(36_000 / 8256)
        plan = planned(sensor.pitch_um)
        row = next(each for each in plan.aperture.rows if each.aperture_n == 11)
        print_ = judge(make_reading(edge_width_px=row.edge_width_px), Settings()).print
        assert print_ is not None
        assert print_.long_cm == pytest.approx(row.long_cm, rel=1e-6)
        assert print_.target_long_cm == pytest.approx(plan.print.long_cm, rel=1e-6)


class TestRange:
    @pytest.mark.parametrize(
        ("focal_mm", "near_m", "far_m"),
        [
            (24, 1.5, math.inf),
            (24, 3, math.inf),
            (35, 4, math.inf),
            (50, 8, 40),
            (85, 30, math.inf),
        ],
    )
    def test_best_aperture_agrees_with_practice(
        self, focal_mm: float, near_m: float, far_m: float
    ) -> None:
        """Hansma, View camera focusing in practice, Photo Techniques (1996), from memory.

        N is the root of 375 x the focus spread in mm. He takes diffraction a third harsher: within
        2/3 stop.
        """
        depth = DepthAsked(near_m=near_m, far_m=far_m)
        within = planned(focal_mm=focal_mm, depth=depth).depth.range
        assert within is not None

        def image_mm(distance_m: float) -> float:
            """Thin lens: f D / (D - f)."""
            if math.isinf(distance_m):
                return focal_mm
            return focal_mm * distance_m * 1000 / (distance_m * 1000 - focal_mm)

        spread_mm = image_mm(near_m) - image_mm(far_m)
        assert abs(2 * math.log2(within.aperture_n / math.sqrt(375 * spread_mm))) < 2 / 3

    def test_both_ends_are_equally_soft(self) -> None:
        plan = planned(focal_mm=35, depth=DepthAsked(near_m=2, far_m=20))
        within = plan.depth.range
        assert within is not None
        assert plan.depth.focus_m == within.focus_m == pytest.approx(2 / (1 / 2 + 1 / 20))
        near, far = (
            blur_disc_mm(35, within.aperture_n, within.focus_m, end_m) for end_m in (2.0, 20.0)
        )
        assert near == pytest.approx(far)
        own_px = ceiling_edge_width_px(within.aperture_n, plan.camera.pitch_um)
        assert within.edge_width_px > own_px

    def test_an_aperture_that_was_asked_for_stays(self) -> None:
        plan = planned(depth=DepthAsked(near_m=1.5), aperture_n=8)
        assert plan.depth.range is not None
        assert plan.depth.range.aperture_n == plan.lens.aperture_n == 8
        assert not plan.lens.aperture_is_chosen

    @pytest.mark.parametrize(
        ("focal_mm", "near_m", "far_m"), [(24, 1.5, math.inf), (50, 2, 30), (100, 0.5, 0.9)]
    )
    def test_a_focus_bracket_has_no_gap(self, focal_mm: float, near_m: float, far_m: float) -> None:
        """Greenleaf's limits (Photographic Optics, 1950, pp. 25-27) of neighbours meet."""
        depth = DepthAsked(near_m=near_m, far_m=far_m)
        plan = planned(focal_mm=focal_mm, settings=LARGE, depth=depth)
        assert plan.depth.range is not None
        assert not plan.depth.range.holds
        bracket = plan.depth.range.bracket
        assert bracket is not None
        assert bracket.aperture_n == plan.aperture.turning_n
        coc_mm = coc_beside_diffraction_mm(bracket.aperture_n, plan.camera, plan.print)
        assert coc_mm is not None
        lens = (focal_mm, bracket.aperture_n, coc_mm)
        nears = [near_limit_m(*lens, focus_m) for focus_m in bracket.focus_m]
        fars = [far_limit_m(*lens, focus_m) for focus_m in bracket.focus_m]
        assert nears[0] <= near_m
        assert fars[-1] >= far_m
        assert all(far >= near for far, near in zip(fars, nears[1:], strict=False))

    def test_no_bracket_where_one_frame_holds(self) -> None:
        small = Settings(print_size=PrintSize(30.0, 20.0))
        within = planned(settings=small, depth=DepthAsked(near_m=3)).depth.range
        assert within is not None
        assert within.holds
        assert within.bracket is None

    @pytest.mark.parametrize(
        ("depth", "found"),
        [
            (DepthAsked(near_m=3, far_m=2), "found 2 m"),
            (DepthAsked(near_m=0.02), "24 mm, found 0.02 m"),
            (DepthAsked(focus_m=0.02), "24 mm, found 0.02 m"),
        ],
    )
    def test_distances_that_contradict_each_other(self, depth: DepthAsked, found: str) -> None:
        with pytest.raises(SettingsError, match=found):
            planned(depth=depth)

    def test_focus_at_infinity(self) -> None:
        """Then the near limit is the hyperfocal distance less the focal length (Greenleaf)."""
        depth = planned(aperture_n=8, depth=DepthAsked(focus_m=math.inf)).depth
        assert depth.focus_m is None
        assert depth.focus_at_infinity
        film = depth.rows[-1]
        assert film.near_m == pytest.approx(2.4, abs=1e-4)
        assert film.to_infinity


def test_a_smaller_share_kept_makes_the_chosen_print_smaller() -> None:
    """Without --print it is `keeper_share` of the largest, as for frames."""
    whole, half = (
        planned(settings=Settings(limits=Limits(keeper_share=share))).print for share in (1.0, 0.5)
    )
    assert whole.is_chosen
    assert whole.long_cm == pytest.approx(whole.largest_long_cm)
    assert half.long_cm == pytest.approx(whole.long_cm / 2)
