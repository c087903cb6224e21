"""One run at a time in a destination, so that what is left over is known to be left over."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from audit.errors import FolderError

NAME = ".frame-audit-copy.lock"


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder until the context ends; the death of the program ends it, too.

    Raises
    ------
    FolderError
        If another run holds it.
    """
    path = folder / NAME
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    descriptor = os.open(path, flags, 0o666)
    try:
        if not _is_taken(descriptor, path):
            raise FolderError(f"{folder}: expected to be alone, found another copy running")
        try:
            yield
        finally:
            with contextlib.suppress(OSError):
                path.unlink()
    finally:
        os.close(descriptor)


def _is_taken(descriptor: int, path: Path) -> bool:
    """Take the lock of an open file; true as well where the system or the disk knows none."""
    try:
        import fcntl
    except ImportError:  # Windows
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    # Whoever held it may have removed the name in between.
    return path.exists() and path.stat().st_ino == os.fstat(descriptor).st_ino
