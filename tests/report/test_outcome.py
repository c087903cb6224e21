"""What a caller reads off a report. Exit codes are proved in tests/test_cli.py."""

from typing import get_args

from audit.records import FindingCode, Report
from audit.report.outcome import FINDING_KINDS, audited_names, frame_named, reason_skipped


def test_the_kinds_are_those_of_the_records() -> None:
    assert get_args(FindingCode) == FINDING_KINDS


def test_a_frame_is_found_by_any_of_its_files(made_report: Report) -> None:
    first = made_report.frames[0]
    assert frame_named(made_report, first.file) is first
    assert frame_named(made_report, first.companions[0]) is first
    assert frame_named(made_report, "nowhere.dng") is None


def test_every_file_of_a_frame_is_audited(made_report: Report) -> None:
    names = audited_names(made_report)
    assert {(0, "day1/VK50_0101.dng"), (0, "day1/VK50_0101.jpg")} <= names
    assert len(names) == len(made_report.frames) + 2


def test_a_skipped_file_has_its_reason(made_report: Report) -> None:
    assert reason_skipped(made_report, "notes.txt") == "not a picture"
    assert reason_skipped(made_report, "a.dng") is None
