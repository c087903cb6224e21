"""The command line turns words into one call, writes what it returns, and chooses the exit code."""

import io
import json
import os
import subprocess
import sys
import types
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest

import audit
from audit import cli
from audit.errors import FolderError
from audit.records import (
    AuditedFrame,
    Counts,
    ErrorNote,
    Finding,
    Report,
    Skipped,
    Tool,
    UsedSettings,
)
from audit.settings import Limits, PrintSize, Settings
from audit.version import __version__

HEAVY = (
    "numpy",
    "scipy",
    "rawpy",
    "rich",
    "PIL",
    "exifread",
    "imageio",
    "jinja2",
    "matplotlib",
    "msgspec",
    "platformdirs",
)
FINDING = Finding(
    kind="camera-shake",
    severity="fault",
    value=6.4,
    limit=3.0,
    unit="px",
    confidence=0.8,
    message="Smeared by 6.4 px.",
)


def frame(file: str, **changes: Any) -> AuditedFrame:
    plain = AuditedFrame(
        file=file,
        companions=(),
        format="dng",
        state="measured",
        error=None,
        verdict="keeper",
        rank=1,
    )
    return msgspec.structs.replace(plain, **changes)


def report(*frames: AuditedFrame, **changes: Any) -> Report:
    plain = Report(
        tool=Tool(name="frame-audit", version="0"),
        settings=UsedSettings(viewing_cm=50.0, print_long_cm=None, print_short_cm=None, limits={}),
        folders=("trip",),
        frames=frames,
        counts=Counts(
            frames=len(frames),
            measured=len(frames),
            unread=0,
            keeper=len(frames),
            look_again=0,
            reject=0,
            from_store=0,
            skipped=0,
            findings={},
        ),
    )
    return msgspec.structs.replace(plain, **changes)


UNREAD = frame(
    "b.jpg",
    state="damaged",
    error=ErrorNote(code="damaged", message="cut short"),
    verdict="unread",
    rank=None,
)


@dataclass
class Run:
    """Stands for `audit.run`: remembers how it was called, returns what it was given."""

    answer: Report | BaseException = field(default_factory=lambda: report(frame("a.dng")))
    folders: Sequence[Path] = ()
    settings: Settings = field(default_factory=Settings)
    calls: int = 0

    def check(
        self,
        folders: Sequence[Path],
        settings: Settings,
        *,
        progress: Any = None,
        warn: Callable[[str], None] | None = None,
    ) -> Report:
        self.calls += 1
        self.folders, self.settings = folders, settings
        progress.start(1)
        progress.advance("a.dng")
        assert warn is not None
        warn("a warning")
        if isinstance(self.answer, BaseException):
            raise self.answer
        return self.answer

    @contextmanager
    def open_audit(
        self,
        folders: Sequence[Path],
        settings: Settings,
        *,
        progress: Any = None,
        warn: Callable[[str], None] | None = None,
        seen: object = None,
    ) -> Iterator[Any]:
        del seen
        answer = self.check(folders, settings, progress=progress, warn=warn)
        yield types.SimpleNamespace(report=answer, picture=lambda *_: b"")


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    fake = Run()
    module = types.ModuleType("audit.run")
    module.check = fake.check  # type: ignore[attr-defined]
    module.open_audit = fake.open_audit  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "audit.run", module)
    monkeypatch.setattr(audit, "run", module, raising=False)
    return fake


@pytest.fixture
def trip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "trip"
    folder.mkdir()
    (folder / "a.dng").write_bytes(b"II*\0")
    (folder / "b.jpg").write_bytes(b"\xff\xd8\xff\0")
    monkeypatch.chdir(tmp_path)
    return folder


# ---------------------------------------------------------------- words to the call


def test_check_alone_means_the_defaults(run: Run) -> None:
    assert cli.main(["check", "trip"]) == 0
    assert run.folders == [Path("trip")]
    assert run.settings == Settings()


def test_every_option_reaches_the_settings(run: Run, tmp_path: Path) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text('print = "30x20cm"\nviewing_cm = 40\n[limits]\nnoise_of_nobody = 1\n')
    assert cli.main(["check", "trip", "--limits", str(limits)]) == 2
    limits.write_text('print = "30x20cm"\nviewing_cm = 40\n[limits]\nsmear_px = 4\n')
    words = ["check", "--jobs", "3", "one", "--cache", "c", "--fresh", "two"]
    assert cli.main([*words, "--limits", str(limits), "--print", "36x24in", "--viewing=20in"]) == 0
    assert run.folders == [Path("one"), Path("two")]
    assert run.settings == Settings(
        limits=Limits(smear_px=4),
        print_size=PrintSize(36 * 2.54, 24 * 2.54),
        viewing_cm=20 * 2.54,
        jobs=3,
        cache=Path("c"),
        fresh=True,
    )


