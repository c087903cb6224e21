"""One frame in figures and sentences: what the program proposes, and what the script draws with."""

import math
from dataclasses import dataclass

from audit.records import AuditedFrame, Crop, Record, Verdict
from audit.report.digest import (
    SEVERITY_WORDS,
    VERDICT_WORDS,
    excused,
    exposure_words,
    kind_words,
    plain_reason,
    standing,
)
from audit.report.text import inert
from audit.report.units import CANNOT_TELL, edge_width, percent, sides_cm, sides_in
from audit.review.sitting import Seen

TURNED = frozenset((5, 6, 7, 8))
"""Exif orientations whose stored rows stand upright (CIPA DC-008, tag 0112)."""

Spot = tuple[float, float, float]
"""Place, shares of width and height from the middle, and edge width there, px."""


class FrameFacts(Record, frozen=True, kw_only=True):
    """What the script draws with."""

    number: int
    name: str
    is_shown: bool
    """Whether there are pixels to look at."""
    width_px: int
    height_px: int
    """As viewed."""
    edge_widths_px: tuple[tuple[float | None, ...], ...]
    smear_px: float | None
    smear_angle_deg: float | None
    sharpest: Spot | None
    softest: Spot | None
    clipped: str
    """Share that is clipped, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The program's word on a frame and its reasons.

    Attributes
    ----------
    verdict : Verdict
    words : str
    reason : str
        Why the verdict is what it is.
    findings : tuple of (str, str)
        Kind with weight, and sentence.
    figures : tuple of (str, str)
        Name and figure with its unit.
    """

    verdict: Verdict
    words: str
    reason: str
    findings: tuple[tuple[str, str], ...]
    figures: tuple[tuple[str, str], ...]


def proposal_of(row: AuditedFrame) -> Proposal:
    """Put the program's word on a frame into sentences."""
    error = None if row.error is None else row.error.message
    reason = error or plain_reason(row)
    if reason is None and not standing(row):
        reason = "No fault was found."
    return Proposal(
        verdict=row.verdict,
        words=VERDICT_WORDS[row.verdict],
        reason=inert(reason or ""),
        findings=(
            *(
                (f"{SEVERITY_WORDS[each.severity]}, {kind_words(each.kind)}", inert(each.message))
                for each in standing(row)
            ),
            *(
                (f"excused, {kind_words(each.kind)}", inert(f"{each.message} {each.excused_by}"))
                for each in excused(row)
            ),
        ),
        figures=_figures(row),
    )


def _figures(row: AuditedFrame) -> tuple[tuple[str, str], ...]:
    if row.state != "measured":
        return ()
    sharpness, size, clipping = row.sharpness, row.print, row.clipping
    edge = CANNOT_TELL
    if sharpness is not None and sharpness.edge_width_px is not None:
        low, high = sharpness.edge_width_low_px, sharpness.edge_width_high_px
        edge = f"{edge_width(sharpness.edge_width_px, low, high)} px"
    held = CANNOT_TELL
    if size is not None and size.long_cm > 0:
        cm, inches = (sides(size.long_cm, size.short_cm) for sides in (sides_cm, sides_in))
        held = f"{cm} cm ({inches} in)"
    smear = "" if sharpness is None else _smear_words(sharpness.smear_px, sharpness.smear_angle_deg)
    lost = CANNOT_TELL if clipping is None else percent(clipping.highlight_share.any)
    blocked = CANNOT_TELL if clipping is None else percent(clipping.shadow_share.any)
    figures = (
        ("Edge", edge),
        ("Print", held),
        ("Clipped", lost),
        ("Blocked", blocked),
        ("Smear", smear),
        ("Exposure", inert(exposure_words(row))),
    )
    return tuple((name, value) for name, value in figures if value)


def _smear_words(smear_px: float | None, angle_deg: float | None) -> str:
    if smear_px is None:
        return ""
    along = "" if angle_deg is None else f" along {angle_deg:.0f}°"
    return f"{smear_px:.1f} px{along}"


def facts_of(seen: Seen) -> FrameFacts:
    """Give the numbers of a frame that the script draws with."""
    row = seen.row
    width_px, height_px = _viewed_size(row)
    sharpness, clipping = row.sharpness, row.clipping
    tiles = None if sharpness is None else sharpness.map
    return FrameFacts(
        number=seen.number,
        name=inert(row.file),
        is_shown=row.state == "measured" and width_px > 0,
        width_px=width_px,
        height_px=height_px,
        edge_widths_px=() if tiles is None else tiles.edge_width_px,
        smear_px=None if sharpness is None else sharpness.smear_px,
        smear_angle_deg=None if sharpness is None else sharpness.smear_angle_deg,
        sharpest=_spot(row.sharpest),
        softest=_spot(row.softest),
        clipped="" if clipping is None else percent(clipping.highlight_share.any),
    )


def _viewed_size(row: AuditedFrame) -> tuple[int, int]:
    if row.sensor is None:
        return 0, 0
    size = (row.sensor.width_px, row.sensor.height_px)
    turned = row.exposure is not None and row.exposure.orientation in TURNED
    return size[::-1] if turned else size


def _spot(crop: Crop | None) -> Spot | None:
    if crop is None:
        return None
    x = crop.left_share + crop.width_share / 2 - 0.5
    y = crop.top_share + crop.height_share / 2 - 0.5
    return round(x, 5), round(y, 5), crop.edge_width_px if math.isfinite(crop.edge_width_px) else 0
