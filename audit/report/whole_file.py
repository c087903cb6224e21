"""Output files, all or nothing: a reader finds the old file or the new one, never a part.

The text goes to a temporary file beside the target, is flushed to the disk and then takes the
target's name in one step. Devices and pipes have no such step and are written straight.
"""

import contextlib
import errno
import os
import secrets
import stat
import time
from collections.abc import Callable, Iterator
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
    with part_of(target) as part, part.open("x", encoding="utf-8", newline="") as out:
        write(out)
        out.flush()
        os.fsync(out.fileno())


def write_bytes(path: Path, data: bytes) -> None:
    """Write a small file completely or not at all.

    It is not forced to the disk: whoever writes thousands makes what refers to them last.

    Raises
    ------
    OSError
        If the folder or the disk refuses; an old file is then untouched.
    """
    with part_of(path) as part:
        part.write_bytes(data)


def write_durably(path: Path, data: bytes, *, replacing: bool, prefix: str = PREFIX) -> None:
    """Write a small file completely or not at all, and force it to the disk.

    Parameters
    ----------
    path : Path
    data : bytes
    replacing : bool
        Whether an old file may be replaced; it hands its permissions on.
    prefix : str
        Start of the temporary name.

    Raises
    ------
    FileExistsError
        If there is a file that may not be replaced.
    OSError
        If the folder or the disk refuses; an old file is then untouched.
    """
    _sweep(path.parent)
    with part_of(path, replacing=replacing, prefix=prefix) as part:
        with part.open("xb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        if replacing:
            part.chmod(stat.S_IMODE(path.stat().st_mode))


@contextlib.contextmanager
def part_of(target: Path, *, replacing: bool = True, prefix: str = PREFIX) -> Iterator[Path]:
    """Name of a file beside the target, which takes the target's name if all went well.

    Parameters
    ----------
    target : Path
    replacing : bool
        Whether it may take the place of a file that is there.
    prefix : str
        Start of the name, by which whoever wrote it finds it again.

    Raises
    ------
    FileExistsError
        If there is a file that may not be replaced.
    """
    part = target.with_name(f"{prefix}{secrets.token_hex(6)}{SUFFIX}")
    try:
        yield part
        if replacing:
            part.replace(target)
        else:
            _take_free_name(part, target)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise


def _take_free_name(part: Path, target: Path) -> None:
    """Give a file its name if nothing has it yet.

    A second name and the removal of the first one never replace anything. Where the disk knows no
    second names (FAT), a look and a renaming must do.
    """
    try:
        os.link(part, target)
    except FileExistsError:
        raise
    except OSError:
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from None
        part.rename(target)
    else:
        part.unlink()


def sync_folder(folder: Path) -> None:
    """Force the names in a folder to the disk, where the system can."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _sweep(folder: Path) -> None:
    """Remove what killed runs left behind."""
    for part in folder.glob(f"{PREFIX}*{SUFFIX}"):
        with contextlib.suppress(OSError):
            if time.time() - part.stat().st_mtime > STALE_S:
                part.unlink()