def test_a_settings_file_holds_where_no_option_speaks(run: Run, tmp_path: Path) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text('print = "30x20cm"\nviewing_cm = 40\n')
    cli.main(["check", "trip", "--limits", str(limits)])
    assert (run.settings.print_size, run.settings.viewing_cm) == ((30, 20), 40)


def test_after_two_dashes_all_words_are_folders(run: Run) -> None:
    cli.main(["check", "--quiet", "--", "-trip", "--json"])
    assert run.folders == [Path("-trip"), Path("--json")]


# ---------------------------------------------------------------- misuse


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["chek", "trip"], "did you mean check?"),
        (["check", "trip", "--jsn", "a"], "did you mean --json?"),
        (["check", "trip", "--fail-on", "difraction"], "did you mean diffraction?"),
        (["check", "trip", "--js", "a"], "unknown option --js"),
        (["check"], "expected a folder"),
        (["check", "trip", "--json"], "--json: expected one argument"),
        (["check", "trip", "--jobs", "0"], "--jobs: expected 1 or more, found 0"),
        (["check", "trip", "--jobs", "x"], "--jobs: invalid int value"),
        (["check", "trip", "--print", "large"], "expected a print size such as 90x60cm"),
        (["check", "trip", "--viewing", "far"], "expected a length such as 50cm"),
        (["check", "trip", "--json", "-", "--csv", "-"], "expected one output"),
        (["check", "trip", "--json", "nowhere/a.json"], "expected a folder nowhere"),
        (["check", "trip", "--json", "."], "found a folder"),
        (["check", "trip", "--limits", "none.toml"], "none.toml: cannot be read"),
        (["why"], "expected one frame, found none"),
        (["why", "trip/a.dng", "trip/b.jpg"], "expected one frame, found trip/a.dng trip/b.jpg"),
        (["why", "trip"], "found a folder; use frame-audit check"),
        (["why", "trip/z.dng"], "found no such file"),
        (["limits", "more"], "expected no further words"),
    ],
)
def test_misuse_is_one_clear_line_and_nothing_is_run(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str], words: list[str], line: str
) -> None:
    assert trip.is_dir()
    assert cli.main(words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("frame-audit: ")
    assert shown.err.count("\n") == 1
    assert line in shown.err
    assert run.calls == 0


def test_no_words_at_all_show_the_help_on_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([]) == 2
    shown = capsys.readouterr()
    assert (shown.out, shown.err) == ("", cli.HELP)


def test_words_cannot_steer_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["check", "--\x1b[2J\u202e"])
    cli.main(["\x1b[2J"])
    assert "\x1b" not in capsys.readouterr().err


# ---------------------------------------------------------------- exit codes


@pytest.mark.parametrize(
    ("answer", "words", "code"),
    [
        (report(frame("a.dng")), [], 0),
        (report(frame("a.dng", findings=(FINDING,))), [], 0),
        (report(frame("a.dng", findings=(FINDING,))), ["--fail-on", "camera-shake"], 1),
        (report(frame("a.dng", findings=(FINDING,)), UNREAD), ["--fail-on", "camera-shake"], 1),
        (report(frame("a.dng", findings=(FINDING,))), ["--fail-on", "noise"], 0),
        (
            report(
                frame("a.dng", findings=(msgspec.structs.replace(FINDING, excused_by="bracket"),))
            ),
            ["--fail-on", "camera-shake"],
            0,
        ),
        (report(frame("a.dng"), UNREAD), [], 3),
        (report(frame("a.dng"), UNREAD, interrupted=True), [], 130),
        (FolderError("trip: expected a folder, found none"), [], 2),
        (KeyboardInterrupt(), [], 130),
    ],
)
def test_the_exit_code_tells_how_it_went(
    run: Run, answer: Report | BaseException, words: list[str], code: int
) -> None:
    run.answer = answer
    assert cli.main(["check", "trip", *words]) == code


def test_an_interrupted_run_still_writes_what_is_done(run: Run, trip: Path) -> None:
    run.answer = report(frame("a.dng"), interrupted=True)
    assert cli.main(["check", str(trip), "--json", "a.json"]) == 130
    assert json.loads(Path("a.json").read_text())["interrupted"] is True


# ---------------------------------------------------------------- outputs


