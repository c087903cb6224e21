"""The command line: words -> Settings -> run -> writer -> exit code.

Data goes to stdout, progress and warnings to stderr. Exit codes: 0 done, 1 findings that
``--fail-on`` names, 2 misuse, 3 some frames unread, 130 interrupted. Nothing heavy is imported
before a command needs it, so that help appears at once.
"""

import argparse
import difflib
import io
import os
import shlex
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TextIO

from audit.errors import AuditError, FolderError, SettingsError
from audit.report.text import inert
from audit.version import __version__

if TYPE_CHECKING:
    from audit.report.progress import StandardError
    from audit.report.why import LimitSource
    from audit.settings import Settings

DONE = 0
MISUSE = 2
INTERRUPTED = 130
"""Codes known without a report; `audit.report.outcome` has them all."""

STDOUT = "-"
BINARY_HEAD_BYTES = 4096
"""A picture of any format holds a zero byte this early; no report of ours holds one."""

HELP = """\
usage: frame-audit COMMAND ...

Audits the technical quality of a folder of raw and JPEG photographs after a
shoot: does each frame hold at the size you print, and if not, why?
Originals are only ever read.

commands:
  check FOLDER...   audit every frame and rank them
  why FRAME         show all evidence for one frame
  limits            print every limit, its unit, meaning and source

options:
  -h, --help        show this help; after a command, that command's
  --version         show the version

examples:
  frame-audit check ~/trip
  frame-audit check ~/trip --print 90x60cm --viewing 50cm --json trip.json
  frame-audit why ~/trip/day2/frame_0412.dng

exit codes:
  0 done   1 findings that --fail-on names   2 misuse   3 some frames unread
  130 interrupted
"""

CHECK_HELP = "Audit every frame below the folders and rank them, best first."
CHECK_EXAMPLES = """\
examples:
  frame-audit check ~/trip
  frame-audit check ~/trip --print 36x24in --viewing 20in
  frame-audit check /media/card --csv trip.csv --json trip.json --all
  frame-audit check ~/trip --json - | python3 -m json.tool
  frame-audit check ~/trip --quiet --fail-on missed-focus --fail-on camera-shake

A second run measures only what is new or changed. Stop with Ctrl-C at any time:
what is done is kept, and the same command goes on from there.
"""

WHY_HELP = "Show all evidence for one frame, with units, limits and their sources."
WHY_EXAMPLES = """\
examples:
  frame-audit why ~/trip/day2/frame_0412.dng
  frame-audit why day2/frame_0412.dng --folder ~/trip
  frame-audit why ~/trip/day2/frame_0412.dng --print 90x60cm

The frame is judged among the frames of its folder, or of the folder that
--folder names; what an earlier run measured is not measured again.
"""

LIMITS_HELP = "Print every limit with its default, unit, meaning and source, as TOML."
LIMITS_EXAMPLES = """\
examples:
  frame-audit limits
  frame-audit limits > limits.toml
  frame-audit check ~/trip --limits limits.toml
"""


class Words(argparse.ArgumentParser):
    """Options of one command; the words between them are gathered apart, in any order."""

    def __init__(self, command: str, names: str, description: str, examples: str) -> None:
        super().__init__(
            prog=f"frame-audit {command}",
            usage=" ".join(part for part in ("frame-audit", command, names, "[options]") if part),
            description=description,
            epilog=examples,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )

    def error(self, message: str) -> NoReturn:
        """Hand a misuse to the one place that reports it."""
        raise SettingsError(f"{message} (see {self.prog} --help)")

    def read(self, argv: Sequence[str]) -> tuple[argparse.Namespace, list[str]]:
        """Split the words of a command into options and names.

        Raises
        ------
        SettingsError
            If an option is unknown or lacks its value.
        """
        words = list(argv)
        end = words.index("--") if "--" in words else len(words)
        options, names = self.parse_known_args(words[:end])
        for name in names:
            if name.startswith("-") and name != STDOUT:
                known = [text for action in self._actions for text in action.option_strings]
                option = name.split("=")[0]
                self.error(f"unknown option {inert(option)}{_near_miss(option, known)}")
        return options, names + words[end + 1 :]


