"""The figures of a plan against published tables and worked examples.

Values marked (computed) were computed from the formula that is named, apart from this code.
"""

import math

import pytest
from plan.planted_plan import camera, planned

from audit.plan import plan_of
from audit.plan_records import (
    Asked,
    DepthAsked,
    DepthRow,
    PanoramaAsked,
    Plan,
    StarsAsked,
    WaterAsked,
)
from audit.settings import Limits, PrintSize, Settings


def depth_row(plan: Plan, rule: str) -> DepthRow:
    return next(row for row in plan.depth.rows if row.rule == rule)


class TestDiffraction:
    @pytest.mark.parametrize(
        ("aperture_n", "airy_um"),
        [(2.8, 3.76), (4, 5.37), (5.6, 7.52), (8, 10.74), (11, 14.76), (16, 21.47), (22, 29.52)],
    )
    def test_airy_disc(self, aperture_n: float, airy_um: float) -> None:
        """Born and Wolf, Principles of Optics, 8.5.2: 2.44 x 550 nm x N (computed); 0.5 %."""
        plan = planned(3.76)
        row = next(each for each in plan.aperture.rows if each.aperture_n == aperture_n)
        assert row.airy_px * 3.76 == pytest.approx(airy_um, rel=0.005)

    @pytest.mark.parametrize(
        ("pitch_um", "limits_n"),
        [
            (2.40, (3.58, 4.47, 5.37, 8.73, 12.3)),
            (3.76, (5.60, 7.00, 8.41, 13.7, 19.3)),
            (4.14, (6.17, 7.71, 9.25, 15.1, 21.3)),
            (4.35, (6.48, 8.10, 9.72, 15.8, 22.4)),
            (5.90, (8.79, 11.0, 13.2, 21.5, 30.3)),
            (6.50, (9.69, 12.1, 14.5, 23.6, 33.4)),
        ],
    )
    def test_where_each_criterion_is_met(
        self, pitch_um: float, limits_n: tuple[float, ...]
    ) -> None:
        """Airy over 2, 2.5 and 3 pixels; cutoff at Nyquist; cutoff of the green lattice (computed).

        To the digits given: 0.01, and 0.05 where there is one decimal.
        """
        names = ("airy-2px", "airy-2.5px", "airy-3px", "cutoff-nyquist", "cutoff-green")
        for name, limit_n in zip(names, limits_n, strict=True):
            settings = Settings(limits=Limits(diffraction_criterion=name))
            found = planned(pitch_um, settings=settings).aperture
            assert found.limited_n == pytest.approx(limit_n, abs=0.01 if limit_n < 10 else 0.06)
            assert found.criterion == name


