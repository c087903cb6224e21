"""What a first look can say of the light: what is lost in the picture that was looked at."""

from collections.abc import Iterator

from audit.diagnose.case import Case, finding
from audit.diagnose.light import percent
from audit.records import Finding

OF_A_PREVIEW = 0.3
OF_THE_FILE = 0.7
"""Confidence that lights lost in a raw file's preview are lost in its samples too (guess: cameras
leave a stop and more above their own picture), and in a JPEG, where it is the same file."""


def lost_in_first_look(case: Case) -> Iterator[Finding]:
    """Tell of highlights that are white in the picture that was looked at.

    A raw file holds more than its preview shows: there it is never more than a note.
    """
    share, limits = case.reading.clipping.highlight_share.all, case.settings.limits
    if share < limits.lost_highlight_share:
        return
    is_file = case.reading.format == "jpeg"
    where = "of this file" if is_file else "of the preview, not of the raw samples"
    yield finding(
        "clipped-highlights",
        "fault" if is_file else "note",
        share,
        limits.lost_highlight_share,
        confidence=OF_THE_FILE if is_file else OF_A_PREVIEW,
        message=f"{percent(share)} {where} is white in all three colours (first look).",
        advice="Expose less, or bracket, where the highlights carry detail."
        if is_file
        else "The full run tells what the raw samples hold.",
    )
