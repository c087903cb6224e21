"""A frame of the report as XMP properties: what a sidecar says of it.

The names are ours, units stand in them, and every value is plain text (``docs/sidecars.md``).
"""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from audit.records import AuditedFrame
from audit.report.digest import standing

DIGITS = 4
"""Significant digits of a figure: finer than any of them is known (project's choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Property:
    """One property of ours."""

    name: str
    unit: str
    meaning: str
    of: Callable[[AuditedFrame], str | float | tuple[str, ...] | None]
    """Its value; ``None`` where it is not known."""


def _from(part: str, field: str) -> Callable[[AuditedFrame], str | float | None]:
    """Take a field of a part of the frame, such as ``sharpness`` and ``edge_width_px``."""

    def value(frame: AuditedFrame) -> str | float | None:
        record = getattr(frame, part)
        found: str | float | None = None if record is None else getattr(record, field)
        return found

    return value


def _clipped(end: str, colour: str) -> Callable[[AuditedFrame], float | None]:
    def value(frame: AuditedFrame) -> float | None:
        if frame.clipping is None:
            return None
        share: float = getattr(getattr(frame.clipping, f"{end}_share"), colour)
        return share

    return value


def _least_headroom(frame: AuditedFrame) -> float | None:
    if frame.clipping is None:
        return None
    colours = frame.clipping.headroom_ev
    return min((ev for ev in (colours.r, colours.g, colours.b) if ev is not None), default=None)


def _kinds(frame: AuditedFrame) -> tuple[str, ...]:
    return tuple(dict.fromkeys(finding.kind for finding in standing(frame)))


PROPERTIES = (
    Property(
        name="Verdict",
        unit="",
        meaning="`keeper`, `look-again` or `reject`, at the target print",
        of=lambda frame: frame.verdict,
    ),
    Property(
        name="Findings",
        unit="",
        meaning="bag of the kinds of all standing findings",
        of=_kinds,
    ),
    Property(
        name="Basis",
        unit="",
        meaning="`raw` or `developed`: what was measured; figures of the two do not compare",
        of=_from("sensor", "basis"),
    ),
    Property(
        name="EdgeWidthPx",
        unit="px",
        meaning="10-90 % edge width of the sharpest well-supported region; smaller is sharper",
        of=_from("sharpness", "edge_width_px"),
    ),
    Property(
        name="EdgeWidthLowPx",
        unit="px",
        meaning="lower end of its interval",
        of=_from("sharpness", "edge_width_low_px"),
    ),
    Property(
        name="EdgeWidthHighPx",
        unit="px",
        meaning="upper end of its interval",
        of=_from("sharpness", "edge_width_high_px"),
    ),
    Property(
        name="Mtf50Cpp",
        unit="cycles/px",
        meaning="MTF50",
        of=_from("sharpness", "mtf50_cpp"),
    ),
    Property(
        name="CeilingMtf50Cpp",
        unit="cycles/px",
        meaning="MTF50 of a perfect lens at this aperture times the pixel",
        of=_from("sharpness", "ceiling_mtf50_cpp"),
    ),
    Property(
        name="SharpShare",
        unit="0 to 1",
        meaning="share of the measurable tiles that hold at the target print",
        of=_from("sharpness", "sharp_share"),
    ),
    Property(
        name="SmearPx",
        unit="px",
        meaning="length of a directed smear",
        of=_from("sharpness", "smear_px"),
    ),
    Property(
        name="SmearAngleDeg",
        unit="deg",
        meaning="its direction as viewed: 0 level, counter-clockwise, below 180",
        of=_from("sharpness", "smear_angle_deg"),
    ),
    Property(
        name="HighlightShareAny",
        unit="0 to 1",
        meaning="share of the frame clipped in any colour",
        of=_clipped("highlight", "any"),
    ),
    Property(
        name="HighlightShareAll",
        unit="0 to 1",
        meaning="share of the frame clipped in every colour at the same place",
        of=_clipped("highlight", "all"),
    ),
    Property(
        name="ShadowShareAny",
        unit="0 to 1",
        meaning="share of the frame blocked in any colour",
        of=_clipped("shadow", "any"),
    ),
    Property(
        name="HeadroomEv",
        unit="EV",
        meaning="stops between the 99.9 % level and saturation, of the colour with the fewest",
        of=_least_headroom,
    ),
    Property(
        name="SnrMidtone",
        unit="",
        meaning="mid-tone level over its noise",
        of=_from("noise", "snr_midtone"),
    ),
    Property(
        name="PitchUm",
        unit="um",
        meaning="pixel pitch",
        of=_from("sensor", "pitch_um"),
    ),
    Property(
        name="AiryDiameterPx",
        unit="px",
        meaning="diameter of the Airy disk at this aperture, first dark ring",
        of=_from("limits", "airy_diameter_px"),
    ),
    Property(
        name="PrintLongCm",
        unit="cm",
        meaning="long side of the largest print that holds",
        of=_from("print", "long_cm"),
    ),
    Property(
        name="PrintShortCm",
        unit="cm",
        meaning="its short side",
        of=_from("print", "short_cm"),
    ),
    Property(
        name="PrintViewingCm",
        unit="cm",
        meaning="the viewing distance that it is for",
        of=_from("print", "viewing_cm"),
    ),
    Property(
        name="PrintTargetLongCm",
        unit="cm",
        meaning="long side of the print that the frame is held against",
        of=_from("print", "target_long_cm"),
    ),
)
"""Promised: a name never changes its meaning; more may come."""


def measures_of(frame: AuditedFrame) -> dict[str, str | tuple[str, ...]]:
    """Give the properties of a measured frame.

    Parameters
    ----------
    frame : AuditedFrame

    Returns
    -------
    dict of str to str or tuple of str
        By local name. What is not known is left out; nothing at all of an unread frame.
    """
    if frame.state != "measured":
        return {}
    values = ((each.name, _written(each.of(frame))) for each in PROPERTIES)
    return {name: value for name, value in values if value is not None and value != ()}


def _written(value: str | float | tuple[str, ...] | None) -> str | tuple[str, ...] | None:
    """Write a figure without exponent, as XMP's Real has none (ISO 16684-1, 8.2.1; from memory)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value
    decimal = Decimal(f"{value:.{DIGITS}g}")
    return f"{decimal:f}" if decimal.is_finite() else None
