"""What several writers say about a report: the words for states, the main finding, the causes."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from audit.records import (
    AuditedFrame,
    Finding,
    FindingCode,
    Print,
    Report,
    Series,
    Severity,
    Verdict,
)
from audit.report.units import (
    counted,
    edge_width,
    figure,
    length,
    number,
    percent,
    shutter,
    sides_cm,
    sides_in,
    wished_print,
)

CLOSE_VIEWING_CM = 25.0
"""Nearest comfortable reading distance; the records' ``close_long_cm`` is for it."""

VERDICT_WORDS: dict[Verdict, str] = {
    "keeper": "keep",
    "look-again": "look again",
    "reject": "reject",
    "unread": "unread",
}
SEVERITY_WORDS: dict[Severity, str] = {"fault": "fault", "warn": "warning", "note": "note"}
GRAVEST_FIRST: tuple[Severity, ...] = ("fault", "warn", "note")


FIRST_LOOK = "first look"
"""Marks every frame of which only a preview or a reduced picture was read."""
AT_LEAST = "at least "
"""Stands before a print that a first look is sure of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One kind of fault or warning, over the whole report."""

    kind: FindingCode
    frames: int
    advice: str
    """The advice that most of these frames carry."""


def verdict_words(frame: AuditedFrame) -> str:
    """Give a frame's verdict, marked where it rests on a first look."""
    words = VERDICT_WORDS[frame.verdict]
    return words if frame.depth == "full" else f"{words}, {FIRST_LOOK}"


def edge_words(frame: AuditedFrame) -> str | None:
    """Give the edge width in pixels; of a first look perhaps what it is at most."""
    sharpness = frame.sharpness
    if sharpness is None:
        return None
    low_px, high_px = sharpness.edge_width_low_px, sharpness.edge_width_high_px
    if sharpness.edge_width_px is None:
        return None if high_px is None else f"at most {high_px:.1f}"
    return edge_width(sharpness.edge_width_px, low_px, high_px)


def first_look_words(report: Report) -> str | None:
    """Say of how many frames only a first look was taken; ``None`` if of none."""
    count = report.counts.first_look
    if not count:
        return None
    return (
        f"{counted(count, 'frame')} of {report.counts.measured}: {FIRST_LOOK} only, at previews or"
        " half size. It bounds the width of edges from above; whether a frame is soft and why, its"
        " noise and the raw's own lights cannot be told from it. The same command without --quick"
        " measures them in full."
    )


def standing(frame: AuditedFrame) -> tuple[Finding, ...]:
    """Findings that nothing excuses, gravest first, then surest first."""
    return tuple(
        sorted(
            (finding for finding in frame.findings if finding.excused_by is None),
            key=lambda finding: (GRAVEST_FIRST.index(finding.severity), -finding.confidence),
        )
    )


def excused(frame: AuditedFrame) -> tuple[Finding, ...]:
    """Findings that do not count."""
    return tuple(finding for finding in frame.findings if finding.excused_by is not None)


def weighty(frame: AuditedFrame) -> tuple[Finding, ...]:
    """Standing faults and warnings; of a frame without any, the note that nothing can be told."""
    found = standing(frame)
    grave = tuple(finding for finding in found if finding.severity != "note")
    if grave or frame.verdict == "keeper":
        return grave
    return tuple(finding for finding in found if finding.kind == "no-edges")


def plain_reason(frame: AuditedFrame) -> str | None:
    """Say why a measured frame is no keeper, where its series or no weighty finding says it."""
    if frame.verdict_note is not None:
        return frame.verdict_note
    if frame.state != "measured" or frame.verdict == "keeper" or weighty(frame):
        return None
    share = target_share(frame)
    if share is None or frame.print is None:
        return "Too few clear edges to tell how sharp it is."
    held = figure(share, "share")
    if frame.print.at_most_long_cm is not None:
        return f"Holds at {held} of the target print at least; more a first look cannot tell."
    if frame.print.limited_by == "pixels":
        return f"Sharp, but too few pixels for the target print: holds at {held} of it."
    return f"Softer than the target print needs: holds at {held} of it. No single cause was found."


def main_sentence(frame: AuditedFrame) -> str | None:
    """Say in one sentence what matters most about a frame; ``None`` if it is simply a keeper."""
    return next((finding.message for finding in weighty(frame)), None) or plain_reason(frame)


def series_of(report: Report, frame: AuditedFrame) -> Series | None:
    """Return the series that a frame belongs to."""
    return next((series for series in report.series if series.id == frame.series), None)


def place_in_series(series: Series, frame: AuditedFrame) -> int | None:
    """Place of a frame in its series, 1 for the best."""
    return series.order.index(frame.file) + 1 if frame.file in series.order else None


