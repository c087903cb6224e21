"""Movement inside the picture: a part that is smeared while the rest stands still."""

from collections.abc import Iterator

from audit.diagnose.case import Case, finding
from audit.diagnose.softness import direction, seconds
from audit.records import Finding

LEAST_SHARE = 0.04
"""Share of the frame's regions that must be smeared: one of 24 may be chance (measured)."""


def subject_motion(case: Case) -> Iterator[Finding]:
    """Tell of water or foliage that moved while the still parts of the frame are sharp."""
    sharpness, shutter_s = case.reading.sharpness, case.reading.exposure.shutter_s
    share, length_px = sharpness.moved_share, sharpness.moved_px
    if share is None or length_px is None or share <= LEAST_SHARE:
        return
    towards = (
        "" if sharpness.moved_angle_deg is None else f" {direction(sharpness.moved_angle_deg)}"
    )
    message = (
        f"{share:.0%} of the frame is smeared by about {length_px:.0f} px{towards} while the rest "
        "stands still: something in the picture moved"
    )
    silky_s = case.settings.limits.silky_shutter_s
    on_purpose = shutter_s is not None and shutter_s >= silky_s
    time = "" if shutter_s is None else f" in {seconds(shutter_s)}"
    yield finding(
        "subject-motion",
        "note" if on_purpose else "warn",
        share,
        LEAST_SHARE,
        confidence=sharpness.moved_confidence or 0.0,
        message=f"{message}{time}.",
        advice=(
            f"Water smooths from about {seconds(silky_s)} on; for crisp leaves wait for a lull."
            if on_purpose
            else "Choose a shorter time or wait for a lull, or go long on purpose."
        ),
        excused_by="water drawn on purpose" if on_purpose else None,
    )
