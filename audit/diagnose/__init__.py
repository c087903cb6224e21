"""From a reading to findings: what physics allows, what was found, and how large it prints."""

from collections.abc import Sequence

import msgspec

from audit.diagnose.aperture import diffraction, sharpened
from audit.diagnose.batch import soft_side
from audit.diagnose.case import Case
from audit.diagnose.damage import damage
from audit.diagnose.dust import dust
from audit.diagnose.first_look import lost_in_first_look
from audit.diagnose.kinds import KINDS
from audit.diagnose.light import blocked_shadows, clipped_highlights, haze, no_edges, noise
from audit.diagnose.motion import subject_motion
from audit.diagnose.printing import print_of
from audit.diagnose.sensor import sensor_of
from audit.diagnose.softness import softness
from audit.optics.diffraction import (
    DiffractionCriterion,
    airy_diameter_um,
    diffraction_limited_n,
)
from audit.records import Finding, Limits, Print, Reading, Record, Sensor, Severity, Sharpness
from audit.settings import Settings

__all__ = ["KINDS", "Judgement", "damage", "dust", "judge", "judge_together"]

RULES = (
    softness,
    subject_motion,
    no_edges,
    clipped_highlights,
    blocked_shadows,
    diffraction,
    noise,
    haze,
    sharpened,
)
"""Every rule that needs one frame alone, in the order in which a photographer would ask."""

FIRST_LOOK_RULES = (no_edges, lost_in_first_look, diffraction)
"""What can be said without the frame's own pixels at full size: no cause of softness, no noise."""

SEVERITY_ORDER: dict[Severity, int] = {"fault": 0, "warn": 1, "note": 2}


class Judgement(Record, frozen=True, kw_only=True):
    """All that is derived from one reading."""

    sensor: Sensor
    limits: Limits
    sharpness: Sharpness
    findings: tuple[Finding, ...]
    print: Print | None


def judge(reading: Reading, settings: Settings) -> Judgement:
    """Judge one reading by itself.

    Parameters
    ----------
    reading : Reading
    settings : Settings

    Returns
    -------
    Judgement
        Findings with the worst first.
    """
    case = Case(reading=reading, sensor=sensor_of(reading, settings), settings=settings)
    rules = RULES if reading.depth == "full" else FIRST_LOOK_RULES
    found = [each for rule in rules for each in rule(case)]
    return Judgement(
        sensor=case.sensor,
        limits=_limits(case),
        sharpness=msgspec.structs.replace(
            reading.sharpness,
            ceiling_mtf50_cpp=case.ceiling_mtf50_cpp,
            sharp_share=_sharp_share(case),  # None of a first look, which makes no map
        ),
        findings=tuple(sorted(found, key=lambda each: SEVERITY_ORDER[each.severity])),
        print=print_of(case),
    )


def judge_together(
    readings: Sequence[Reading], settings: Settings
) -> tuple[tuple[Finding, ...], ...]:
    """Find what only many frames together can tell.

    Parameters
    ----------
    readings : sequence of Reading
        All of a run.
    settings : Settings

    Returns
    -------
    tuple of tuple of Finding
        More findings of each reading, in the order of the readings.
    """
    cases = [
        Case(reading=reading, sensor=sensor_of(reading, settings), settings=settings)
        for reading in readings
    ]
    return tuple(() if found is None else (found,) for found in soft_side(cases))


def _limits(case: Case) -> Limits:
    """What physics allows at this frame's settings, as far as they are known."""
    exposure, pitch_um, limits = case.reading.exposure, case.sensor.pitch_um, case.settings.limits
    criterion = DiffractionCriterion(limits.diffraction_criterion)
    airy_um = None if exposure.aperture_n is None else airy_diameter_um(exposure.aperture_n)
    if pitch_um is None:
        return Limits(airy_diameter_um=airy_um)
    return Limits(
        airy_diameter_um=airy_um,
        airy_diameter_px=None if airy_um is None else airy_um / pitch_um,
        diffraction_n=diffraction_limited_n(pitch_um, criterion),
        diffraction_criterion=criterion.meaning,
        handheld_shutter_s=case.handheld_s,
        ceiling_edge_width_px=case.physical_px,
    )


def _sharp_share(case: Case) -> float | None:
    """Share of measurable tiles that hold at the target print."""
    needed_px, tiles = case.needed_px, case.reading.sharpness.map
    if needed_px is None or tiles is None:
        return None
    widths = [width for row in tiles.edge_width_px for width in row if width is not None]
    if not widths:
        return None
    return sum(width <= needed_px for width in widths) / len(widths)
