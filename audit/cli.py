"""The command line: words -> Settings -> run -> writer -> exit code.

Data goes to stdout, progress and warnings to stderr. Exit codes: 0 done, 1 findings that
``--fail-on`` names, 2 misuse, 3 some frames unread, 130 interrupted. Nothing heavy is imported
before a command needs it, so that help appears at once.
"""

import argparse
import io
import os
import shlex
import sys
from collections.abc import Callable, Iterable, Sequence
from collections.abc import Set as AbstractSet
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from audit.errors import AuditError, FolderError, OutputError, SettingsError
from audit.outputs import refuse_unfit_output, write_outputs
from audit.report.text import inert
from audit.streams import flush_stdout, open_lines, standard_error, to_stdout
from audit.version import __version__
from audit.words import (
    STDOUT,
    Words,
    add_judging_options,
    add_measuring_options,
    near_miss,
    settings_of,
)

if TYPE_CHECKING:
    from audit.report.why import LimitSource
    from audit.run import Audit

DONE = 0
MISUSE = 2
INTERRUPTED = 130
"""Codes known without a report; `audit.report.outcome` has them all."""

HELP = """\
usage: frame-audit COMMAND ...

Audits the technical quality of a folder of raw and JPEG photographs after a
shoot: does each frame hold at the size you print, and if not, why?
Originals are only ever read.

commands:
  check FOLDER...   audit every frame and rank them
  why FRAME         show all evidence for one frame
  limits            print every limit, its unit, meaning and source
  review FOLDER     decide on every frame at a page in your browser
  sidecars FOLDER   write what was measured into XMP sidecars
  copy FOLDER DEST  copy the keepers, each copy verified
  verify FOLDER     compare files with what is known of them
  plan              what to set before the walk, by the same physics
  trip FOLDER...    what the frames of a trip say together

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
  frame-audit check ~/trip --quick
  frame-audit check ~/trip --page ~/trip-report
  frame-audit check ~/trip --page ~/for-a-client --single-file
  frame-audit check ~/trip --json - | python3 -m json.tool
  frame-audit check /photos/2026 --cluster 192.168.1.5:8786
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
    flush_stdout()
    sys.exit(code)


def _run_command(argv: list[str]) -> int:
    if not argv:
        sys.stderr.write(HELP)
        return MISUSE
    word, *rest = argv
    if word in ("-h", "--help"):
        return _shown(HELP)
    if word == "--version":
        return _shown(f"frame-audit {__version__}\n")
    command = COMMANDS.get(word)
    if command is None:
        close = near_miss(word, (*COMMANDS, "--help", "--version"))
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
    outputs.add_argument("--jsonl", metavar="FILE", help="write JSON Lines while the run goes on")
    outputs.add_argument("--page", metavar="DIR", help="write a page for a browser, with pictures")
    outputs.add_argument(
        "--single-file", action="store_true", help="put the page's pictures into its one file"
    )
    outputs.add_argument("--all", action="store_true", help="list every frame, note and skip")
    outputs.add_argument(
        "--fail-on",
        metavar="KIND",
        action="append",
        default=[],
        help="exit with 1 if any frame carries this kind of finding; may be repeated",
    )
    words.add_argument(
        "--quick",
        action="store_true",
        help="a first look at previews in a fraction of the time; a later run measures in full",
    )
    add_judging_options(words)
    add_measuring_options(words)
    options, names = words.read(argv)
    if not names:
        raise SettingsError("expected a folder, as in: frame-audit check ~/trip")
    wanted = {name: getattr(options, name) for name in ("json", "csv", "jsonl")}
    on_stdout = [f"--{name} -" for name, file in wanted.items() if file == STDOUT]
    if len(on_stdout) > 1:
        shown = " ".join(on_stdout)
        raise SettingsError(f"expected one output on the standard output, found {shown}")
    kinds = _finding_kinds(options.fail_on)
    files = [Path(file) for file in wanted.values() if file not in (None, STDOUT)]
    for file in files:
        refuse_unfit_output(file)
    folders = [Path(name) for name in names]
    page = _page_folder(options, folders)
    settings = settings_of(options)
    from audit import run
    from audit.report import csv_table, json_file, outcome, terminal

    with (
        standard_error(options) as messages,
        open_lines(options.jsonl) as lines,
        run.open_audit(
            folders,
            settings,
            progress=messages,
            warn=messages.warn,
            seen=None if lines is None else lines.first_look,
        ) as audit,
    ):
        report = audit.report
        if lines is not None:
            lines.report(report)
        if page is not None:
            _write_page(audit, page, single_file=options.single_file)
    originals = outcome.audited_names(report)
    for file in files:
        _refuse_originals(file, folders, originals)
    colour = not options.no_color
    table = partial(terminal.write, report, colour=colour, everything=options.all)
    write_outputs(
        [
            (options.json, partial(json_file.write, report)),
            (options.csv, partial(csv_table.write, report)),
            (None if on_stdout else STDOUT, table),
        ]
    )
    return outcome.exit_code(report, kinds)


def _why(argv: Sequence[str]) -> int:
    words = Words("why", "FRAME", WHY_HELP, WHY_EXAMPLES)
    words.add_argument("--folder", metavar="FOLDER", help="the folder that was audited")
    add_judging_options(words)
    add_measuring_options(words)
    options, names = words.read(argv)
    if len(names) != 1:
        found = "none" if not names else shlex.join(names)
        raise SettingsError(f"expected one frame, found {found} (see frame-audit why --help)")
    folder, name = _frame_below(names[0], options.folder)
    settings = settings_of(options)
    from audit import run
    from audit.report import outcome, why

    with standard_error(options) as messages:
        report = run.check([folder], settings, progress=messages, warn=messages.warn)
    frame = outcome.frame_named(report, name)
    if frame is None:
        if report.interrupted:
            return INTERRUPTED
        reason = outcome.reason_skipped(report, name)
        because = f": {reason}" if reason else near_miss(name, (f.file for f in report.frames))
        raise FolderError(f"{name}: expected a frame of {folder}, found none{because}")
    colour = not options.no_color
    to_stdout(partial(why.write, report, frame, limits=_limit_sources(), colour=colour))
    if report.interrupted:
        return INTERRUPTED
    return DONE if frame.state == "measured" else outcome.SOME_UNREAD


def _limits(argv: Sequence[str]) -> int:
    words = Words("limits", "", LIMITS_HELP, LIMITS_EXAMPLES)
    _, names = words.read(argv)
    if names:
        raise SettingsError(f"expected no further words, found {shlex.join(names)}")
    from audit.report import limit_list

    to_stdout(partial(limit_list.write, _limit_sources()))
    return DONE


def _review(argv: Sequence[str]) -> int:
    from audit.commands.review import review

    return review(argv)


def _sidecars(argv: Sequence[str]) -> int:
    from audit.commands.sidecars import sidecars

    return sidecars(argv)


def _copy(argv: Sequence[str]) -> int:
    from audit.commands.copying import copy

    return copy(argv)


def _verify(argv: Sequence[str]) -> int:
    from audit.commands.verifying import verify

    return verify(argv)


def _plan(argv: Sequence[str]) -> int:
    from audit.commands.plan import plan

    return plan(argv)


def _trip(argv: Sequence[str]) -> int:
    from audit.commands.trip import trip

    return trip(argv)


COMMANDS: dict[str, Callable[[Sequence[str]], int]] = {
    "check": _check,
    "why": _why,
    "limits": _limits,
    "review": _review,
    "sidecars": _sidecars,
    "copy": _copy,
    "verify": _verify,
    "plan": _plan,
    "trip": _trip,
}


# ---------------------------------------------------------------- words to settings


def _finding_kinds(words: Iterable[str]) -> frozenset[str]:
    from audit.report.outcome import FINDING_KINDS

    for word in words:
        if word not in FINDING_KINDS:
            close = near_miss(word, FINDING_KINDS)
            raise SettingsError(
                f"--fail-on: expected a kind of finding, found {word!r}{close}; "
                f"kinds: {', '.join(FINDING_KINDS)}"
            )
    return frozenset(words)


def _limit_sources() -> "list[LimitSource]":
    from audit.report.why import LimitSource
    from audit.settings import limit_notes

    return [LimitSource(*note) for note in limit_notes()]


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


def _page_folder(options: argparse.Namespace, folders: Sequence[Path]) -> Path | None:
    """Return the folder of the page, refused before hours of measuring where it is unfit.

    Raises
    ------
    SettingsError
        If it is a file, lies among the originals, or holds a page that is not ours.
    """
    if options.page is None:
        if options.single_file:
            raise SettingsError("--single-file: expected --page DIR with it, found none")
        return None
    page = Path(options.page)
    if page.exists() and not page.is_dir():
        raise SettingsError(f"{page}: expected a folder for the page, found a file")
    for folder in folders:
        if page.resolve().is_relative_to(folder.resolve()):
            raise SettingsError(
                f"{page}: expected a folder outside the audited ones, found it in {folder}:"
                " nothing is written beside originals"
            )
    from audit.report.page import is_ours

    if not is_ours(page):
        raise SettingsError(f"{page}: expected no page or an older one of ours, found another page")
    return page


def _write_page(audit: "Audit", folder: Path, *, single_file: bool) -> None:
    from audit.report.page import write_page
    from audit.trip import trip_report

    try:
        told = trip_report(audit.report)
        write_page(audit.report, audit.picture, folder, single_file=single_file, trip=told)
    except OSError as error:
        raise OutputError(f"{folder}: the page cannot be written: {error.strerror}") from error


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


def _shown(text: str) -> int:
    to_stdout(lambda out: print(text, end="", file=out))
    return DONE
