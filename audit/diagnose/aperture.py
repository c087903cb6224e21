"""What the aperture itself takes away, and what a crisper file than physics allows means."""

from collections.abc import Iterator

from audit.diagnose.case import Case, finding
from audit.optics.diffraction import (
    DiffractionCriterion,
    airy_diameter_um,
    ceiling_edge_width_px,
    diffraction_limited_n,
)
from audit.optics.printing import print_long_cm
from audit.records import Finding


def diffraction(case: Case) -> Iterator[Finding]:
    """Tell when the aperture is past the chosen criterion, and what that costs in print."""
    aperture_n, pitch_um = case.reading.exposure.aperture_n, case.sensor.pitch_um
    physical_px = case.physical_px
    if aperture_n is None or pitch_um is None or physical_px is None:
        return
    limits = case.settings.limits
    criterion = DiffractionCriterion(limits.diffraction_criterion)
    limit_n = diffraction_limited_n(pitch_um, criterion)
    if aperture_n <= limit_n:
        return
    best_px = case.as_filed_px(ceiling_edge_width_px(limit_n, pitch_um))
    held_cm, best_cm = (
        print_long_cm(case.long_px, case.settings.viewing_cm, width_px, limits.fully_sharp_px)
        for width_px in (physical_px, best_px)
    )
    airy_px = airy_diameter_um(aperture_n) / pitch_um
    yield finding(
        "diffraction",
        "note" if case.severity_of_width(physical_px) == "note" else "warn",
        airy_px,
        airy_diameter_um(limit_n) / pitch_um,
        confidence=0.9,
        message=(
            f"At f/{aperture_n:g} the Airy disc covers {airy_px:.1f} px "
            f"({criterion.meaning} from f/{limit_n:.1f}): even a perfect lens prints "
            f"{held_cm:.0f} cm long instead of {best_cm:.0f} cm."
        ),
        advice=f"Open up towards f/{limit_n:.1f} and take a focus bracket where depth is needed.",
    )


def sharpened(case: Case) -> Iterator[Finding]:
    """Tell when a file is crisper than a perfect lens on these pixels could be."""
    mtf50_cpp, ceiling_cpp = case.reading.sharpness.mtf50_cpp, case.ceiling_mtf50_cpp
    if mtf50_cpp is None or ceiling_cpp is None:
        return
    ratio = mtf50_cpp / ceiling_cpp
    limit = case.settings.limits.sharpened_ratio
    if ratio <= limit:
        return
    meaning = (
        "the file was sharpened"
        if case.sensor.basis == "developed"
        else f"the pixel pitch ({case.sensor.pitch_source}) or the aperture is wrong"
    )
    yield finding(
        "sharpened",
        "note",
        ratio,
        limit,
        confidence=0.7,
        message=(
            f"MTF50 is {mtf50_cpp:.2f} cycles/px, {ratio:.2f} times what a perfect lens allows "
            f"here ({ceiling_cpp:.2f}): {meaning}."
        ),
        advice="Judge the raw file, or compare only files that were processed alike.",
    )
