"""Movement inside the picture: a part that is smeared while the rest stands still."""

from collections.abc import Iterator

from audit.diagnose.case import Case, finding
from audit.diagnose.light import percent
from audit.diagnose.softness import direction, is_at_limit, seconds
from audit.records import Finding

LEAST_SHARE = 0.05
"""Share of the frame's regions with edges from which a movement is named: one of 20 (guess)."""


def subject_motion(case: Case) -> Iterator[Finding]:
    """Tell of water or foliage that moved while the still parts of the frame are sharp.

    A note, since one frame rarely tells; excused where the time was long on purpose.
    """
    sharpness, shutter_s = case.reading.sharpness, case.reading.exposure.shutter_s
    share, length_px = sharpness.moved_share, sharpness.moved_px
    if share is None or length_px is None or share < LEAST_SHARE or not is_at_limit(case):
        return
    towards = (
        "" if sharpness.moved_angle_deg is None else f" {direction(sharpness.moved_angle_deg)}"
    )
    silky_s = case.settings.limits.silky_shutter_s
    on_purpose = shutter_s is not None and shutter_s >= silky_s
    time = "" if shutter_s is None else f" in {seconds(shutter_s)}"
    yield finding(
        "subject-motion",
        "note",
        share,
        LEAST_SHARE,
        confidence=sharpness.moved_confidence or 0.0,
        message=(
            f"{percent(share)} of the parts with edges are smeared by about "
            f"{length_px:.0f} px{towards} while the rest is sharp: "
            f"something in the picture moved{time}."
        ),
        advice=(
            "Nothing to mend if it was meant; for crisp leaves beside smooth water, await a lull."
            if on_purpose
            else f"Choose a shorter time or await a lull; from {seconds(silky_s)} water is smooth."
        ),
        excused_by="water drawn on purpose" if on_purpose else None,
    )