def test_data_go_to_stdout_and_warnings_to_stderr(
    run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run.calls == 0
    cli.main(["check", "trip"])
    shown = capsys.readouterr()
    assert "a.dng" in shown.out
    assert shown.err == "frame-audit: warning: a warning\n"


def test_quiet_keeps_the_table_and_drops_warnings(
    run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run.calls == 0
    cli.main(["check", "trip", "--quiet"])
    shown = capsys.readouterr()
    assert "a.dng" in shown.out
    assert shown.err == ""


@pytest.mark.parametrize("option", ["--json", "--csv"])
def test_a_dash_sends_the_file_to_stdout_instead_of_the_table(
    run: Run, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    assert run.calls == 0
    cli.main(["check", "trip", option, "-"])
    out = capsys.readouterr().out
    assert out.startswith('{\n  "format": 1' if option == "--json" else "rank,verdict,")
    assert "In short" not in out


def test_files_are_written_beside_the_table(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run.calls == 0
    cli.main(["check", str(trip), "--json", "a.json", "--csv", "a.csv"])
    assert "In short" in capsys.readouterr().out
    assert json.loads(Path("a.json").read_text())["frames"][0]["file"] == "a.dng"
    assert Path("a.csv").read_bytes().count(b"\r\n") == 2


@pytest.mark.parametrize("extra", [[], ["--single-file"]])
def test_a_page_is_written_to_its_folder(run: Run, trip: Path, extra: list[str]) -> None:
    page = trip.parent / "page"

    assert cli.main(["check", "trip", "--page", str(page), *extra]) == 0

    assert "a.dng" in (page / "index.html").read_text(encoding="utf-8")
    assert run.calls == 1


@pytest.mark.parametrize("place", ["trip", "trip/report", "foreign", "file"])
def test_a_page_never_goes_among_originals_or_over_other_work(
    run: Run, trip: Path, place: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (trip.parent / "foreign").mkdir()
    (trip.parent / "foreign" / "index.html").write_text("<h1>Mine</h1>")
    (trip.parent / "file").write_text("a file")

    assert cli.main(["check", "trip", "--page", str(trip.parent / place)]) == 2

    assert "expected" in capsys.readouterr().err
    assert run.calls == 0


def test_one_file_needs_a_page(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "trip", "--single-file"]) == 2
    assert "--page" in capsys.readouterr().err
    assert run.calls == 0


def test_an_older_report_is_replaced(run: Run, trip: Path) -> None:
    Path("a.json").write_text("old")
    assert cli.main(["check", str(trip), "--json", "a.json"]) == 0
    assert run.calls == 1
    assert Path("a.json").read_text() != "old"


@pytest.mark.parametrize("name", ["trip/a.dng", "trip/b.jpg", "trip/../trip/a.dng"])
def test_a_picture_is_never_replaced_and_nothing_is_run(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    before = {path.name: path.read_bytes() for path in trip.iterdir()}
    assert cli.main(["check", "trip", "--csv", name]) == 2
    assert "expected an older report to replace" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in trip.iterdir()} == before
    assert run.calls == 0


def test_a_damaged_original_that_looks_like_text_is_never_replaced(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found out after the run, from the report's own list; links and companions included."""
    (trip / "b.jpg").write_text("not a picture any more")
    Path("link").symlink_to(trip / "b.jpg")
    run.answer = report(frame("a.dng", companions=("b.jpg",)))
    for name in ("trip/b.jpg", "link"):
        assert cli.main(["check", "trip", "--json", name]) == 2
        assert "found an audited original" in capsys.readouterr().err
    assert (trip / "b.jpg").read_text() == "not a picture any more"


def test_an_output_that_cannot_be_written_is_one_line(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    assert cli.main(["check", str(trip), "--quiet", "--json", "a.json"]) == 2
    assert run.calls == 1
    assert capsys.readouterr().err == (
        "frame-audit: a.json: cannot be written: No space left on device\n"
    )
    assert not Path("a.json").exists()


def test_all_lists_what_was_skipped(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    run.answer = report(frame("a.dng"), skipped=(Skipped(file="x.txt", reason="no picture"),))
    cli.main(["check", "trip"])
    assert "x.txt" not in capsys.readouterr().out
    cli.main(["check", "trip", "--all"])
    assert "x.txt: no picture" in capsys.readouterr().out


# ---------------------------------------------------------------- why


@pytest.mark.parametrize(
    "words", [["trip/a.dng"], ["a.dng", "--folder", "trip"], ["trip/a.dng", "--folder", "trip"]]
)
def test_why_audits_the_folder_and_shows_the_frame(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    assert trip.is_dir()
    run.answer = report(frame("other.dng"), frame("a.dng"))
    assert cli.main(["why", *words, "--quiet"]) == 0
    assert run.folders == [Path("trip")]
    assert capsys.readouterr().out.startswith("a.dng\nkeep, rank 1 of 2\n")


def test_why_takes_a_frame_below_a_higher_folder(run: Run, trip: Path) -> None:
    run.answer = report(frame("trip/a.dng"))
    assert cli.main(["why", str(trip / "a.dng"), "--folder", str(trip.parent)]) == 0
    assert run.folders == [trip.parent]


def test_why_finds_a_frame_by_its_twin_and_shows_sources(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run.answer = report(frame("a.dng", companions=("b.jpg",), findings=(FINDING,)))
    assert cli.main(["why", str(trip / "b.jpg")]) == 0
    assert "limit: smear_px = 2 px: shortest reading" in capsys.readouterr().out


def test_why_finds_a_name_outside_utf8(run: Run, trip: Path) -> None:
    odd = trip / os.fsdecode(b"caf\xe9.dng")
    odd.touch()
    run.answer = report(frame(r"caf\xe9.dng"))
    assert cli.main(["why", str(odd)]) == 0


def test_why_of_an_unread_frame_exits_with_3(run: Run, trip: Path) -> None:
    run.answer = report(frame("a.dng"), UNREAD)
    assert cli.main(["why", str(trip / "b.jpg")]) == 3
    assert cli.main(["why", str(trip / "a.dng")]) == 0


def test_why_says_why_a_file_is_no_frame(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run.answer = report(skipped=(Skipped(file="a.dng", reason="empty file"),))
    assert cli.main(["why", str(trip / "a.dng")]) == 2
    assert "found none: empty file" in capsys.readouterr().err
    run.answer = report(interrupted=True)
    assert cli.main(["why", str(trip / "a.dng")]) == 130


def test_why_refuses_a_frame_outside_the_folder(
    run: Run, trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (trip.parent / "else").mkdir()
    assert cli.main(["why", str(trip / "a.dng"), "--folder", "else"]) == 2
    assert "expected a frame below else" in capsys.readouterr().err
    assert run.calls == 0


# ---------------------------------------------------------------- help and start-up


@pytest.mark.parametrize("words", [["--help"], ["-h"], *([name, "-h"] for name in cli.COMMANDS)])
def test_every_help_holds_examples(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    assert cli.main(words) == 0
    text = capsys.readouterr().out
    assert "examples:\n  frame-audit " in text
    assert max(map(len, text.splitlines())) <= 80


def test_the_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["--help"])
    text = capsys.readouterr().out
    assert all(f"\n  {name} " in text for name in cli.COMMANDS)


def test_the_command_line_page_names_every_command_and_option(
    capsys: pytest.CaptureFixture[str],
) -> None:
    page = (Path(__file__).parents[1] / "docs" / "command-line.md").read_text(encoding="utf-8")
    for name in cli.COMMANDS:
        assert f"## `frame-audit {name}" in page
        cli.main([name, "-h"])
        for word in capsys.readouterr().out.split():
            if word.startswith("--") and word.strip("-,.)").replace("-", "").isalpha():
                assert f"`{word.strip(',.)')}" in page


def test_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["--version"]) == 0
    assert capsys.readouterr().out == f"frame-audit {__version__}\n"


def test_limits_prints_a_settings_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["limits"]) == 0
    assert "\n[limits]\n" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["check", "-h"], ["chek"]])
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    program = (
        "import sys; from audit import cli; cli.main(sys.argv[1:]);"
        f"print([name for name in {HEAVY} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *words], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_reader_that_leaves_early_is_no_error() -> None:
    """Output of some 10 kB into a pipe whose other end is closed."""
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as closed:
        done = subprocess.run(
            [sys.executable, "-m", "audit", "limits"],
            stdout=closed,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, b"")


def test_an_ascii_stdout_gets_no_traceback(
    monkeypatch: pytest.MonkeyPatch, run: Run, tmp_path: Path
) -> None:
    run.answer = report(frame("früh \u65e5.dng"))
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    monkeypatch.setattr(sys, "argv", ["frame-audit", "check", str(tmp_path), "--quiet"])
    with pytest.raises(SystemExit) as stop:
        cli.entry()
    assert stop.value.code == 0
    assert rb"fr\xfch \u65e5.dng" in raw.getvalue()