def main(argv: Sequence[str]) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str
        The words after ``frame-audit``.

    Returns
    -------
    int
        The exit code.
    """
    try:
        return _run_command(list(argv))
    except SystemExit as stop:  # argparse ends its help this way
        return DONE if stop.code is None else int(stop.code)
    except AuditError as error:
        sys.stderr.write(f"frame-audit: {inert(str(error))}\n")
        return MISUSE
    except KeyboardInterrupt:
        return INTERRUPTED


def entry() -> NoReturn:
    """Start from a shell: no character and no closed pipe may end in a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    code = main(sys.argv[1:])
    _flush_stdout()
    sys.exit(code)


def _run_command(argv: list[str]) -> int:
    if not argv:
        sys.stderr.write(HELP)
        return MISUSE
    word, *rest = argv
    if word in ("-h", "--help"):
        return _to_stdout(lambda out: _write_text(out, HELP))
    if word == "--version":
        return _to_stdout(lambda out: _write_text(out, f"frame-audit {__version__}\n"))
    command = COMMANDS.get(word)
    if command is None:
        close = _near_miss(word, (*COMMANDS, "--help", "--version"))
        expected = ", ".join(COMMANDS)
        raise SettingsError(
            f"expected a command ({expected}), found {word!r}{close} (see frame-audit --help)"
        )
    return command(rest)


# ---------------------------------------------------------------- the commands


def _check(argv: Sequence[str]) -> int:
    words = Words("check", "FOLDER...", CHECK_HELP, CHECK_EXAMPLES)
    outputs = words.add_argument_group("outputs (FILE may be -, the standard output)")
    outputs.add_argument("--json", metavar="FILE", help="write the whole report as JSON")
    outputs.add_argument("--csv", metavar="FILE", help="write one row a frame for a spreadsheet")
    outputs.add_argument("--all", action="store_true", help="list every frame, note and skip")
    outputs.add_argument(
        "--fail-on",
        metavar="KIND",
        action="append",
        default=[],
        help="exit with 1 if any frame carries this kind of finding; may be repeated",
    )
    _add_judging_options(words)
    _add_measuring_options(words)
    options, names = words.read(argv)
    if not names:
        raise SettingsError("expected a folder, as in: frame-audit check ~/trip")
    if options.json == STDOUT and options.csv == STDOUT:
        raise SettingsError("expected one output on the standard output, found --json - --csv -")
    kinds = _finding_kinds(options.fail_on)
    files = [Path(file) for file in (options.json, options.csv) if file not in (None, STDOUT)]
    for file in files:
        _refuse_unfit_output(file)
    folders = [Path(name) for name in names]
    settings = _settings(options)
    from audit import run
    from audit.report import csv_table, json_file, outcome, terminal

    with _standard_error(options) as messages:
        report = run.check(folders, settings, progress=messages, warn=messages.warn)
    originals = outcome.audited_names(report)
    for file in files:
        _refuse_originals(file, folders, originals)
    colour = not options.no_color
    table = partial(terminal.write, report, colour=colour, everything=options.all)
    _write_outputs(
        [
            (options.json, partial(json_file.write, report)),
            (options.csv, partial(csv_table.write, report)),
            (None if STDOUT in (options.json, options.csv) else STDOUT, table),
        ]
    )
    return outcome.exit_code(report, kinds)


