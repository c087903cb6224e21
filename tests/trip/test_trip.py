"""Whole trips: every planted habit is stated, nothing else is, and few frames state nothing."""

from typing import get_args

import msgspec
import pytest
from simulated_trip import PLANS, missed, trip_of, untrue

from audit.records import AuditedFrame, Report
from audit.report.trip_words import QUESTION_WORDS
from audit.trip import trip_report
from audit.trip.taken import taken
from audit.trip_records import Question

SEED = 3
"""One of the seeds that the rules were made with; tests/benchmarks/trip.py has the others."""

FEW = 5


def of_frames(report: Report, frames: tuple[AuditedFrame, ...]) -> Report:
    return msgspec.structs.replace(report, frames=frames)


@pytest.mark.parametrize("name", PLANS)
def test_planted_habits_are_stated_and_no_others(name: str) -> None:
    found = trip_report(trip_of(name, SEED))

    assert missed(found, name) == set()
    assert untrue(found, name) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_quiet_trip_has_no_habit(seed: int) -> None:
    found = trip_report(trip_of(None, seed))

    assert [each.message for each in found.statements if each.is_habit] == []
    assert untrue(found, None) == []


@pytest.mark.parametrize("name", PLANS)
def test_few_frames_state_nothing(name: str) -> None:
    report = trip_of(name, SEED)
    few = msgspec.structs.replace(of_frames(report, report.frames[:FEW]), dust=())

    assert trip_report(few).statements == ()


def test_no_frames_are_no_trouble() -> None:
    report = trip_of(None, SEED)
    found = trip_report(of_frames(report, ()))

    assert found.frames == 0
    assert found.statements == ()
    assert found.days == ()


def test_the_order_of_the_rows_changes_nothing() -> None:
    report = trip_of("hand and night", SEED)
    turned = of_frames(report, tuple(reversed(report.frames)))

    assert trip_report(turned) == trip_report(report)


def test_frames_that_say_nothing_of_themselves_are_counted_and_state_nothing() -> None:
    """No lens, no time, no exposure, no sharpness: unknown is no evidence."""
    report = trip_of(None, SEED)
    bare = tuple(
        msgspec.structs.replace(
            frame,
            exposure=msgspec.convert({}, type(frame.exposure)),
            sharpness=None,
            clipping=None,
            noise=None,
            print=None,
            findings=(),
        )
        for frame in report.frames
    )
    found = trip_report(of_frames(report, bare))

    assert found.frames == len(bare)
    assert found.statements == ()


def test_every_statement_carries_its_counts_its_confidence_and_one_sentence() -> None:
    for name in PLANS:
        for each in trip_report(trip_of(name, SEED)).statements:
            assert each.frames >= each.scenes >= 1 or each.question == "dust"
            assert 0.8 <= each.confidence <= 1.0
            assert each.message[-1] in ".?"
            assert each.message.count(". ") == 0
            assert any(character.isdigit() for character in each.message)


@pytest.mark.parametrize("is_worse", [False, True])
def test_a_folder_that_kept_fewer_frames_is_named(*, is_worse: bool) -> None:
    """Every second place goes to a second folder; worse: none of its frames holds."""
    report = trip_of(None, SEED)
    second = {
        shot.row.file: bool(shot.place % 2) for shot in taken(report) if shot.row.print is not None
    }
    frames = tuple(
        msgspec.structs.replace(
            each,
            folder=int(second.get(each.file, False)),
            print=each.print
            and msgspec.structs.replace(
                each.print, long_cm=1.0 if is_worse and second[each.file] else each.print.long_cm
            ),
        )
        for each in report.frames
    )
    found = trip_report(msgspec.structs.replace(report, frames=frames, folders=("low", "high")))
    said = {each.subject: each for each in found.statements if each.question == "folder"}

    assert {(row.folder, row.day) for row in found.days} == {
        (folder, f"2031-05-0{day}") for folder in (0, 1) for day in (3, 4, 5)
    }
    assert set(said) == ({"low", "high"} if is_worse else set())
    assert not is_worse or said["high"].value == 0.0


def test_every_question_has_words() -> None:
    assert set(QUESTION_WORDS) == set(get_args(Question))


def test_repeats_of_one_scene_count_once() -> None:
    """Every frame twice: the same scenes, so not one statement more."""
    report = trip_of(None, SEED)
    twins = tuple(
        msgspec.structs.replace(each, file=f"again/{each.file}") for each in report.frames
    )
    found, doubled = (
        trip_report(of_frames(report, frames)) for frames in (report.frames, report.frames + twins)
    )

    assert doubled.scenes == found.scenes
    assert doubled.frames == 2 * found.frames
    assert {each.question for each in doubled.statements} == {
        each.question for each in found.statements
    }
