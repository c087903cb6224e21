"""Verdict of a frame, by itself and in its series, and the order of frames: best first."""

from collections.abc import Iterable, Mapping, Sequence

import msgspec

from audit.records import (
    AuditedFrame,
    Finding,
    FindingCode,
    Print,
    Series,
    SeriesKind,
    Verdict,
)
from audit.settings import Settings

VERDICT_ORDER: dict[Verdict, int] = {"keeper": 0, "look-again": 1, "reject": 2, "unread": 3}


def verdict_of(print_: Print | None, findings: Sequence[Finding], settings: Settings) -> Verdict:
    """Decide on a measured frame.

    Parameters
    ----------
    print_ : Print or None
        The print at which it holds; ``None`` where its sharpness cannot be told.
    findings : sequence of Finding
        Excused ones do not count.
    settings : Settings

    Returns
    -------
    Verdict
        ``keeper`` holds at the target with no fault; ``reject`` holds at less than
        ``look_again_share`` of it, or lost highlights beyond recovery over
        ``ruined_highlight_share`` of the frame; all else is ``look-again``. A first
        look rejects only where even the most that may hold is less.
    """
    limits = settings.limits
    faults = [each for each in findings if each.severity == "fault" and each.excused_by is None]
    ruined = any(
        each.kind == "clipped-highlights"
        and each.value is not None
        and each.value >= limits.ruined_highlight_share
        for each in faults
    )
    if ruined:
        return "reject"
    if print_ is None:
        return "look-again"
    held_share = print_.long_cm / print_.target_long_cm
    most_cm = print_.long_cm if print_.at_most_long_cm is None else print_.at_most_long_cm
    if most_cm / print_.target_long_cm < limits.look_again_share:
        return "reject"
    return "keeper" if held_share >= 1.0 and not faults else "look-again"


NEEDED_WHOLE: frozenset[SeriesKind] = frozenset({"exposure-bracket", "focus-bracket", "panorama"})
"""Series whose every frame is needed for the picture that they make together."""

VERDICT_WORDS: dict[Verdict, str] = {
    "keeper": "kept",
    "look-again": "looked at again",
    "reject": "rejected",
    "unread": "unread",
}


def in_series(
    row: AuditedFrame,
    series: Series,
    settings: Settings,
    *,
    excuses: Mapping[FindingCode, str],
    why_not_best: str | None,
) -> AuditedFrame:
    """Judge a row again as a member of its series.

    Parameters
    ----------
    row : AuditedFrame
        Judged by itself.
    series : Series
    settings : Settings
    excuses : mapping of FindingCode to str
        Findings that do not count because of the other members.
    why_not_best : str or None
        Of a repeat that is not the best one: what the best one has over it.

    Returns
    -------
    AuditedFrame
        Where the verdict is no longer the frame's own, ``verdict_note`` says why.
    """
    findings = tuple(
        msgspec.structs.replace(each, excused_by=excuses[each.kind])
        if each.kind in excuses and each.excused_by is None
        else each
        for each in row.findings
    )
    own = verdict_of(row.print, findings, settings)
    verdict, note = own, None
    if why_not_best is not None:
        verdict = _of_repeat(own, settings)
        note = f"Repeat of {series.best} ({series.id}). {why_not_best}"
    elif series.kind in NEEDED_WHOLE and own == "reject":
        verdict = "look-again"
        note = f"The {series.kind.replace('-', ' ')} {series.id} needs it."
    if note is not None and verdict != own:
        note = f"{note} By itself it would be {VERDICT_WORDS[own]}."
    return msgspec.structs.replace(
        row,
        findings=findings,
        verdict=verdict,
        verdict_note=note if verdict != own else None,
        notes=row.notes if note is None or verdict != own else (*row.notes, note),
        series=series.id,
    )


def _of_repeat(own: Verdict, settings: Settings) -> Verdict:
    """Verdict of a repeat that is not the best one: never better than its own."""
    if settings.repeats == "keep":
        return own
    return max(own, settings.repeats, key=VERDICT_ORDER.__getitem__)


def ranked(frames: Iterable[AuditedFrame]) -> tuple[AuditedFrame, ...]:
    """Put frames in order and number the measured ones from 1.

    Parameters
    ----------
    frames : iterable of AuditedFrame

    Returns
    -------
    tuple of AuditedFrame
        By verdict, then print size, then sharp share, then clipping, then name; unread frames
        last, by name, with no rank. The order does not depend on that of the input.
    """
    in_order = sorted(frames, key=_key)
    return tuple(
        msgspec.structs.replace(frame, rank=None if frame.verdict == "unread" else place)
        for place, frame in enumerate(in_order, start=1)
    )


def _key(frame: AuditedFrame) -> tuple[int, float, float, float, int, str]:
    sharp_share = frame.sharpness.sharp_share if frame.sharpness else None
    return (
        VERDICT_ORDER[frame.verdict],
        -(frame.print.long_cm if frame.print else 0.0),
        -(sharp_share or 0.0),
        frame.clipping.highlight_share.any if frame.clipping else 0.0,
        frame.folder,
        frame.file,
    )
