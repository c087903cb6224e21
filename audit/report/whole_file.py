"""Output files, all or nothing: a reader finds the old file or the new one, never a part.

The text goes to a temporary file beside the target, is flushed to the disk and then takes the
target's name in one step. Devices and pipes have no such step and are written straight.
"""

import contextlib
import os
import secrets
import time
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

PREFIX = ".frame-audit-"
SUFFIX = ".part"
STALE_S = 3600.0
"""Age from which a temporary file is what a killed run left (no report takes an hour to write)."""


def write_whole(path: Path, write: Callable[[TextIO], None]) -> None:
    """Write a file completely or not at all.

    Parameters
    ----------
    path : Path
        The target; links are followed.
    write : callable
        Gets an open UTF-8 text file.

    Raises
    ------
    OSError
        If the folder or the disk refuses; the old file is then untouched.
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file() and not target.is_dir():
        with target.open("w", encoding="utf-8", newline="") as out:
            write(out)
        return
    _sweep(target.parent)
    part = target.with_name(f"{PREFIX}{secrets.token_hex(6)}{SUFFIX}")
    try:
        with part.open("x", encoding="utf-8", newline="") as out:
            write(out)
            out.flush()
            os.fsync(out.fileno())
        part.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise


def _sweep(folder: Path) -> None:
    """Remove what killed runs left behind."""
    for part in folder.glob(f"{PREFIX}*{SUFFIX}"):
        with contextlib.suppress(OSError):
            if time.time() - part.stat().st_mtime > STALE_S:
                part.unlink()