def series_words(series: Series) -> str:
    """Give a series' kind, its number of frames, the first, the last and the best of them."""
    first = series.files[0]
    last = beside(series.files[-1], first)
    best = "" if series.best is None else f"; best {beside(series.best, first)}"
    frames = counted(len(series.files), "frame")
    return f"{kind_words(series.kind)}, {frames}: {first} to {last}{best}"


def beside(file: str, other: str) -> str:
    """Name a file next to another one: its folders are left out where they are the same.

    >>> beside("day-2/b.jpg", "day-2/a.jpg")
    'b.jpg'
    """
    folder, _, name = file.rpartition("/")
    return name if folder == other.rpartition("/")[0] else file


def exposure_words(frame: AuditedFrame) -> str:
    """Shutter, aperture, ISO and focal length as the camera wrote them; empty if it did not."""
    exposure = frame.exposure
    if exposure is None:
        return ""
    parts = (
        None if exposure.shutter_s is None else shutter(exposure.shutter_s),
        None if exposure.aperture_n is None else f"f/{number(exposure.aperture_n)}",
        None if exposure.iso is None else f"ISO {number(exposure.iso)}",
        None if exposure.focal_mm is None else f"{number(exposure.focal_mm)} mm",
    )
    return " ".join(part for part in parts if part is not None)


def figures_of(finding: Finding) -> str:
    """Give a finding's value, limit and confidence."""
    parts = []
    if finding.value is not None:
        parts.append(f"found {figure(finding.value, finding.unit)}")
    if finding.limit is not None:
        parts.append(f"limit {figure(finding.limit, finding.unit)}")
    parts.append(f"confidence {percent(finding.confidence)}")
    return ", ".join(parts)


def holds_at(size: Print) -> tuple[str, str]:
    """Give the print that holds, in cm and inches: from the chosen distance, and from close by."""
    close_short_cm = size.close_long_cm * size.short_cm / size.long_cm if size.long_cm else 0.0
    bound = "" if size.at_most_long_cm is None else AT_LEAST
    chosen, close = (
        f"{bound}{sides_cm(long_cm, short_cm)} cm ({sides_in(long_cm, short_cm)} in)"
        f" seen from {length(viewing_cm)}"
        for viewing_cm, long_cm, short_cm in (
            (size.viewing_cm, size.long_cm, size.short_cm),
            (CLOSE_VIEWING_CM, size.close_long_cm, close_short_cm),
        )
    )
    return chosen, close


def held_against(report: Report) -> str:
    """Say against which print the frames were held."""
    settings = report.settings
    seen = f"seen from {length(settings.viewing_cm)}"
    if settings.print_long_cm is not None and settings.print_short_cm is not None:
        size = wished_print(settings.print_long_cm, settings.print_short_cm)
        return f"held against a print of {size}, {seen}"
    share = settings.limits.get("keeper_share")
    part = percent(share) if isinstance(share, float) else "a fixed part"
    return f"held against {part} of the print that a fully sharp frame of its size gives, {seen}"


def target_share(frame: AuditedFrame) -> float | None:
    """Long side that holds over the long side asked for."""
    if frame.print is None or frame.print.target_long_cm <= 0:
        return None
    return frame.print.long_cm / frame.print.target_long_cm


def causes(report: Report) -> tuple[Cause, ...]:
    """Standing faults and warnings by kind, commonest first."""
    frames: Counter[FindingCode] = Counter()
    advice: dict[FindingCode, Counter[str]] = {}
    for frame in report.frames:
        grave = [finding for finding in standing(frame) if finding.severity != "note"]
        frames.update({finding.kind for finding in grave})
        for finding in grave:
            advice.setdefault(finding.kind, Counter())[finding.advice] += 1
    return tuple(
        Cause(kind=kind, frames=count, advice=advice[kind].most_common(1)[0][0])
        for kind, count in sorted(frames.items(), key=lambda item: (-item[1], item[0]))
    )


def lens_remarks(report: Report) -> tuple[Finding, ...]:
    """What the frames tell together of a lens: once a lens, whatever the number of frames."""
    by_message = {
        finding.message: finding
        for frame in report.frames
        for finding in standing(frame)
        if finding.kind == "soft-side"
    }
    return tuple(by_message[message] for message in sorted(by_message))


def unread(report: Report) -> Iterator[AuditedFrame]:
    """Frames without figures."""
    return (frame for frame in report.frames if frame.state != "measured")


def kind_words(kind: str) -> str:
    """Spell a finding's kind or a state as words."""
    return kind.replace("-", " ")
