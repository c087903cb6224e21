"""What a reading becomes: pitch and its source, print size, findings with figure and limit."""

from collections.abc import Callable

import pytest

from audit.diagnose import KINDS, judge
from audit.records import ClippedShare, Clipping, Finding, PerColour, Reading
from audit.settings import Camera, Limits, PrintSize, Settings

MakeReading = Callable[..., Reading]
DEFAULTS = Settings()
INCH_CM = 2.54


def kinds(findings: tuple[Finding, ...]) -> set[str]:
    return {each.kind for each in findings}


def clipped(any_: float, all_: float, shadow: float = 0.0) -> Clipping:
    return Clipping(
        highlight_share=ClippedShare(r=any_, g=any_, b=any_, any=any_, all=all_),
        shadow_share=ClippedShare(r=shadow, g=shadow, b=shadow, any=shadow, all=shadow),
        headroom_ev=PerColour(r=0.0, g=0.0, b=0.0),
        basis="raw",
    )


def test_a_sound_frame_has_no_findings(make_reading: MakeReading) -> None:
    assert judge(make_reading(), DEFAULTS).findings == ()


class TestPitch:
    """Order of trust and the name of the source."""

    def test_focal_plane_resolution(self, make_reading: MakeReading) -> None:
        """36 mm over 8256 columns is 4.360 um."""
        sensor = judge(make_reading(), DEFAULTS).sensor

        assert sensor.pitch_um == pytest.approx(4.3605, abs=1e-3)
        assert "focal-plane" in (sensor.pitch_source or "")

    def test_the_users_own_camera_comes_first(self, make_reading: MakeReading) -> None:
        camera = Camera(make="velmark", model="VK-50", width_mm=33.0, width_px=8256)
        sensor = judge(make_reading(), Settings(cameras=(camera,))).sensor

        assert sensor.pitch_um == pytest.approx(3.997, abs=1e-3)
        assert sensor.pitch_source == "your camera table"

    def test_35mm_equivalent_with_its_rounding_error(self, make_reading: MakeReading) -> None:
        """F 12.3, equivalent 18: 29.57 mm diagonal, +-2.8 % (Exif; whole millimetres)."""
        reading = make_reading(
            focal_plane_x=None, focal_plane_y=None, focal_mm=12.3, focal_35mm_mm=18.0
        )
        sensor = judge(reading, DEFAULTS).sensor

        assert sensor.pitch_um == pytest.approx(29.57e3 / (8256**2 + 5504**2) ** 0.5, rel=1e-3)
        assert sensor.pitch_error_share == pytest.approx(0.028, abs=1e-3)

    def test_a_lens_database_match_comes_before_the_rounded_equivalent(
        self, make_reading: MakeReading
    ) -> None:
        reading = make_reading(focal_plane_x=None, focal_plane_y=None, database_crop=1.0)
        sensor = judge(reading, DEFAULTS).sensor

        assert sensor.pitch_um == pytest.approx(4.3605, rel=1e-3)
        assert "lens database" in (sensor.pitch_source or "")

    def test_nothing_known_is_none_and_the_aperture_rule_keeps_silent(
        self, make_reading: MakeReading
    ) -> None:
        reading = make_reading(focal_plane_x=None, focal_35mm_mm=None, aperture_n=22.0)
        judged = judge(reading, DEFAULTS)

        assert judged.sensor.pitch_um is None
        assert judged.sensor.pitch_source is None
        assert judged.limits.airy_diameter_px is None
        assert "diffraction" not in kinds(judged.findings)

    def test_a_reduced_file_has_larger_pixels(self, make_reading: MakeReading) -> None:
        reading = make_reading(width_px=4128, height_px=2752, native_width_px=8256)

        assert judge(reading, DEFAULTS).sensor.pitch_um == pytest.approx(8.721, abs=1e-3)