class TestDepth:
    @pytest.mark.parametrize(
        ("width_mm", "height_mm", "coc_mm"),
        [
            (36, 24, 0.0288),
            (43.8, 32.9, 0.0365),
            (53.4, 40.0, 0.0445),
            (23.5, 15.6, 0.0188),
            (17.3, 13.0, 0.0144),
        ],
    )
    def test_circle_of_confusion_of_the_diagonal(
        self, width_mm: float, height_mm: float, coc_mm: float
    ) -> None:
        """Diagonal / 1500, the modern rule of H. H. Nasse, Depth of Field and Bokeh (2010)."""
        asked = Asked(camera=camera(4.0, width_mm, height_mm), focal_mm=35)
        row = depth_row(plan_of(asked, Settings()), "diagonal-1500")
        assert row.coc_mm == pytest.approx(coc_mm, abs=0.00005)

    @pytest.mark.parametrize(
        ("focal_mm", "aperture_n", "hyperfocal_mm"),
        [(50, 8, 10466.7), (35, 11, 3747.1), (24, 11, 1769.5), (24, 8, 2424.0)],
    )
    def test_hyperfocal_distance_of_the_film_rule(
        self, focal_mm: float, aperture_n: float, hyperfocal_mm: float
    ) -> None:
        """Encyclopaedia "Hyperfocal distance" (row 1), bit1024 (row 2), Greenleaf (computed)."""
        row = depth_row(planned(focal_mm=focal_mm, aperture_n=aperture_n), "film")
        assert row.hyperfocal_m == pytest.approx(hyperfocal_mm / 1000, abs=1e-4)
        assert row.far_m is None
        assert row.to_infinity

    @pytest.mark.parametrize(
        ("focal_mm", "aperture_n", "focus_m", "near_mm", "far_mm"),
        [
            (50, 8, 5, 3389.4, 9527.4),
            (85, 5.6, 10, 8126.5, 12996.3),
            (100, 16, 10, 6778.7, 19054.9),
            (24, 8, 3, 1339.3, None),
            (16, 8, 1, 520.2, 12903.2),
        ],
    )
    def test_near_and_far_limit_of_the_film_rule(
        self,
        focal_mm: float,
        aperture_n: float,
        focus_m: float,
        near_mm: float,
        far_mm: float | None,
    ) -> None:
        """Greenleaf, Photographic Optics (1950), pp. 25-27 (computed); 0.1 mm."""
        depth = DepthAsked(focus_m=focus_m)
        row = depth_row(planned(focal_mm=focal_mm, aperture_n=aperture_n, depth=depth), "film")
        assert row.near_m == pytest.approx(near_mm / 1000, abs=1e-4)
        assert row.far_m == (None if far_mm is None else pytest.approx(far_mm / 1000, abs=1e-4))

    def test_two_pixels_ask_for_four_times_the_film_rules_distance(self) -> None:
        """24 mm, f/11, c = 2 px of 3.76 um: 6987 mm, not 1.77 m (Greenleaf, computed).

        By hand: a disc d rises over 0.687 d (10-90 %, half a chord's integral, computed), so a
        print that shows 0.687 x 2 / 1.5 pixels under each arc-minute bears a disc of 2 px.
        """
        sensor = camera(3.76)
        px_per_arcmin = 0.6870 * 2 / 1.5
        long_cm = sensor.width_px / px_per_arcmin * 50 / 3437.75
        settings = Settings(print_size=PrintSize(long_cm, long_cm / 1.5))
        row = depth_row(planned(3.76, aperture_n=11, settings=settings), "print")
        assert row.coc_px == pytest.approx(2.0, rel=1e-3)
        assert row.hyperfocal_m == pytest.approx(6.987, rel=1e-3)

    def test_infinity_at_the_film_rules_focus_is_a_disc_of_eight_pixels(self) -> None:
        """Focused at H, infinity is exactly c: 0.030 mm, 8 px of 3.76 um (computed)."""
        trap = planned(3.76, aperture_n=11).depth.film_trap
        assert trap.disc_px * 3.76 == pytest.approx(30.0, abs=0.01)
        assert trap.focus_m == pytest.approx(1.7695, abs=1e-4)

    def test_the_discs_of_a_prints_eye_scale_with_print_and_distance(self) -> None:
        """Film basis: 0.2 mm at 25 cm; a print k times larger from as far away asks for c / k."""

        def coc_mm(long_cm: float, viewing_cm: float) -> float:
            settings = Settings(print_size=PrintSize(long_cm, 20.0), viewing_cm=viewing_cm)
            found = depth_row(planned(settings=settings), "print").coc_mm
            assert found is not None
            return found

        # 2.18 arc-minutes at 25 cm are 0.159 mm; 36 mm enlarged to 25.2 cm, seven times.
        assert coc_mm(25.2, 25.0) == pytest.approx(0.1588 / 7, rel=2e-3)
        assert coc_mm(75.6, 25.0) == pytest.approx(coc_mm(25.2, 25.0) / 3)
        assert coc_mm(75.6, 75.0) == pytest.approx(coc_mm(25.2, 25.0))


class TestPrint:
    @pytest.mark.parametrize(
        ("viewing_mm", "ppi"),
        [
            (250, 349.3),
            (300, 291.1),
            (400, 218.3),
            (500, 174.6),
            (750, 116.4),
            (1000, 87.3),
            (1500, 58.2),
            (2000, 43.7),
        ],
    )
    def test_largest_print_shows_a_pixel_an_arc_minute(self, viewing_mm: float, ppi: float) -> None:
        """20/20 is one arc-minute (standard optometry): ppi needed, to the digits given."""
        plan = planned(settings=Settings(viewing_cm=viewing_mm / 10))
        found_ppi = plan.camera.width_px / (plan.print.largest_long_cm / 2.54)
        assert found_ppi == pytest.approx(ppi, abs=0.06)


