"""What moves: the hand, running water and the sky."""

from audit.optics.exposure import water_look
from audit.optics.shake import (
    handheld_shutter_s,
    motion_blur_px,
    reciprocal_shutter_s,
    star_drift_px_per_s,
    star_npf_full_s,
    star_npf_simple_s,
    star_rule_500_s,
    star_shutter_s,
    subject_motion_px,
)
from audit.plan.camera import focal_35mm_mm
from audit.plan.marks import marked_time_s
from audit.plan_records import (
    CameraFacts,
    HandPlan,
    HandTime,
    PrintPlan,
    StarPlan,
    StarsAsked,
    WaterAsked,
    WaterPlan,
    WaterRow,
)
from audit.settings import Settings


def hand_plan(
    camera: CameraFacts, focal_mm: float, paper: PrintPlan, settings: Settings
) -> HandPlan:
    """Slowest shutter from the hand: as the audit judges, for the print, and by the film rule."""
    limits = settings.limits
    rate = limits.hold_rate_deg_s

    def within(smear_px: float) -> HandTime:
        shutter_s = handheld_shutter_s(focal_mm, camera.pitch_um, smear_px, rate)
        return HandTime(smear_px=smear_px, shutter_s=shutter_s, marked_s=marked_time_s(shutter_s))

    film_s = reciprocal_shutter_s(focal_35mm_mm(camera, focal_mm))
    return HandPlan(
        rate_deg_per_s=rate,
        audit=within(limits.handheld_blur_px),
        print=within(paper.px_per_arcmin),
        film=HandTime(
            smear_px=motion_blur_px(focal_mm, camera.pitch_um, rate, film_s),
            shutter_s=film_s,
            marked_s=marked_time_s(film_s),
        ),
    )


def water_plan(
    asked: WaterAsked, camera: CameraFacts, focal_mm: float, paper: PrintPlan
) -> WaterPlan:
    """How far water travels in the frame at each time, and how that looks."""

    def row(shutter_s: float) -> WaterRow:
        travel_px = subject_motion_px(
            asked.speed_m_per_s, shutter_s, focal_mm, asked.distance_m, camera.pitch_um
        )
        return WaterRow(
            shutter_s=shutter_s,
            travel_px=travel_px,
            travel_mm=travel_px * 10 * paper.long_cm / camera.width_px,
            look=water_look(shutter_s).value,
        )

    return WaterPlan(
        speed_m_per_s=asked.speed_m_per_s,
        distance_m=asked.distance_m,
        rows=tuple(row(shutter_s) for shutter_s in sorted(asked.shutters_s)),
    )


def star_plan(
    asked: StarsAsked, camera: CameraFacts, focal_mm: float, aperture_n: float, paper: PrintPlan
) -> StarPlan:
    """How long stars stay points: for the print, and by the rules of practice."""
    declination = asked.declination_deg
    drift = star_drift_px_per_s(focal_mm, camera.pitch_um, declination)
    rule_s = star_rule_500_s(focal_35mm_mm(camera, focal_mm))
    return StarPlan(
        declination_deg=declination,
        drift_px_per_s=drift,
        print_s=star_shutter_s(focal_mm, camera.pitch_um, paper.px_per_arcmin, declination),
        npf_full_s=star_npf_full_s(focal_mm, aperture_n, camera.pitch_um, declination),
        npf_simple_s=star_npf_simple_s(focal_mm, aperture_n, camera.pitch_um),
        rule_500_s=rule_s,
        rule_500_px=rule_s * drift,
    )
