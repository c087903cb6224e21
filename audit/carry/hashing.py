"""Hashes of whole files, read from the disk."""

import hashlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path

CHUNK_BYTES = 1 << 20
"""Read at once: large enough that calls do not count (project's choice)."""

NO_FOLLOW = (
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
)


def sha256_of(path: Path, *, advance: Callable[[int], None] | None = None) -> str:
    """Hash a file: what the manifest and the store hold.

    Parameters
    ----------
    path : Path
        Opened for reading only; a link is not followed.
    advance : callable, optional
        Told of every number of bytes read.

    Returns
    -------
    str
        Hexadecimal digest, SHA-256 (FIPS 180-4).

    Raises
    ------
    OSError
        If it cannot be read.
    """
    digest = hashlib.sha256()
    for chunk in chunks_of(path):
        digest.update(chunk)
        if advance is not None:
            advance(len(chunk))
    return digest.hexdigest()


def chunks_of(path: Path) -> Iterator[bytes]:
    """Content of a file, from the disk itself where the system can be asked for that."""
    descriptor = os.open(path, NO_FOLLOW)
    with open(descriptor, "rb", buffering=0) as file:  # noqa: PTH123
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        while chunk := file.read(CHUNK_BYTES):
            yield chunk