class TestHand:
    def test_one_pixel_at_50_mm(self) -> None:
        """1 px of 3.76 um for the 1.72 deg/s of the film rule: 1/399 s, 1/8 of 1/f (computed)."""
        settings = Settings(limits=Limits(handheld_blur_px=1.0))
        hand = planned(3.76, 50, settings).hand
        assert 1 / hand.audit.shutter_s == pytest.approx(399, abs=1)
        assert hand.audit.marked_s == 1 / 400

    @pytest.mark.parametrize(
        ("pitch_um", "smear_px"),
        [(2.4, 12.5), (3.76, 8.0), (4.14, 7.2), (4.35, 6.9), (5.9, 5.1), (6.5, 4.6)],
    )
    def test_what_the_film_rule_leaves(self, pitch_um: float, smear_px: float) -> None:
        """30 um on 36 x 24 mm at t = 1/f, in pixels (computed), to the digits given."""
        hand = planned(pitch_um, 50).hand
        assert hand.film.smear_px == pytest.approx(smear_px, abs=0.06)
        assert hand.film.shutter_s == pytest.approx(1 / 50, rel=1e-3)


class TestStars:
    @pytest.mark.parametrize(
        ("lens", "rule_500", "npf_simple", "npf_full", "drift", "trail"),
        [
            ((24, 2.8, 5.9, 0), 20.8, 11.46, 5.44, 0.2966, 6.2),
            ((24, 2.8, 3.76, 0), 20.8, 8.78, 4.22, 0.4655, 9.7),
            ((14, 2.8, 4.35, 0), 35.7, 16.32, 7.74, 0.2347, 8.4),
            ((35, 1.8, 3.76, 0), 14.3, 5.02, 2.44, 0.6788, 9.7),
            ((20, 4, 4.14, 60), 25.0, 13.21, 12.63, 0.1761, 4.4),
        ],
    )
    def test_rules_of_practice(
        self,
        lens: tuple[float, float, float, float],
        rule_500: float,
        npf_simple: float,
        npf_full: float,
        drift: float,
        trail: float,
    ) -> None:
        """Rule of 500; Michaud, NPF rule (2013); sidereal rate (computed); 0.01."""
        focal_mm, aperture_n, pitch_um, declination = lens
        asked = StarsAsked(declination_deg=declination)
        stars = planned(pitch_um, focal_mm, aperture_n=aperture_n, stars=asked).stars
        assert stars is not None
        assert stars.rule_500_s == pytest.approx(rule_500, abs=0.05)
        assert stars.npf_simple_s == pytest.approx(npf_simple, abs=0.01)
        assert stars.npf_full_s == pytest.approx(npf_full, abs=0.01)
        assert stars.drift_px_per_s == pytest.approx(drift, abs=1e-4)
        assert stars.rule_500_px == pytest.approx(trail, abs=0.06)

    def test_the_prints_own_limit_is_an_arc_minute_of_paper(self) -> None:
        """By hand: the sky turns one arc-minute in 3.99 s at the equator (15.04 arcsec/s).

        36 cm of print, seen from 50 cm, are true to scale for 50 mm on 36 mm: there one arc-minute
        of paper is one arc-minute of sky.
        """
        settings = Settings(print_size=PrintSize(36.0, 24.0), viewing_cm=50.0)
        stars = planned(3.76, 50, settings, stars=StarsAsked()).stars
        assert stars is not None
        assert stars.print_s == pytest.approx(60 / 15.041, rel=1e-3)


class TestWater:
    @pytest.mark.parametrize(
        ("speed", "shutter_s", "focal_mm", "distance_m", "pitch_um", "travel_px"),
        [
            (1.4, 1 / 60, 50, 20, 3.76, 15.51),
            (0.5, 1 / 15, 35, 5, 3.76, 62.06),
            (0.3, 1 / 125, 24, 2, 3.76, 7.66),
            (10, 1.0, 24, 2000, 3.76, 31.91),
            (2, 1 / 4, 24, 5, 4.35, 551.72),
        ],
    )
    def test_travel(
        self,
        speed: float,
        shutter_s: float,
        focal_mm: float,
        distance_m: float,
        pitch_um: float,
        travel_px: float,
    ) -> None:
        """V t f / (D p), similar triangles (computed); 0.01 px."""
        asked = WaterAsked(speed_m_per_s=speed, distance_m=distance_m, shutters_s=(shutter_s,))
        water = planned(pitch_um, focal_mm, water=asked).water
        assert water is not None
        assert water.rows[0].travel_px == pytest.approx(travel_px, abs=0.01)

    def test_travel_on_the_print(self) -> None:
        """By hand: 100 px of 8276 on 90 cm are 10.9 mm."""
        asked = WaterAsked(speed_m_per_s=2, distance_m=5, shutters_s=(1 / 4,))
        water = planned(4.35, settings=Settings(print_size=PrintSize(90, 60)), water=asked).water
        assert water is not None
        assert water.rows[0].travel_mm == pytest.approx(551.72 * 900 / 8276, rel=1e-3)

    @pytest.mark.parametrize(
        ("shutter_s", "word"),
        [
            (1 / 500, "frozen"),
            (1 / 15, "streaked"),
            (1 / 4, "silky"),
            (1.0, "silky"),
            (2.0, "misty"),
        ],
    )
    def test_words(self, shutter_s: float, word: str) -> None:
        """Photographers' texts; common practice, no standard."""
        asked = WaterAsked(speed_m_per_s=2, distance_m=5, shutters_s=(shutter_s,))
        water = planned(water=asked).water
        assert water is not None
        assert water.rows[0].look.startswith(word)


