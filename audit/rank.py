"""Verdict of a frame and the order of frames: best first."""

from collections.abc import Iterable, Sequence

import msgspec

from audit.records import AuditedFrame, Finding, Print, Verdict
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
        ``ruined_highlight_share`` of the frame; all else is ``look-again``.
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
    if held_share < limits.look_again_share:
        return "reject"
    return "keeper" if held_share >= 1.0 and not faults else "look-again"


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
