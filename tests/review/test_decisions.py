"""Decisions last: steps back and forth, other processes, kills, spoilt and foreign files."""

import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import SettingsError, StoreError
from audit.review.decisions import COPY_NAME, FILE_NAME, UNDECIDED, Decision, Decisions, Kept
from audit.review.decisions_file import decisions_json, read_decisions, write_decisions

ONE, TWO, FAR = (letter * 64 for letter in "abc")
KEEP, REJECT = Decision(word="keeper"), Decision(word="reject", note="soft")
NAMES = {ONE: "one.dng", TWO: "two.dng", FAR: "far.dng"}

CHILD = """
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from audit.review.decisions import Decision, Decisions
decisions = Decisions(Path(sys.argv[1]))
number = int(sys.argv[2])
while True:
    content = f"{number:064x}"
    decisions.decide({content: Decision(word="keeper", note=str(number))}, {content: "x"})
    print(number, flush=True)
    number += 1
"""


@pytest.fixture(name="decisions")
def decisions_fixture(tmp_path: Path) -> Iterator[Decisions]:
    with Decisions(tmp_path) as decisions:
        decisions.look_at([ONE, TWO])
        yield decisions


def test_a_step_of_several_frames_goes_back_and_forth_as_one(decisions: Decisions) -> None:
    decisions.decide({ONE: KEEP, TWO: REJECT}, NAMES)
    decisions.decide({ONE: REJECT}, NAMES)

    assert decisions.undo() == (ONE,)
    assert decisions.of([ONE, TWO]) == {ONE: KEEP, TWO: REJECT}
    assert set(decisions.undo()) == {ONE, TWO}
    assert decisions.of([ONE, TWO]) == {ONE: UNDECIDED, TWO: UNDECIDED}
    assert decisions.undo() == ()
    assert set(decisions.redo()) == {ONE, TWO}
    assert decisions.redo() == (ONE,)
    assert decisions.redo() == ()
    assert decisions.of([ONE, TWO]) == {ONE: REJECT, TWO: REJECT}


def test_a_new_step_ends_the_way_forward(decisions: Decisions) -> None:
    decisions.decide({ONE: KEEP}, NAMES)
    decisions.undo()
    decisions.decide({TWO: KEEP}, NAMES)

    assert decisions.can() == (True, False)
    assert decisions.redo() == ()


def test_saying_the_same_again_is_no_step(decisions: Decisions) -> None:
    assert decisions.decide({ONE: KEEP}, NAMES)
    assert not decisions.decide({ONE: KEEP}, NAMES)
    decisions.undo()
    assert decisions.undo() == ()


def test_frames_of_another_trip_are_not_undone(decisions: Decisions) -> None:
    decisions.decide({ONE: KEEP}, NAMES)
    decisions.decide({FAR: KEEP}, NAMES)

    assert decisions.undo() == (ONE,)
    assert decisions.of([FAR]) == {FAR: KEEP}


def test_what_was_decided_is_there_after_a_new_start_and_can_be_undone(tmp_path: Path) -> None:
    with Decisions(tmp_path) as first:
        first.look_at([ONE])
        first.decide({ONE: REJECT}, NAMES)
    with Decisions(tmp_path) as second:
        second.look_at([ONE])
        assert second.of([ONE]) == {ONE: REJECT}
        assert second.undo() == (ONE,)


def test_two_processes_see_each_other(tmp_path: Path) -> None:
    with Decisions(tmp_path) as one, Decisions(tmp_path) as two:
        assert not one.has_changed_elsewhere()
        two.decide({ONE: KEEP}, NAMES)
        assert one.has_changed_elsewhere()
        assert not one.has_changed_elsewhere()
        assert one.of([ONE]) == {ONE: KEEP}


@settings(max_examples=30, deadline=None)
@given(st.lists(st.sampled_from(["keep", "reject", "back", "undo", "redo"]), max_size=30))
def test_undo_and_redo_are_those_of_a_plain_list(words: list[str]) -> None:
    """The model: a list of values and a place in it."""
    values, place = [UNDECIDED], 0
    said = {"keep": KEEP, "reject": REJECT, "back": UNDECIDED}
    with tempfile.TemporaryDirectory() as folder, Decisions(Path(folder)) as decisions:
        decisions._database.execute("PRAGMA synchronous = OFF")
        decisions.look_at([ONE])
        for word in words:
            if word == "undo":
                decisions.undo()
                place = max(0, place - 1)
            elif word == "redo":
                decisions.redo()
                place = min(len(values) - 1, place + 1)
            elif decisions.decide({ONE: said[word]}, NAMES):
                values = [*values[: place + 1], said[word]]
                place += 1
            assert decisions.of([ONE]).get(ONE, UNDECIDED) == values[place]


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_killed_at_any_moment_nothing_confirmed_is_lost(tmp_path: Path) -> None:
    """tests/stress/decision_kills.py does it 50 times, by way of the page."""
    confirmed: list[int] = []
    for wait in (1, 7, 23):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(tmp_path), str(len(confirmed))],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        confirmed.extend(int(child.stdout.readline()) for _ in range(wait))
        child.send_signal(signal.SIGKILL)
        confirmed.extend(int(line) for line in child.stdout.read().splitlines())
        child.wait()
        child.stdout.close()
        with Decisions(tmp_path) as decisions:
            kept = decisions.of(f"{number:064x}" for number in confirmed)
        assert [each.note for each in kept.values()] == [str(number) for number in confirmed]


