"""The ranked table: what a photographer sees first, at two widths, for every state of a frame."""

import io
import os
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.records import CardNote, Report, Severity
from audit.report import terminal

GOLDEN = Path(__file__).parent / "golden"
RENEW = "FRAME_AUDIT_RENEW_GOLDEN"
HOSTILE = st.text(st.characters(exclude_categories=()), min_size=1, max_size=80) | st.sampled_from(
    [
        "[/foo]",
        "dir[bold]x",
        ":smile:",
        "\x1b]0;title\x07",
        "\u202egpj",
        "-rf",
        "a" * 255,
        "\x9b31m",
    ]
)


class AsciiTerminal(io.StringIO):
    """A terminal with colours that can show ASCII only."""

    encoding = "ascii"

    def isatty(self) -> bool:
        return True


def shown(report: Report, *, width: int = 80, everything: bool = False) -> str:
    out = io.StringIO()
    terminal.write(report, out, width=width, everything=everything)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "width", "everything"),
    [("table_80", 80, False), ("table_140", 140, False), ("table_all_80", 80, True)],
)
def test_the_screen_is_as_agreed(
    made_report: Report, name: str, width: int, everything: bool
) -> None:
    text = shown(made_report, width=width, everything=everything)
    golden = GOLDEN / f"{name}.txt"
    if os.environ.get(RENEW):
        golden.write_text(text, encoding="utf-8")
    assert text == golden.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [80, 100, 120, 140])
def test_no_line_is_wider_than_the_terminal(made_report: Report, width: int) -> None:
    assert max(map(len, shown(made_report, width=width, everything=True).splitlines())) <= width


def test_every_frame_and_every_weighty_sentence_is_there(made_report: Report) -> None:
    text = re.sub(r"\s+", " ", shown(made_report, width=140))
    for frame in made_report.frames:
        assert frame.file.rsplit("/")[-1] in text
        for finding in frame.findings:
            if finding.severity != "note":
                assert finding.message in text
        if frame.error is not None:
            assert frame.error.message in text


@pytest.mark.parametrize(("severity", "is_told"), [("fault", True), ("note", False)])
def test_an_excused_fault_is_told_on_the_first_screen(
    made_report: Report, severity: Severity, is_told: bool
) -> None:
    """A frame that is kept with its lights clipped says why."""
    frame = next(each for each in made_report.frames if each.findings)
    found = msgspec.structs.replace(
        frame.findings[0], severity=severity, message="Half is lost.", excused_by="B.DNG holds it"
    )
    report = msgspec.structs.replace(
        made_report, frames=(msgspec.structs.replace(frame, findings=(found,)),)
    )

    assert ("excused: Half is lost. B.DNG holds it." in shown(report)) == is_told


def test_a_long_list_is_cut_by_verdict_and_says_so(made_report: Report) -> None:
    keeper = made_report.frames[0]
    many = tuple(
        msgspec.structs.replace(keeper, file=f"VK50_{at:04}.dng", rank=at) for at in range(1, 41)
    )
    report = msgspec.structs.replace(made_report, frames=(*many, *made_report.frames[3:]))

    short = shown(report)
    assert "... 15 more to keep (--all)" in short
    assert "VK50_0025.dng" in short
    assert "VK50_0026.dng" not in short
    assert "look again" in short
    assert "VK50_0040.dng" in shown(report, everything=True)


def test_the_next_command_can_be_typed(made_report: Report) -> None:
    spaced = msgspec.structs.replace(made_report, folders=("my trip",))
    assert "frame-audit why 'my trip/day2/VK50_0201.dng' --print 90x60cm" in shown(spaced)


def test_frames_of_several_folders_carry_their_folder(made_report: Report) -> None:
    second = msgspec.structs.replace(made_report.frames[0], folder=1)
    report = msgspec.structs.replace(made_report, folders=("a", "b"), frames=(second,))
    assert "b/day1/VK50_0101.dng" in shown(report)


def test_an_interrupted_run_and_an_empty_folder_are_told(made_report: Report) -> None:
    assert "Stopped early" in shown(msgspec.structs.replace(made_report, interrupted=True))
    counts = msgspec.structs.replace(made_report.counts, frames=0, measured=0, keeper=0)
    empty = msgspec.structs.replace(made_report, frames=(), series=(), dust=(), counts=counts)
    assert "no photograph was found in trip" in shown(empty)


def test_without_a_print_of_its_own_the_share_of_a_sharp_frame_is_named(
    made_report: Report,
) -> None:
    used = msgspec.structs.replace(
        made_report.settings, print_long_cm=None, print_short_cm=None, viewing_cm=60.0
    )
    text = shown(msgspec.structs.replace(made_report, settings=used))
    assert "held against 75 % of the print that a fully sharp frame" in text
    assert "frame-audit why trip/day2/VK50_0201.dng --viewing 60cm" in text


@settings(max_examples=200, deadline=None)
@given(name=HOSTILE)
def test_hostile_text_stays_inert(renamed_report: Callable[[str], Report], name: str) -> None:
    text = shown(renamed_report(name), everything=True)
    found = {unicodedata.category(character) for character in text.replace("\n", "")}
    assert not found & {"Cc", "Cf", "Cs", "Zl", "Zp"}


def test_markup_in_names_is_shown_as_it_is(renamed_report: Callable[[str], Report]) -> None:
    assert "dir[bold]x" in shown(renamed_report("dir[bold]x"))
    assert "[/foo]" in shown(renamed_report("[/foo]"))


def test_an_ascii_terminal_gets_ascii_and_only_styles_as_controls(
    renamed_report: Callable[[str], Report], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    out = AsciiTerminal()
    terminal.write(renamed_report("früh\x1b[2J\u202e"), out, width=100)
    text = out.getvalue()
    assert text.isascii()
    assert "\x1b[1m" in text or "\x1b[2m" in text
    assert "\x1b" not in re.sub(r"\x1b\[[\d;]*m", "", text)
    assert r"fr\xfch\x1b[2J\u202e" in text


def test_colour_only_adds_to_words(made_report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("NO_COLOR", "1")
    plain, coloured = AsciiTerminal(), AsciiTerminal()
    terminal.write(made_report, plain, width=100)
    monkeypatch.delenv("NO_COLOR")
    terminal.write(made_report, coloured, width=100)
    colours = re.compile(r"\x1b\[(?:[\d;]*;)?3\d(?:;[\d;]*)?m")
    assert colours.search(coloured.getvalue())
    assert not colours.search(plain.getvalue())
    bare = re.compile(r"\x1b\[[\d;]*m")
    assert bare.sub("", plain.getvalue()) == bare.sub("", coloured.getvalue())


def test_notes_on_the_files_as_a_whole_stand_with_the_caution(made_report: Report) -> None:
    """A name in a note steers no terminal; nobody may take the list for a backup."""
    message = "A file holds nothing: \x1b[2Ja.jpg."
    note = CardNote(kind="empty-file", message=message, files=("a.jpg",))
    out = io.StringIO()

    terminal.write(msgspec.structs.replace(made_report, card=(note,)), out, width=80)

    assert "The files as a whole" in out.getvalue()
    assert "\\x1b[2Ja.jpg" in out.getvalue()
    assert "\x1b" not in out.getvalue()
    assert "This is no backup" in out.getvalue()


def test_without_notes_nothing_is_said_of_the_files(made_report: Report) -> None:
    out = io.StringIO()

    terminal.write(made_report, out, width=80)

    assert "The files as a whole" not in out.getvalue()