class TestPanorama:
    @pytest.mark.parametrize(
        ("focal_mm", "counts"),
        [
            (14, (6, 7, 9)),
            (20, (8, 9, 12)),
            (24, (9, 10, 14)),
            (35, (12, 14, 20)),
            (50, (17, 20, 27)),
            (85, (29, 33, 45)),
            (100, (33, 38, 53)),
            (200, (66, 75, 105)),
        ],
    )
    def test_full_turn_in_portrait(self, focal_mm: float, counts: tuple[int, ...]) -> None:
        """360 over the step, rounded up (computed); agrees with a published table for 50 %."""
        for overlap, count in zip((0.2, 0.3, 0.5), counts, strict=True):
            asked = PanoramaAsked(width_deg=360, height_deg=None, overlap=overlap, held="portrait")
            sweep = planned(focal_mm=focal_mm, panorama=asked).panorama
            assert sweep is not None
            assert (sweep.frames, sweep.rows, sweep.full_turn) == (count, 1, True)
            assert sweep.step_deg == pytest.approx(360 / count)
            assert sweep.overlap is not None
            assert sweep.overlap >= overlap

    def test_a_part_of_a_turn(self) -> None:
        """120 degrees at 50 mm on 3.76 um: 6 frames at 30 %, 27 851 px on a cylinder."""
        asked = PanoramaAsked(width_deg=120, height_deg=None, overlap=0.3, held="portrait")
        sweep = planned(3.76, 50, panorama=asked).panorama
        assert sweep is not None
        assert sweep.frames == 6
        assert sweep.step_deg == pytest.approx((120 - 26.991) / 5, abs=1e-3)
        assert sweep.stitched_width_px == pytest.approx(27_851, abs=1)
        assert sweep.stitched_height_px == pytest.approx(36_000 / 3.76, abs=1)
        assert sweep.overlap == pytest.approx(1 - sweep.step_deg / 26.991, abs=1e-4)
        assert sweep.yaws_deg == pytest.approx(
            [-46.504, -27.903, -9.301, 9.301, 27.903, 46.504], abs=1e-2
        )

    def test_its_print_is_that_of_its_pixels_at_the_aperture(self) -> None:
        """By hand: at f/4 a perfect lens is fully sharp on 3.76 um, so a pixel is an arc-minute."""
        asked = PanoramaAsked(width_deg=120, height_deg=None, overlap=0.3, held="portrait")
        sweep = planned(3.76, 50, panorama=asked, aperture_n=4).panorama
        assert sweep is not None
        assert sweep.long_cm == pytest.approx(27_851 * 50 / 3437.75, rel=1e-3)
        assert sweep.short_cm == pytest.approx(
            sweep.long_cm * sweep.clean_height_px / sweep.clean_width_px, rel=1e-3
        )


def test_thirds_of_a_stop_are_what_the_trade_marks() -> None:
    """APEX (CIPA DC-008, annex C): a mark stands for 2^(k/6) or 2^(k/3), the nearest third."""
    from audit.plan.marks import APERTURES_N, TIMES_S

    apertures = [6 * math.log2(n) for n in APERTURES_N]
    times = [-3 * math.log2(t) for t in TIMES_S]
    for steps in (apertures, times):
        assert all(abs(step - round(step)) < 0.35 for step in steps)
        assert [round(step) for step in steps] == list(
            range(round(steps[0]), round(steps[0]) + len(steps))
        )