def test_a_spoilt_file_is_refused_and_left_and_a_copy_is_there(tmp_path: Path) -> None:
    with Decisions(tmp_path) as decisions:
        decisions.decide({ONE: KEEP}, NAMES)
    with Decisions(tmp_path):
        pass
    spoilt = bytearray((tmp_path / FILE_NAME).read_bytes())
    spoilt[100:4000] = b"\xff" * 3900
    (tmp_path / FILE_NAME).write_bytes(spoilt)

    with pytest.raises(StoreError, match=f"nothing was changed.*{COPY_NAME}"):
        Decisions(tmp_path)
    assert (tmp_path / FILE_NAME).read_bytes() == spoilt
    (tmp_path / COPY_NAME).replace(tmp_path / FILE_NAME)
    with Decisions(tmp_path) as decisions:
        assert decisions.of([ONE]) == {ONE: KEEP}


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    database = sqlite3.connect(tmp_path / FILE_NAME)
    database.execute("CREATE TABLE theirs (x)")
    database.commit()
    database.close()

    with pytest.raises(StoreError, match="another program's"):
        Decisions(tmp_path)


def test_a_disk_that_refuses_is_told_and_nothing_is_half_done(decisions: Decisions) -> None:
    decisions.decide({ONE: KEEP}, NAMES)
    decisions._database.execute("PRAGMA max_page_count = 1")
    decisions._database.execute("PRAGMA query_only = ON")

    with pytest.raises(StoreError, match="cannot be written"):
        decisions.decide({ONE: REJECT, TWO: REJECT}, NAMES)
    assert decisions.of([ONE, TWO]) == {ONE: KEEP}


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")
def test_nobody_else_reads_them(tmp_path: Path) -> None:
    with Decisions(tmp_path / "own"):
        pass

    assert (tmp_path / "own" / FILE_NAME).stat().st_mode & 0o077 == 0
    assert (tmp_path / "own" / COPY_NAME).stat().st_mode & 0o077 == 0


# ---------------------------------------------------------------- carried between machines


def test_what_goes_out_comes_in(decisions: Decisions, tmp_path: Path) -> None:
    decisions.decide({ONE: KEEP, TWO: REJECT}, NAMES)
    write_decisions(tmp_path / "out.json", decisions.all().values())

    with Decisions(tmp_path / "elsewhere") as other:
        assert other.take_in(read_decisions(tmp_path / "out.json")) == 2
        assert other.all() == decisions.all()
        assert other.take_in(read_decisions(tmp_path / "out.json")) == 0


def test_the_later_word_wins_and_taking_over_can_be_undone(decisions: Decisions) -> None:
    decisions.decide({ONE: KEEP, TWO: KEEP}, NAMES)
    old, new = "2001-01-01T00:00:00.000+00:00", "2999-01-01T00:00:00.000+00:00"

    taken = decisions.take_in(
        Kept(content_hash=content, file="x", word="reject", note="", decided_at=at)
        for content, at in ((ONE, old), (TWO, new))
    )

    assert taken == 1
    assert decisions.of([ONE, TWO]) == {ONE: KEEP, TWO: Decision(word="reject")}
    assert decisions.undo() == (TWO,)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("{", "format 1"),
        ("[]", "format 1"),
        ('{"kind": "other", "format": 1, "decisions": []}', "format 1"),
        ('{"kind": "frame-audit decisions", "format": 2, "decisions": []}', "format 1"),
        ('{"decisions": []}', "format 1"),
        (decisions_json([Kept(content_hash="../x", file="", word=None, note="", decided_at="")]),
         "32|64 digits"),
    ],
)  # fmt: skip
def test_a_file_that_is_none_is_refused(tmp_path: Path, text: str | bytes, found: str) -> None:
    path = tmp_path / "in.json"
    path.write_bytes(text.encode() if isinstance(text, str) else text)

    with pytest.raises(SettingsError, match=found):
        read_decisions(path)


def test_nothing_else_is_replaced_by_an_export(tmp_path: Path) -> None:
    path = tmp_path / "precious.json"
    path.write_text("{}")

    with pytest.raises(SettingsError, match="expected decisions"):
        write_decisions(path, [])
    assert path.read_text() == "{}"