def _why(argv: Sequence[str]) -> int:
    words = Words("why", "FRAME", WHY_HELP, WHY_EXAMPLES)
    words.add_argument("--folder", metavar="FOLDER", help="the folder that was audited")
    _add_judging_options(words)
    _add_measuring_options(words)
    options, names = words.read(argv)
    if len(names) != 1:
        found = "none" if not names else shlex.join(names)
        raise SettingsError(f"expected one frame, found {found} (see frame-audit why --help)")
    folder, name = _frame_below(names[0], options.folder)
    settings = _settings(options)
    from audit import run
    from audit.report import outcome, why

    with _standard_error(options) as messages:
        report = run.check([folder], settings, progress=messages, warn=messages.warn)
    frame = outcome.frame_named(report, name)
    if frame is None:
        if report.interrupted:
            return INTERRUPTED
        reason = outcome.reason_skipped(report, name)
        because = f": {reason}" if reason else _near_miss(name, (f.file for f in report.frames))
        raise FolderError(f"{name}: expected a frame of {folder}, found none{because}")
    colour = not options.no_color
    _to_stdout(partial(why.write, report, frame, limits=_limit_sources(), colour=colour))
    if report.interrupted:
        return INTERRUPTED
    return DONE if frame.state == "measured" else outcome.SOME_UNREAD


def _limits(argv: Sequence[str]) -> int:
    words = Words("limits", "", LIMITS_HELP, LIMITS_EXAMPLES)
    _, names = words.read(argv)
    if names:
        raise SettingsError(f"expected no further words, found {shlex.join(names)}")
    from audit.report import limit_list

    return _to_stdout(partial(limit_list.write, _limit_sources()))


COMMANDS: dict[str, Callable[[Sequence[str]], int]] = {
    "check": _check,
    "why": _why,
    "limits": _limits,
}


# ---------------------------------------------------------------- words to settings


def _add_judging_options(words: Words) -> None:
    judging = words.add_argument_group("what a frame is held against")
    judging.add_argument(
        "--print", metavar="SIZE", help="the print you have in mind: 90x60cm or 36x24in"
    )
    judging.add_argument(
        "--viewing", metavar="DISTANCE", help="from where it is seen (default: 50cm)"
    )
    judging.add_argument(
        "--limits", metavar="FILE.toml", help="limits of your own; frame-audit limits prints all"
    )


def _add_measuring_options(words: Words) -> None:
    measuring = words.add_argument_group("how the run goes")
    measuring.add_argument(
        "--jobs", metavar="N", type=int, help="worker processes (default: one a core)"
    )
    measuring.add_argument(
        "--cache", metavar="DIR", help="where measurements are kept (default: your cache folder)"
    )
    measuring.add_argument("--fresh", action="store_true", help="measure everything again")
    measuring.add_argument("--no-color", action="store_true", help="no colours, as with NO_COLOR")
    measuring.add_argument("--quiet", action="store_true", help="neither progress nor warnings")


def _settings(options: argparse.Namespace) -> "Settings":
    import msgspec

    from audit.settings import Settings, parse_length_cm, parse_print, read_settings_file

    settings = Settings() if options.limits is None else read_settings_file(Path(options.limits))
    if options.jobs is not None and options.jobs < 1:
        raise SettingsError(f"--jobs: expected 1 or more, found {options.jobs}")
    changes: dict[str, object] = {"fresh": options.fresh, "jobs": options.jobs}
    if options.cache is not None:
        changes["cache"] = Path(options.cache)
    if options.print is not None:
        changes["print_size"] = parse_print(options.print)
    if options.viewing is not None:
        changes["viewing_cm"] = parse_length_cm(options.viewing)
    return msgspec.structs.replace(settings, **changes)


def _finding_kinds(words: Iterable[str]) -> frozenset[str]:
    from audit.report.outcome import FINDING_KINDS

    for word in words:
        if word not in FINDING_KINDS:
            close = _near_miss(word, FINDING_KINDS)
            raise SettingsError(
                f"--fail-on: expected a kind of finding, found {word!r}{close}; "
                f"kinds: {', '.join(FINDING_KINDS)}"
            )
    return frozenset(words)


def _limit_sources() -> "list[LimitSource]":
    from audit.report.why import LimitSource
    from audit.settings import limit_notes

    return [LimitSource(*note) for note in limit_notes()]


