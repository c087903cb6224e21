"""Files copied so that the copy is known to be the same, and nothing else is touched.

Each file is written under a temporary name, forced to the disk, read back and hashed; only then it
gets its own name, which no other file may have. So a name in the destination stands for a whole
file, whatever ends the run, and the same command goes on from there.
"""

import contextlib
import errno
import hashlib
import os
import shutil
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from audit.carry.hashing import CHUNK_BYTES, NO_FOLLOW, sha256_of
from audit.carry.manifest import NAME as MANIFEST
from audit.errors import CopyError, OutputError
from audit.report.whole_file import SUFFIX, part_of, sync_folder

PREFIX = ".frame-audit-copy-"

BLOCK_BYTES = 4096
"""Room on a disk is given out in blocks of about this size (common practice, no source)."""

FULL = frozenset((errno.ENOSPC, errno.EDQUOT))

State = Literal["copied", "there", "left"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyItem:
    """One file to be copied."""

    source: Path
    place: Path
    """Below the destination."""
    size_bytes: int
    mtime_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """What became of one file."""

    item: CopyItem
    state: State
    sha256: str | None = None
    """Of the copy, as it was read back."""
    reason: str | None = None
    """Why nothing was written."""
    is_full: bool = False
    """Whether the disk had no room left."""


def copy_item(source: Path, place: Path) -> CopyItem | None:
    """Make an item of a file; ``None`` if it is no plain file any more."""
    try:
        found = source.lstat()
    except OSError:
        return None
    if not stat.S_ISREG(found.st_mode):
        return None
    return CopyItem(
        source=source, place=place, size_bytes=found.st_size, mtime_ns=found.st_mtime_ns
    )


def require_room(items: Iterable[CopyItem], destination: Path) -> None:
    """Refuse to start where the disk cannot take all that is missing.

    Raises
    ------
    OutputError
        If the destination has too little room.
    """
    missing = (each for each in items if not os.path.lexists(destination / each.place))
    needed = sum(-(-each.size_bytes // BLOCK_BYTES) * BLOCK_BYTES for each in missing)
    there = next(each for each in (destination, *destination.absolute().parents) if each.exists())
    free = shutil.disk_usage(there).free
    if needed > free:
        raise OutputError(
            f"{destination}: expected room for {needed / 1e6:.0f} MB, found {free / 1e6:.0f} MB"
        )


def copy_all(
    items: Sequence[CopyItem], destination: Path, *, advance: Callable[[float, str], None]
) -> Iterator[Copied]:
    """Copy files one by one; a full disk ends it.

    Parameters
    ----------
    items : sequence of CopyItem
    destination : Path
        A folder that this run alone writes to (`audit.carry.folder_lock`).
    advance : callable
        Told how many bytes more of a file are done, and its name.

    Yields
    ------
    Copied
        As soon as its file is done.
    """
    for folder in dict.fromkeys((destination / each.place).parent for each in items):
        sweep(folder)
    for item in items:
        done = _copied(item, destination, advance)
        yield done
        if done.is_full:
            return


def _copied(item: CopyItem, destination: Path, advance: Callable[[float, str], None]) -> Copied:
    """Copy one file if it is not there yet."""
    target = destination / item.place

    def told(share: float) -> Callable[[int], None]:
        return lambda count: advance(count * share, item.source.name)

    try:
        if item.place == Path(MANIFEST):
            raise CopyError("its name is that of the manifest")
        _make_folder(target.parent, destination)
        there = _same_there(item, target, told(0.5))
        if there is not None:
            return Copied(item=item, state="there", sha256=there)
        digest = _copy_new(item, target, told(0.5))
    except FileExistsError:
        return Copied(item=item, state="left", reason="another file got that name meanwhile")
    except CopyError as error:
        return Copied(item=item, state="left", reason=str(error))
    except OSError as error:
        reason = error.strerror or str(error)
        return Copied(item=item, state="left", reason=reason, is_full=error.errno in FULL)
    return Copied(item=item, state="copied", sha256=digest)


def _make_folder(folder: Path, destination: Path) -> None:
    """Make the folder of a copy, unless a link leads out of the destination."""
    folder.mkdir(parents=True, exist_ok=True)
    if not folder.resolve().is_relative_to(destination.resolve()):
        raise CopyError(f"expected a folder below {destination}, found a link out of it")


def _same_there(item: CopyItem, target: Path, advance: Callable[[int], None]) -> str | None:
    """Hash of the file that has the name already, if it is the same; ``None`` if none has it."""
    try:
        found = target.lstat()
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(found.st_mode):
        raise CopyError("a link or a folder has its name in the destination")
    if found.st_size == item.size_bytes:
        digest = sha256_of(target, advance=advance)
        if sha256_of(item.source, advance=advance) == digest:
            return digest
    raise CopyError("another file has its name in the destination")


def _copy_new(item: CopyItem, target: Path, advance: Callable[[int], None]) -> str:
    """Copy to a free name; the hash of what was read back is returned."""
    with part_of(target, replacing=False, prefix=PREFIX) as part:
        digest = _write_part(item, part, advance)
        if sha256_of(part, advance=advance) != digest:
            raise CopyError("the copy reads back differently: suspect the disk or the card")
        os.utime(part, ns=(item.mtime_ns, item.mtime_ns))
    sync_folder(target.parent)
    return digest


def _write_part(item: CopyItem, part: Path, advance: Callable[[int], None]) -> str:
    """Write a source's content to the disk; its hash is returned."""
    digest = hashlib.sha256()
    source = os.open(item.source, NO_FOLLOW)
    with open(source, "rb", buffering=0) as read, part.open("xb", buffering=0) as written:  # noqa: PTH123
        while chunk := read.read(CHUNK_BYTES):
            digest.update(chunk)
            _write(written.fileno(), chunk)
            advance(len(chunk))
        os.fsync(written.fileno())
        found = os.fstat(source)
    if (found.st_size, found.st_mtime_ns) != (item.size_bytes, item.mtime_ns):
        raise CopyError("it was changed while it was copied; run the command again")
    return digest.hexdigest()


def _write(descriptor: int, chunk: bytes) -> None:
    """Write all of it: a system may take a part only."""
    view = memoryview(chunk)
    while view:
        view = view[os.write(descriptor, view) :]


def sweep(folder: Path) -> None:
    """Remove what a killed run left in a folder that this run alone writes to."""
    for part in folder.glob(f"{PREFIX}*{SUFFIX}"):
        with contextlib.suppress(OSError):
            part.unlink()
