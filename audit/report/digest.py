"""What several writers say about a report: the words for states, the main finding, the causes."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from audit.records import AuditedFrame, Finding, FindingCode, Report, Severity, Verdict
from audit.report.units import figure

VERDICT_WORDS: dict[Verdict, str] = {
    "keeper": "keep",
    "look-again": "look again",
    "reject": "reject",
    "unread": "unread",
}
SEVERITY_WORDS: dict[Severity, str] = {"fault": "fault", "warn": "warning", "note": "note"}
GRAVEST_FIRST: tuple[Severity, ...] = ("fault", "warn", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One kind of fault or warning, over the whole report."""

    kind: FindingCode
    frames: int
    advice: str
    """The advice that most of these frames carry."""


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
    """Say why a measured frame without any weighty finding is no keeper."""
    if frame.state != "measured" or frame.verdict == "keeper" or weighty(frame):
        return None
    share = target_share(frame)
    if share is None or frame.print is None:
        return "Too few clear edges to tell how sharp it is."
    held = figure(share, "share")
    if frame.print.limited_by == "pixels":
        return f"Sharp, but too few pixels for the target print: holds at {held} of it."
    return f"Softer than the target print needs: holds at {held} of it. No single cause was found."


def main_sentence(frame: AuditedFrame) -> str | None:
    """Say in one sentence what matters most about a frame; ``None`` if it is simply a keeper."""
    return next((finding.message for finding in weighty(frame)), None) or plain_reason(frame)


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
