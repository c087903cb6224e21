"""``frame-audit review``: the person decides, at a page that this computer serves to itself."""

import argparse
import contextlib
import os
import threading
import webbrowser
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from audit.errors import AuditError, FolderError, SettingsError
from audit.streams import standard_error, to_stdout
from audit.words import Words, add_judging_options, add_measuring_options, settings_of

if TYPE_CHECKING:
    from audit.report.progress import StandardError
    from audit.review.decisions import Decisions
    from audit.review.security import Gate
    from audit.review.serving import Review
    from audit.settings import Settings

HELP = "Decide on every frame at a page in your browser. Originals are only read."
EXAMPLES = """\
examples:
  frame-audit review ~/trip
  frame-audit review ~/trip --copy-to /mnt/disk/keepers
  frame-audit review ~/trip --print 90x60cm --no-browser
  frame-audit review --export decisions.json
  frame-audit review ~/trip --import decisions.json

The page comes from this computer alone and works offline. What it confirms is
on the disk. Stop with Ctrl-C at any time; the same command goes on from there.
"""

TICK_S = 0.5
"""So often the wait looks up, since some systems cannot interrupt one without an end."""


def review(argv: Sequence[str]) -> int:
    """Run the command; the exit code is returned."""
    options, names = _words().read(argv)
    folders = [Path(name) for name in names]
    if not folders and not (options.take_in or options.export):
        raise SettingsError("expected a folder, as in: frame-audit review ~/trip")
    for folder in folders:
        if not folder.is_dir():
            raise FolderError(f"{folder}: expected a folder, found {_found_at(folder)}")
    destination = _destination(options, folders)
    settings = settings_of(options)
    from audit.report import outcome
    from audit.review.decisions import Decisions
    from audit.review.decisions_file import read_decisions, write_decisions

    with Decisions(_decisions_folder(settings)) as decisions, standard_error(options) as messages:
        if options.take_in:
            kept = read_decisions(Path(options.take_in))
            taken = decisions.take_in(kept)
            _say(f"{taken} of {len(kept)} decisions taken over; the others are known or older")
        if options.export:
            write_decisions(Path(options.export), decisions.all().values())
        if not folders:
            return outcome.DONE
        return _served(folders, settings, destination, decisions, options, messages)


def _words() -> Words:
    words = Words("review", "FOLDER...", HELP, EXAMPLES)
    page = words.add_argument_group("the page")
    page.add_argument(
        "--copy-to", metavar="DIR", help="where the keepers may be copied to at the end"
    )
    page.add_argument(
        "--no-browser", action="store_true", help="print the address, open no browser"
    )
    carried = words.add_argument_group("decisions from and for another computer")
    carried.add_argument(
        "--import",
        dest="take_in",
        metavar="FILE",
        help="take decisions over, each where it is the later one",
    )
    carried.add_argument("--export", metavar="FILE", help="write all decisions as JSON")
    add_judging_options(words)
    add_measuring_options(words)
    return words


def _found_at(path: Path) -> str:
    return "a file" if path.exists() else "nothing"


def _destination(options: argparse.Namespace, folders: Sequence[Path]) -> Path | None:
    if options.copy_to is None:
        return None
    from audit.commands.copying import refuse_unfit_destination

    destination = Path(options.copy_to)
    refuse_unfit_destination(destination, folders)
    return destination


def _decisions_folder(settings: "Settings") -> Path:
    """Beside the store that was named; else where a user's own data lie, which no one sweeps."""
    import platformdirs

    from audit.version import TOOL

    return settings.cache or platformdirs.user_data_path(TOOL)


def _served(
    folders: Sequence[Path],
    settings: "Settings",
    destination: Path | None,
    decisions: "Decisions",
    options: argparse.Namespace,
    messages: "StandardError",
) -> int:
    """Serve the page while the audit runs, and on until Ctrl-C."""
    from audit.report import outcome
    from audit.review.serving import serving

    with (
        serving(folders, settings, destination, decisions) as review,
        _opened(review.gate, _decisions_folder(settings), options),
    ):
        try:
            is_whole = _audited(review, settings, messages)
        except AuditError as error:
            if isinstance(error, FolderError):
                raise
            messages.warn(str(error))
            review.sitting.failure = str(error)
            is_whole = True
        if not is_whole:
            return outcome.INTERRUPTED
        with contextlib.suppress(KeyboardInterrupt):
            _wait()
    return outcome.DONE


def _audited(review: "Review", settings: "Settings", messages: "StandardError") -> bool:
    """Run the audit and tell the page of it; false if Ctrl-C ended it."""
    from audit import run

    with run.open_audit(
        review.folders,
        settings,
        progress=_Both(messages, review),
        warn=messages.warn,
        read=review.sitting.read,
        seen=review.sitting.seen,
    ) as audit:
        if audit.report.interrupted:
            return False
        review.finished(audit.report, audit.frames)
    return True


class _Both:
    """Shows progress on the terminal and tells the page of it."""

    def __init__(self, messages: "StandardError", review: "Review") -> None:
        self._shown = (messages, review.sitting)

    def start(self, total: int) -> None:
        for each in self._shown:
            each.start(total)

    def advance(self, name: str) -> None:
        for each in self._shown:
            each.advance(name)

    def finish(self) -> None:
        for each in self._shown:
            each.finish()


def _wait() -> None:
    forever = threading.Event()
    while not forever.wait(TICK_S):
        pass


# ---------------------------------------------------------------- the browser


@contextlib.contextmanager
def _opened(gate: "Gate", folder: Path, options: argparse.Namespace) -> Iterator[None]:
    """Hand the address to the user's own browser, or print it."""
    if options.no_browser:
        _say(gate.address)
        yield
        return
    # By a file that only this user can read: every user sees the words of a started program.
    way_in = folder / f"review-{os.getpid()}.html"
    try:
        _write_way_in(way_in, gate.address)
        if webbrowser.open(way_in.as_uri()):
            _say("The review is in your browser. Stop it here with Ctrl-C.")
        else:
            _say(gate.address)
        yield
    finally:
        way_in.unlink(missing_ok=True)


def _write_way_in(path: Path, address: str) -> None:
    path.unlink(missing_ok=True)
    text = (
        '<!doctype html><meta charset="utf-8"><meta name="referrer" content="no-referrer">'
        f'<meta http-equiv="refresh" content="0;url={address}"><a href="{address}">Review</a>\n'
    )
    descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    with open(descriptor, "w", encoding="utf-8") as file:  # noqa: PTH123
        file.write(text)


def _say(text: str) -> None:
    to_stdout(lambda out: print(text, file=out))
