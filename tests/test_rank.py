"""Verdicts and the order of frames."""

import random

import msgspec
import pytest

from audit.rank import ranked, verdict_of
from audit.records import AuditedFrame, Finding, Print, Verdict
from audit.settings import Settings

DEFAULTS = Settings()


def print_of(long_cm: float, target_cm: float = 90.0) -> Print:
    return Print(
        long_cm=long_cm,
        short_cm=long_cm / 1.5,
        viewing_cm=50.0,
        limited_by="softness",
        close_long_cm=long_cm / 2,
        target_long_cm=target_cm,
    )


def fault(kind: str = "blocked-shadows", value: float = 0.2, excused: str | None = None) -> Finding:
    return msgspec.convert(
        {
            "kind": kind,
            "severity": "fault",
            "value": value,
            "limit": 0.02,
            "unit": "share",
            "confidence": 0.9,
            "message": "",
            "excused_by": excused,
        },
        Finding,
    )


@pytest.mark.parametrize(
    ("print_", "findings", "verdict"),
    [
        (print_of(90.0), (), "keeper"),
        (print_of(120.0), (), "keeper"),
        (print_of(89.0), (), "look-again"),
        (print_of(63.0), (), "look-again"),
        (print_of(62.0), (), "reject"),
        (None, (), "look-again"),
        (print_of(120.0), (fault(),), "look-again"),
        (print_of(120.0), (fault(excused="S01"),), "keeper"),
        (print_of(120.0), (fault("clipped-highlights", 0.05),), "look-again"),
        (print_of(120.0), (fault("clipped-highlights", 0.3),), "reject"),
        (print_of(120.0), (fault("clipped-highlights", 0.3, "S01"),), "keeper"),
        (None, (fault("clipped-highlights", 0.3),), "reject"),
    ],
)
def test_verdict(print_: Print | None, findings: tuple[Finding, ...], verdict: Verdict) -> None:
    assert verdict_of(print_, findings, DEFAULTS) == verdict


def row(file: str, verdict: Verdict, long_cm: float | None = None) -> AuditedFrame:
    return AuditedFrame(
        file=file,
        companions=(),
        format="dng",
        state="unreadable" if verdict == "unread" else "measured",
        error=None,
        verdict=verdict,
        rank=None,
        print=None if long_cm is None else print_of(long_cm),
    )


IN_ORDER = (
    row("e.dng", "keeper", 120.0),
    row("a.dng", "keeper", 95.0),
    row("d.dng", "look-again", 130.0),
    row("c.dng", "look-again"),
    row("b.dng", "reject", 30.0),
    row("f.dng", "unread"),
    row("g.dng", "unread"),
)


@pytest.mark.parametrize("seed", range(5))
def test_order_is_the_same_for_any_input_order(seed: int) -> None:
    shuffled = list(IN_ORDER)
    random.Random(seed).shuffle(shuffled)

    result = ranked(shuffled)

    assert [frame.file for frame in result] == [frame.file for frame in IN_ORDER]
    assert [frame.rank for frame in result] == [1, 2, 3, 4, 5, None, None]
