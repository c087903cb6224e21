"""Files that a command writes: refused early where they are unfit, written all or nothing."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO

from audit.errors import OutputError, SettingsError
from audit.streams import to_stdout
from audit.words import STDOUT

BINARY_HEAD_BYTES = 4096
"""A picture of any format holds a zero byte this early; no report of ours holds one."""


def refuse_unfit_output(file: Path) -> None:
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


def write_outputs(outputs: Sequence[tuple[str | None, Callable[[TextIO], None]]]) -> None:
    """Write the files first, since the reader of stdout may leave at any time.

    Parameters
    ----------
    outputs : sequence of (str or None, callable)
        Name of a file, ``-`` for the standard output, or ``None`` for one that is not wanted; and
        what writes it.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    for file, write in outputs:
        if file is not None and file != STDOUT:
            _write_file(Path(file), write)
    for file, write in outputs:
        if file == STDOUT:
            to_stdout(write)


def _write_file(file: Path, write: Callable[[TextIO], None]) -> None:
    from audit.report.whole_file import write_whole

    try:
        write_whole(file, write)
    except OSError as error:
        raise OutputError(f"{file}: cannot be written: {error.strerror}") from error
