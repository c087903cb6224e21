"""How large a frame can be printed."""

from audit.diagnose.case import Case
from audit.optics.printing import print_long_cm
from audit.records import Print

CLOSE_CM = 25.0
"""Nearest distance of comfortable reading: where a critical eye goes (ISO 12232 uses it too)."""


def print_of(case: Case) -> Print | None:
    """Largest print at which a frame holds; ``None`` where its sharpness is not known."""
    sharpness = case.reading.sharpness
    if sharpness.edge_width_px is None:
        return None
    fully_sharp = case.settings.limits.fully_sharp_px

    def held_cm(viewing_cm: float, width_px: float) -> float:
        return print_long_cm(case.long_px, viewing_cm, width_px, fully_sharp)

    viewing_cm = case.settings.viewing_cm
    long_cm = held_cm(viewing_cm, sharpness.edge_width_px)
    return Print(
        long_cm=long_cm,
        short_cm=long_cm * case.short_px / case.long_px,
        viewing_cm=viewing_cm,
        limited_by="pixels" if sharpness.edge_width_px <= fully_sharp else "softness",
        close_long_cm=held_cm(CLOSE_CM, sharpness.edge_width_px),
        target_long_cm=case.target.long_cm,
    )
