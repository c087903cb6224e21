"""The files as a whole: gaps are questions, and only where there are some."""

import msgspec
import pytest
from conftest import MakeReading

from audit.card import card_notes
from audit.records import CardNote, Frame, Reading, Skipped, Unread

SECOND_NS = 1_000_000_000


def frames(*files: str, size_bytes: int = 9) -> list[Frame]:
    return [
        Frame(file=file, path=file.encode(), format="jpeg", size_bytes=size_bytes, mtime_ns=0)
        for file in files
    ]


def kinds(notes: tuple[CardNote, ...]) -> list[str]:
    return [note.kind for note in notes]


def numbered(*numbers: int, stem: str = "IMG_") -> list[Frame]:
    return frames(*(f"{stem}{number:04d}.JPG" for number in numbers))


def test_a_whole_shoot_has_no_note() -> None:
    assert card_notes(numbered(*range(37, 90)), {}, []) == ()


def test_a_gap_is_a_question_that_names_it() -> None:
    (note,) = card_notes(numbered(1, 2, 3, 7, 8, 10), {}, [])

    assert note.kind == "missing-numbers"
    assert "4 numbers are missing" in note.message
    assert "0004 to 0006, 0009" in note.message
    assert note.message.endswith("?")
    assert note.files == ("IMG_0003.JPG", "IMG_0007.JPG", "IMG_0008.JPG", "IMG_0010.JPG")


def test_the_counter_begins_again_after_9999() -> None:
    """CIPA DC-009: file numbers are 0001 to 9999; 0000 is none (from memory)."""
    assert card_notes(numbered(9997, 9998, 9999, 1, 2), {}, []) == ()
    (note,) = card_notes(numbered(9997, 9998, 2, 3), {}, [])
    assert "9999 to 0001" in note.message


def test_two_shoots_on_one_card_are_no_gap() -> None:
    assert card_notes(numbered(*range(1, 9), *range(3000, 3009)), {}, []) == ()


def test_films_fill_the_gaps_of_photographs() -> None:
    film = Skipped(file="MVI_0003.MP4", reason="not a photograph")

    assert card_notes(numbered(1, 2, 4, 5), {}, [film]) == ()


def test_two_bodies_with_one_counter_do_not_fill_each_others_gaps(
    make_reading: MakeReading,
) -> None:
    found = [*numbered(1, 2, 4, 5), *numbered(3, 4, 5, 6, stem="day-2/IMG_")]
    serials = ["A"] * 4 + ["B"] * 4
    results: dict[int, Reading | Unread] = {
        index: make_reading(body_serial=serial) for index, serial in enumerate(serials)
    }

    (note,) = card_notes(found, results, [])

    assert "0003" in note.message


def test_empty_files_are_named_in_one_note() -> None:
    found = frames("a.jpg", "b.jpg", size_bytes=0)
    skipped = [Skipped(file="c.dat", reason="empty file")]

    (note,) = card_notes(found, {}, skipped)

    assert (note.kind, note.files) == ("empty-file", ("a.jpg", "b.jpg", "c.dat"))


@pytest.mark.parametrize(("apart_s", "expected"), [(0, []), (100, []), (7200, ["twins-apart"])])
def test_twins_that_were_written_apart_are_asked_about(apart_s: int, expected: list[str]) -> None:
    (raw,) = frames("a.dng")
    pair = msgspec.structs.replace(
        raw, companions=("a.jpg",), companion_mtimes_ns=(apart_s * SECOND_NS,)
    )

    assert kinds(card_notes([pair], {}, [])) == expected


def test_frames_of_the_same_content_are_named(make_reading: MakeReading) -> None:
    found = frames("a.jpg", "b.jpg", "c.jpg")
    results: dict[int, Reading | Unread] = {
        0: make_reading(content_hash="aa"),
        1: make_reading(content_hash="aa"),
        2: make_reading(content_hash="bb"),
    }

    (note,) = card_notes(found, results, [])

    assert (note.kind, note.files) == ("same-content", ("a.jpg", "b.jpg"))


def test_a_place_that_was_not_read_is_told() -> None:
    skipped = [
        Skipped(file="day-3/", reason="cannot be listed: Permission denied"),
        Skipped(file=".trash", reason="hidden"),
    ]

    assert kinds(card_notes([], {}, skipped)) == ["unread-place"]
