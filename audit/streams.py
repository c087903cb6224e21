"""The standard output and the standard error of a command."""

import argparse
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from audit.errors import OutputError, SettingsError
from audit.words import STDOUT

if TYPE_CHECKING:
    from audit.report.json_lines import LineWriter
    from audit.report.progress import StandardError


@contextmanager
def standard_error(options: argparse.Namespace) -> "Iterator[StandardError]":
    """Show progress and warnings while a run lasts, whatever ends it."""
    from audit.report.progress import StandardError

    messages = StandardError(sys.stderr, quiet=options.quiet, colour=not options.no_color)
    try:
        yield messages
    finally:
        messages.finish()


@contextmanager
def open_lines(file: str | None) -> "Iterator[LineWriter | None]":
    """Open an output that is written line by line while a run lasts.

    Parameters
    ----------
    file : str or None
        ``-`` is the standard output; ``None``: no such output.

    Raises
    ------
    SettingsError
        If the file holds anything but an older output of this kind: it is emptied before anything
        is measured.
    OutputError
        If it cannot be written.
    """
    if file is None:
        yield None
        return
    from audit.report.json_lines import START, LineWriter

    if file == STDOUT:
        yield LineWriter(lambda line: to_stdout(lambda out: print(line, end="", file=out)))
        return
    path = Path(file)
    try:
        if path.is_file() and path.stat().st_size and not path.read_bytes().startswith(START):
            raise SettingsError(f"{path}: expected older JSON Lines to replace, found other data")
        with path.open("w", encoding="utf-8", newline="", buffering=1) as out:
            yield LineWriter(lambda line: print(line, end="", file=out))
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error.strerror}") from error


def to_stdout(write: Callable[[TextIO], None]) -> None:
    """Write to stdout; a reader that has seen enough and left is no error."""
    try:
        write(sys.stdout)
    except BrokenPipeError:
        _leave_stdout()
    else:
        flush_stdout()


def flush_stdout() -> None:
    """Send what is waiting; a reader that left is no error."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _leave_stdout()


def _leave_stdout() -> None:
    """Point stdout at nothing, so that closing it raises nothing."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