class TestPrint:
    """Sizes on paper."""

    def test_a_fully_sharp_frame_holds_a_pixel_an_arc_minute(
        self, make_reading: MakeReading
    ) -> None:
        """174.6 ppi at 50 cm, one arc-minute: 8256 px are 120.1 cm; at 25 cm half of it."""
        print_ = judge(make_reading(), DEFAULTS).print

        assert print_ is not None
        assert print_.long_cm == pytest.approx(120.1, abs=0.1)
        assert print_.short_cm == pytest.approx(80.1, abs=0.1)
        assert print_.close_long_cm == pytest.approx(60.0, abs=0.1)
        assert print_.limited_by == "pixels"

    def test_a_frame_twice_as_soft_holds_half_the_print(self, make_reading: MakeReading) -> None:
        print_ = judge(make_reading(edge_width_px=3.0), DEFAULTS).print

        assert print_ is not None
        assert print_.long_cm == pytest.approx(60.0, abs=0.1)
        assert print_.limited_by == "softness"

    def test_fifty_megapixels_hold_at_60_by_40_inches_from_60_cm(
        self, make_reading: MakeReading
    ) -> None:
        """Common practice, no source. One arc-minute gives 56.7 inches: within 6 %."""
        print_ = judge(make_reading(), Settings(viewing_cm=60.0)).print

        assert print_ is not None
        assert print_.long_cm / INCH_CM == pytest.approx(60.0, rel=0.06)

    def test_no_sharpness_no_print(self, make_reading: MakeReading) -> None:
        reading = make_reading(edge_width_px=None, measurable=False, reason="3 edges of 40")
        judged = judge(reading, DEFAULTS)

        assert judged.print is None
        assert kinds(judged.findings) == {"no-edges"}
        assert "3 edges of 40" in judged.findings[0].message

    def test_sharp_share_counts_measurable_tiles_only(self, make_reading: MakeReading) -> None:
        """Target three quarters of full: tiles up to 2.0 px hold; one of two does."""
        assert judge(make_reading(), DEFAULTS).sharpness.sharp_share == 0.5

    def test_a_print_beyond_the_pixels_has_no_sharp_share(self, make_reading: MakeReading) -> None:
        settings = Settings(print_size=PrintSize(500.0, 333.0))

        assert judge(make_reading(), settings).sharpness.sharp_share is None


class TestSoftness:
    """The cause follows shape and size of the blur."""

    def test_wide_edges_alike_in_all_directions_are_missed_focus(
        self, make_reading: MakeReading
    ) -> None:
        found = judge(make_reading(edge_width_px=5.0), DEFAULTS).findings[0]

        assert (found.kind, found.severity, found.unit) == ("missed-focus", "fault", "px")
        assert found.value == 5.0
        assert found.limit is not None
        assert "5.0 px" in found.message

    def test_a_trusted_smear_is_camera_shake(self, make_reading: MakeReading) -> None:
        reading = make_reading(
            edge_width_px=5.0, smear_px=6.0, smear_angle_deg=30.0, smear_confidence=0.9
        )
        found = judge(reading, DEFAULTS).findings

        assert found[0].kind == "camera-shake"
        assert found[0].value == 6.0
        assert "missed-focus" not in kinds(found)

    @pytest.mark.parametrize(("smear_px", "confidence"), [(1.8, 0.9), (6.0, 0.3), (6.0, None)])
    def test_a_short_or_doubtful_smear_is_not_named(
        self, make_reading: MakeReading, smear_px: float, confidence: float | None
    ) -> None:
        """A reading under 2 px has no direction, and 60 % of right calls are needed (measured)."""
        reading = make_reading(
            edge_width_px=5.0,
            smear_px=smear_px,
            smear_angle_deg=30.0,
            smear_confidence=confidence,
        )

        assert kinds(judge(reading, DEFAULTS).findings) == {"missed-focus"}

    def test_a_developed_file_may_be_wider_by_its_demosaic(self, make_reading: MakeReading) -> None:
        """2.6 px are soft for a raw file at f/8 and as good as it gets for a developed one."""
        raw = make_reading(edge_width_px=2.6)
        developed = make_reading(edge_width_px=2.6, basis="developed")

        assert "missed-focus" in kinds(judge(raw, DEFAULTS).findings)
        assert "missed-focus" not in kinds(judge(developed, DEFAULTS).findings)

    def test_a_slow_shutter_is_named_beside_the_smear(self, make_reading: MakeReading) -> None:
        reading = make_reading(
            edge_width_px=5.0,
            smear_px=6.0,
            smear_angle_deg=0.0,
            smear_confidence=0.9,
            shutter_s=1 / 15,
        )

        assert {"camera-shake", "slow-shutter"} <= kinds(judge(reading, DEFAULTS).findings)

    @pytest.mark.parametrize(
        ("orientation", "angle_deg", "named"),
        [(1, 90.0, True), (1, 0.0, False), (6, 0.0, True), (6, 90.0, False)],
    )
    def test_vibration_runs_along_the_shutters_travel(
        self, make_reading: MakeReading, orientation: int, angle_deg: float, named: bool
    ) -> None:
        """Measured on one body type at about 1/100 s: vertical only (white paper, 2010)."""
        reading = make_reading(
            edge_width_px=5.0,
            smear_px=4.0,
            smear_angle_deg=angle_deg,
            smear_confidence=0.9,
            shutter_s=1 / 15,
            orientation=orientation,
        )

        assert ("vibration-window" in kinds(judge(reading, DEFAULTS).findings)) == named