def _near_miss(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1)
    return f"; did you mean {close[0]}?" if close else ""


@contextmanager
def _standard_error(options: argparse.Namespace) -> "Iterator[StandardError]":
    """Show progress and warnings while a run lasts, whatever ends it."""
    from audit.report.progress import StandardError

    messages = StandardError(sys.stderr, quiet=options.quiet, colour=not options.no_color)
    try:
        yield messages
    finally:
        messages.finish()


# ---------------------------------------------------------------- one frame by its name


def _frame_below(text: str, folder_text: str | None) -> tuple[Path, str]:
    """Find the folder to audit and the frame's name below it.

    Raises
    ------
    FolderError
        If there is no such file, or it does not lie below the folder.
    """
    frame = Path(text)
    if folder_text is not None and not frame.exists():
        frame = Path(folder_text) / text
    if frame.is_dir():
        raise SettingsError(f"{frame}: expected one frame, found a folder; use frame-audit check")
    if not frame.exists():
        raise FolderError(f"{text}: expected a frame, found no such file")
    folder = frame.parent if folder_text is None else Path(folder_text)
    name = _name_below(frame, folder)
    if name is None:
        raise FolderError(f"{frame}: expected a frame below {folder}, found it elsewhere")
    return folder, name


def _name_below(path: Path, folder: Path) -> str | None:
    r"""Write a path as the records do: below its folder, POSIX style, odd bytes as ``\xNN``."""
    try:
        below = path.resolve().relative_to(folder.resolve())
    except ValueError:
        return None
    return os.fsencode(below.as_posix()).decode("utf-8", "backslashreplace")


# ---------------------------------------------------------------- outputs


def _refuse_unfit_output(file: Path) -> None:
    """Refuse, before hours of measuring, what cannot or must not be written.

    Raises
    ------
    SettingsError
        If the target is a folder, lies in no folder, or holds something that is no report.
    """
    if file.is_dir():
        raise SettingsError(f"{file}: expected the name of a file, found a folder")
    if not file.absolute().parent.is_dir():
        raise SettingsError(f"{file}: expected a folder {file.parent}, found none")
    if not file.is_file():
        return
    with file.open("rb") as old:
        if b"\0" in old.read(BINARY_HEAD_BYTES):
            raise SettingsError(f"{file}: expected an older report to replace, found other data")


def _refuse_originals(
    file: Path, folders: Sequence[Path], originals: AbstractSet[tuple[int, str]]
) -> None:
    """Refuse to replace one of the files that were audited.

    Raises
    ------
    SettingsError
        If the target is a frame or a companion.
    """
    if any((at, _name_below(file, folder)) in originals for at, folder in enumerate(folders)):
        raise SettingsError(f"{file}: expected a report's name, found an audited original")


def _write_outputs(outputs: Sequence[tuple[str | None, Callable[[TextIO], None]]]) -> None:
    """Write the files first, since the reader of stdout may leave at any time."""
    for file, write in outputs:
        if file is not None and file != STDOUT:
            _write_file(Path(file), write)
    for file, write in outputs:
        if file == STDOUT:
            _to_stdout(write)


def _write_file(file: Path, write: Callable[[TextIO], None]) -> None:
    from audit.report.whole_file import write_whole

    try:
        write_whole(file, write)
    except OSError as error:
        raise SettingsError(f"{file}: cannot be written: {error.strerror}") from error


def _to_stdout(write: Callable[[TextIO], None]) -> int:
    """Write to stdout; a reader that has seen enough and left is no error."""
    try:
        write(sys.stdout)
    except BrokenPipeError:
        _leave_stdout()
    else:
        _flush_stdout()
    return DONE


def _flush_stdout() -> None:
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _leave_stdout()


def _leave_stdout() -> None:
    """Point stdout at nothing, so that closing it raises nothing."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _write_text(out: TextIO, text: str) -> None:
    out.write(text)
