"""Hashes of whole files, read from the disk."""

import hashlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path

CHUNK_BYTES = 1 << 20
"""Read at once: large enough that calls do not count (project's choice)."""

SHA256 = "sha256"
BLAKE2B = "blake2b-16"
"""What the manifest and the store hold."""

NO_FOLLOW = (
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
)


def hashes_of(path: Path, *, advance: Callable[[int], None] | None = None) -> dict[str, str]:
    """Hash a file once, in every way that is compared.

    Parameters
    ----------
    path : Path
        Opened for reading only; a link is not followed.
    advance : callable, optional
        Told of every number of bytes read.

    Returns
    -------
    dict of str to str
        Hexadecimal digests: `SHA256` and `BLAKE2B`.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    sha, blake = hashlib.sha256(), hashlib.blake2b(digest_size=16)
    for chunk in chunks_of(path):
        sha.update(chunk)
        blake.update(chunk)
        if advance is not None:
            advance(len(chunk))
    return {SHA256: sha.hexdigest(), BLAKE2B: blake.hexdigest()}


def chunks_of(path: Path) -> Iterator[bytes]:
    """Content of a file, from the disk itself where the system can be asked for that."""
    descriptor = os.open(path, NO_FOLLOW)
    with open(descriptor, "rb", buffering=0) as file:  # noqa: PTH123
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        while chunk := file.read(CHUNK_BYTES):
            yield chunk
