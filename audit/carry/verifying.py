"""Files held against the hashes that are known of them: of the store, of a manifest."""

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from audit.carry.hashing import sha256_of
from audit.carry.manifest import is_inside, path_bytes
from audit.records import KnownHash

State = Literal["unchanged", "changed", "missing", "unknown", "unreadable"]

STORE, MANIFEST = "measured", "manifest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What is known of one file."""

    path: Path
    """Below the folder."""
    state: State
    by: tuple[str, ...] = ()
    """Sources of the hashes that it was held against: those that it fails, if it is changed."""
    reason: str | None = None


Hash = tuple[str, str]
"""SHA-256, source."""


def known_hashes(
    folder: Path, stored: Iterable[KnownHash], manifest: Mapping[bytes, str]
) -> dict[bytes, tuple[Hash, ...]]:
    """Gather what is known of the files below a folder.

    Parameters
    ----------
    folder : Path
        As the store knows it: absolute, without links.
    stored : iterable of KnownHash
    manifest : mapping of bytes to str
        SHA-256 by path below the folder.

    Returns
    -------
    dict of bytes to tuple
        By path below the folder: (SHA-256, source) of each hash.
    """
    known: dict[bytes, tuple[Hash, ...]] = {}
    for each in stored:
        below = Path(os.fsdecode(each.path)).relative_to(folder)
        known[path_bytes(below)] = ((each.digest, STORE),)
    for path, digest in manifest.items():
        known[path] = (*known.get(path, ()), (digest, MANIFEST))
    return known


def bytes_to_hash(folder: Path, known: Iterable[bytes]) -> int:
    """Bytes that a comparison reads."""
    total = 0
    for path in known:
        with contextlib.suppress(OSError):
            total += (folder / os.fsdecode(path)).lstat().st_size if is_inside(path) else 0
    return total


def verify(
    folder: Path,
    found: Iterable[bytes],
    known: Mapping[bytes, tuple[Hash, ...]],
    *,
    advance: Callable[[float, str], None],
) -> Iterator[Verified]:
    """Hash files and compare.

    Parameters
    ----------
    folder : Path
    found : iterable of bytes
        Photographs below it, by path below the folder.
    known : mapping
        As `known_hashes` gives it; files that are missing are among its paths.
    advance : callable
        Told how many bytes more are done, and of which file.

    Yields
    ------
    Verified
        In order of path.
    """
    for path in sorted({*found, *known}):
        yield _verified(folder, path, known.get(path, ()), advance)


def _verified(
    folder: Path,
    path: bytes,
    known: tuple[Hash, ...],
    advance: Callable[[float, str], None],
) -> Verified:
    below = Path(PurePosixPath(os.fsdecode(path)))
    if not is_inside(path):
        return Verified(path=below, state="unreadable", reason="leads out of the folder: not read")
    if not known:
        return Verified(path=below, state="unknown")
    try:
        found = sha256_of(folder / below, advance=lambda count: advance(count, below.name))
    except (FileNotFoundError, NotADirectoryError):
        return Verified(path=below, state="missing", by=tuple(source for _, source in known))
    except OSError as error:
        return Verified(path=below, state="unreadable", reason=error.strerror or str(error))
    failed = tuple(source for digest, source in known if found != digest)
    if failed:
        return Verified(path=below, state="changed", by=failed)
    return Verified(path=below, state="unchanged", by=tuple(source for _, source in known))
