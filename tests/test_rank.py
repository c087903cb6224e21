"""Verdicts and the order of frames."""

import random

import msgspec
import pytest

from audit.rank import in_series, ranked, verdict_of
from audit.records import AuditedFrame, Finding, Print, Series, SeriesKind, Verdict
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


# ---------------------------------------------------------------- in a series


def row_of(long_cm: float, *findings: Finding) -> AuditedFrame:
    return AuditedFrame(
        file="a.jpg",
        companions=(),
        format="jpeg",
        state="measured",
        error=None,
        print=print_of(long_cm),
        findings=findings,
        verdict=verdict_of(print_of(long_cm), findings, DEFAULTS),
        rank=None,
    )


def series_of(kind: SeriesKind) -> Series:
    return Series(
        id="S07",
        kind=kind,
        files=("a.jpg", "b.jpg"),
        best="b.jpg",
        order=("b.jpg", "a.jpg"),
        notes=(),
    )


def test_a_sharp_repeat_is_never_set_aside_without_a_word() -> None:
    row = in_series(
        row_of(90.0),
        series_of("repeat"),
        DEFAULTS,
        excuses={},
        why_not_best="Both are equally sharp.",
    )

    assert row.verdict == "look-again"
    assert row.verdict_note == (
        "Repeat of b.jpg (S07). Both are equally sharp. By itself it would be kept."
    )


def test_a_repeat_keeps_a_worse_verdict_of_its_own() -> None:
    row = in_series(
        row_of(40.0), series_of("repeat"), DEFAULTS, excuses={}, why_not_best="It is softer."
    )

    assert (row.verdict, row.verdict_note) == ("reject", None)
    assert row.notes == ("Repeat of b.jpg (S07). It is softer.",)


@pytest.mark.parametrize(
    ("kind", "verdict"),
    [
        ("exposure-bracket", "look-again"),
        ("focus-bracket", "look-again"),
        ("panorama", "look-again"),
        ("shutter-variants", "reject"),
    ],
)
def test_no_frame_that_its_series_needs_is_rejected(kind: SeriesKind, verdict: Verdict) -> None:
    """A frame thrown out of a bracket or a sweep would spoil the picture they make together."""
    row = in_series(row_of(40.0), series_of(kind), DEFAULTS, excuses={}, why_not_best=None)

    assert row.verdict == verdict
    assert (row.verdict_note is None) == (verdict == "reject")


def test_what_another_member_holds_is_excused_and_the_verdict_is_made_anew() -> None:
    row = in_series(
        row_of(90.0, fault("clipped-highlights", 0.3)),
        series_of("exposure-bracket"),
        DEFAULTS,
        excuses={"clipped-highlights": "b.jpg holds the highlights"},
        why_not_best=None,
    )

    assert row.verdict == "keeper"
    assert row.findings[0].excused_by == "b.jpg holds the highlights"
