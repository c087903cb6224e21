"""What the caller of a run needs from its report: the exit code, one frame, the names audited."""

from collections.abc import Set as AbstractSet
from typing import get_args

from audit.records import AuditedFrame, FindingCode, Report

DONE = 0
FINDINGS = 1
MISUSE = 2
SOME_UNREAD = 3
INTERRUPTED = 130
"""As a shell reports a program that Ctrl-C ended: 128 + SIGINT."""

FINDING_KINDS: tuple[str, ...] = get_args(FindingCode)


def exit_code(report: Report, kinds: AbstractSet[str]) -> int:
    """Choose the exit code: interrupted, then the findings asked for, then unread frames.

    Parameters
    ----------
    report : Report
        The answer of a run.
    kinds : set of str
        Kinds of finding that the caller does not accept; excused findings do not count.
    """
    if report.interrupted:
        return INTERRUPTED
    findings = (finding for frame in report.frames for finding in frame.findings)
    if any(finding.kind in kinds and finding.excused_by is None for finding in findings):
        return FINDINGS
    if any(frame.state != "measured" for frame in report.frames):
        return SOME_UNREAD
    return DONE


def frame_named(report: Report, name: str) -> AuditedFrame | None:
    """Return the first frame of that name, or with a companion of that name."""
    return next((frame for frame in report.frames if name in (frame.file, *frame.companions)), None)


def reason_skipped(report: Report, name: str) -> str | None:
    """Say why a file was no frame, if it was skipped."""
    return next((skipped.reason for skipped in report.skipped if skipped.file == name), None)


def audited_names(report: Report) -> frozenset[tuple[int, str]]:
    """List every file that belongs to a frame, with the index of its folder."""
    return frozenset(
        (frame.folder, name) for frame in report.frames for name in (frame.file, *frame.companions)
    )