class TestAperture:
    """Diffraction by a named criterion."""

    @pytest.mark.parametrize(
        ("aperture_n", "named"), [(8.0, False), (9.0, False), (10.0, True), (22.0, True)]
    )
    def test_past_three_pixels_of_airy_disc(
        self, make_reading: MakeReading, aperture_n: float, named: bool
    ) -> None:
        """4.35 um pixels reach an Airy diameter of 3 px at f/9.72 (computed table)."""
        judged = judge(make_reading(aperture_n=aperture_n), DEFAULTS)

        assert ("diffraction" in kinds(judged.findings)) == named

    def test_f22_is_visibly_softer_and_f11_near_the_best_trade(
        self, make_reading: MakeReading
    ) -> None:
        """Common practice, no source, for a 50 MP body: f/11 costs little, f/22 shows."""

        def long_cm(aperture_n: float) -> float:
            physical = judge(make_reading(aperture_n=aperture_n), DEFAULTS)
            return float(physical.sharpness.ceiling_mtf50_cpp or 0)

        assert long_cm(11.0) > 0.75 * long_cm(8.0)
        assert long_cm(22.0) < 0.5 * long_cm(8.0)

    def test_another_criterion_moves_the_aperture(self, make_reading: MakeReading) -> None:
        """Airy over 2 px: f/6.48 on 4.35 um; no contrast at Nyquist: f/15.8 (computed table)."""
        strict = Settings(limits=Limits(diffraction_criterion="airy-2px"))
        loose = Settings(limits=Limits(diffraction_criterion="cutoff-nyquist"))

        assert judge(make_reading(), strict).limits.diffraction_n == pytest.approx(6.5, abs=0.03)
        assert judge(make_reading(), loose).limits.diffraction_n == pytest.approx(15.85, abs=0.05)

    def test_airy_diameter_of_the_row(self, make_reading: MakeReading) -> None:
        """10.74 um at f/8 and 550 nm: 2.44 lambda N (Born & Wolf 8.5.2)."""
        limits = judge(make_reading(), DEFAULTS).limits

        assert limits.airy_diameter_um == pytest.approx(10.73, abs=0.02)
        assert limits.airy_diameter_px == pytest.approx(2.46, abs=0.01)

    def test_crisper_than_physics_is_called_sharpened(self, make_reading: MakeReading) -> None:
        reading = make_reading(mtf50_cpp=0.50, basis="developed")
        found = judge(reading, DEFAULTS).findings

        assert kinds(found) == {"sharpened"}
        assert "sharpened" in found[0].message


class TestLight:
    """Both ends of the histogram, noise, haze."""

    @pytest.mark.parametrize(
        ("any_", "all_", "severity"),
        [(0.003, 0.001, None), (0.01, 0.001, "warn"), (0.05, 0.03, "fault")],
    )
    def test_highlights(
        self, make_reading: MakeReading, any_: float, all_: float, severity: str | None
    ) -> None:
        found = judge(make_reading(clipping=clipped(any_, all_)), DEFAULTS).findings

        assert [each.severity for each in found] == ([severity] if severity else [])

    @pytest.mark.parametrize(("share", "severity"), [(0.01, None), (0.05, "warn"), (0.2, "fault")])
    def test_shadows(self, make_reading: MakeReading, share: float, severity: str | None) -> None:
        found = judge(make_reading(clipping=clipped(0, 0, share)), DEFAULTS).findings

        assert [each.severity for each in found] == ([severity] if severity else [])

    def test_noise_is_judged_at_the_print(self, make_reading: MakeReading) -> None:
        """ISO 12232: 40 and 10 on a print of 70 px/cm from 25 cm, times 70/P for P px/cm."""
        reading = make_reading(snr_midtone=8.0)
        large = Settings(print_size=PrintSize(118.0, 78.7), viewing_cm=25.0)  # 70 px/cm
        small = Settings(print_size=PrintSize(20.0, 13.3), viewing_cm=25.0)  # 413 px/cm

        at_large, at_small = judge(reading, large), judge(reading, small)

        assert [each.severity for each in at_large.findings if each.kind == "noise"] == ["warn"]
        assert "noise" not in kinds(at_small.findings)

    def test_low_contrast_with_intact_edges_is_haze(self, make_reading: MakeReading) -> None:
        reading = make_reading(low_ev=-2.5, high_ev=-1.2)

        assert kinds(judge(reading, DEFAULTS).findings) == {"haze"}

    def test_low_contrast_with_soft_edges_is_not(self, make_reading: MakeReading) -> None:
        reading = make_reading(low_ev=-2.5, high_ev=-1.2, edge_width_px=5.0)

        assert "haze" not in kinds(judge(reading, DEFAULTS).findings)


def test_the_worst_finding_stands_first(make_reading: MakeReading) -> None:
    reading = make_reading(edge_width_px=6.0, snr_midtone=20.0, clipping=clipped(0.01, 0.0))
    severities = [each.severity for each in judge(reading, DEFAULTS).findings]

    assert severities == sorted(severities, key=["fault", "warn", "note"].index)


def test_every_finding_has_the_unit_of_its_kind(make_reading: MakeReading) -> None:
    reading = make_reading(
        edge_width_px=6.0, snr_midtone=2.0, aperture_n=22.0, clipping=clipped(0.2, 0.2, 0.3)
    )
    found = judge(reading, DEFAULTS).findings

    assert len(found) >= 5
    assert all(each.unit == KINDS[each.kind].unit for each in found)
