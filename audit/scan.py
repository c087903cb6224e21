"""Folder in, frames out: what lies on a card or a trip folder, and what was passed over and why.

A file is a frame by its first bytes, not by its name. Where the name promises a photograph that the
bytes do not hold, the file is still a frame (format ``unknown``), so that its row can say so:
nothing that looks like a photograph ever leaves the report silently.

Only regular files are opened, read-only, and links are never followed: a link loop ends no run and
a pipe named like a photograph blocks none.
"""

import os
import re
import stat
import struct
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

from audit.errors import FolderError
from audit.records import Frame, Record, Skipped

HEAD_BYTES = 4096
"""Read of each file to tell its format: one block of the disk."""

UNKNOWN = "unknown"
"""Format of a file whose name promises a photograph that its content does not hold."""

TIFF_RAW_SUFFIXES = frozenset(
    ("3fr", "arw", "cr2", "dcr", "dng", "erf", "fff", "gpr", "iiq", "kdc")
) | frozenset(("mef", "mos", "nef", "nrw", "pef", "raw", "rwl", "sr2", "srf", "srw"))
"""Raw formats that are TIFF files inside, so that the suffix must tell one from the other."""

RAW_FORMATS = TIFF_RAW_SUFFIXES | frozenset(("cr3", "crw", "mrw", "orf", "raf", "rw2", "x3f"))

DEVELOPED_SUFFIXES = MappingProxyType(
    dict.fromkeys(("jpg", "jpeg", "jpe", "jfif", "mpo"), "jpeg")
    | dict.fromkeys(("tif", "tiff"), "tiff")
    | dict.fromkeys(("heic", "heif", "hif"), "heif")
)

TWIN_FORMATS = frozenset(("jpeg", "heif"))
"""What a camera writes beside a raw file as its twin."""

HEIF_BRANDS = frozenset((b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1"))
"""ISO/IEC 23008-12: brands of still pictures."""

MAKER_FORMATS = MappingProxyType(
    {
        b"HASSELBLAD": "3fr",
        b"KODAK": "dcr",
        b"EASTMAN KODAK": "dcr",
        b"NIKON": "nef",
        b"PENTAX": "pef",
        b"RICOH": "pef",
        b"SAMSUNG": "srw",
        b"SONY": "arw",
    }
)
"""Raw format by the Make tag, for TIFF-based raw files whose suffix was changed (from memory)."""

TAG_SUBFILE_TYPE, TAG_MAKE, TAG_DNG_VERSION = 254, 271, 50706
"""TIFF 6.0 sections 8 (NewSubfileType, Make); DNG 1.4 (DNGVersion)."""

MAX_IFD_ENTRIES = (HEAD_BYTES - 8) // 12

SYSTEM_FOLDERS = frozenset(
    (
        "system volume information",
        "$recycle.bin",
        "recycler",
        "lost.dir",
        "lost+found",
        "found.000",
        "canonmsc",
        "eosmisc",
    )
)
"""Folders that systems and cameras keep for themselves (common practice, no source)."""

CARD_FOLDERS = frozenset(("misc", "private", "avf_info", "mp_root", "database", "nikon"))
"""System folders of cameras (print orders, video databases and their thumbnails); passed over only
beside a DCIM folder, since a photographer may call a folder of photographs just so (DCF, CIPA
DC-009, names DCIM; the others are common practice, no source)."""

_OPEN_FLAGS = (
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
)


class Scan(Record, frozen=True, kw_only=True):
    """What was found below the folders that were named."""

    frames: tuple[Frame, ...]
    """In natural order of folder and path."""
    skipped: tuple[Skipped, ...]
    """Everything else, in the same order."""


class _File(NamedTuple):
    """One file that is a frame, or half of one."""

    path: str
    below: str
    """Path below the named folder, as the system writes it."""
    format: str
    size_bytes: int
    mtime_ns: int

    @property
    def is_raw(self) -> bool:
        """By content, or by name where the content tells nothing: a spoilt raw keeps its twin."""
        return self.format in RAW_FORMATS or (
            self.format == UNKNOWN and _suffix(self.path) in RAW_FORMATS
        )


def scan(folders: Sequence[Path]) -> Scan:
    """Find the frames below some folders.

    Parameters
    ----------
    folders : sequence of Path
        Scanned in this order, with all folders below; a folder that was reached before is not
        scanned again.

    Returns
    -------
    Scan
        The same for the same folders, whatever order the disk lists them in.

    Raises
    ------
    FolderError
        If one of the folders is missing, no folder, or cannot be listed.
    """
    frames: list[Frame] = []
    skipped: list[Skipped] = []
    reached: set[tuple[int, int]] = set()
    for index, folder in enumerate(folders):
        walk = _Walk(index, _real_folder(folder), reached)
        walk.run()
        if walk.refused is not None:
            raise FolderError(
                f"{display_name(folder)}: expected a readable folder, found: {walk.refused}"
            )
        frames.extend(sorted(_joined(index, walk.files), key=lambda f: _natural_key(f.file)))
        skipped.extend(sorted(walk.skipped, key=lambda s: _natural_key(s.file)))
    return Scan(frames=tuple(frames), skipped=tuple(skipped))


def display_name(path: str | bytes | os.PathLike[str]) -> str:
    r"""Write a path as valid text that stands for exactly one path.

    Parameters
    ----------
    path : str, bytes or path
        As the system knows it.

    Returns
    -------
    str
        With ``/`` between folders; bytes outside UTF-8 as ``\xNN``, and a backslash that could be
        mistaken for such a mark as ``\x5c``. Control characters are left to the writers.
    """
    name = os.fsencode(path).decode("utf-8", "surrogateescape")
    if os.sep != "/":
        name = name.replace(os.sep, "/")
    if "\\x" in name:
        name = re.sub(r"\\(?=x[0-9a-fA-F]{2})", r"\\x5c", name)
    if name.isascii():
        return name
    return "".join(f"\\x{ord(c) - 0xDC00:02x}" if "\udc80" <= c <= "\udcff" else c for c in name)


def named_bytes(name: str) -> bytes:
    r"""Give the path that `display_name` wrote, as the system knows it (with ``/``)."""
    return re.sub(
        rb"\\x([0-9a-f]{2})", lambda mark: bytes([int(mark[1], 16)]), name.encode("utf-8")
    )


def sniff_format(head: bytes, suffix: str) -> str | None:
    """Tell a format by a file's first bytes.

    Parameters
    ----------
    head : bytes
        The first `HEAD_BYTES` of the file, or all of it.
    suffix : str
        Of the file's name; it only tells one TIFF-based raw format from the other.

    Returns
    -------
    str or None
        ``jpeg``, ``tiff``, ``heif``, or a raw format by its usual suffix; ``None`` if it is none.
    """
    suffix = suffix.lower().lstrip(".")
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[:4] in (b"II*\0", b"MM\0*"):
        return _tiff_format(head, suffix)
    if head[:4] in (b"II+\0", b"MM\0+"):
        return "tiff"
    if head[:4] == b"IIU\0":
        return "rwl" if suffix == "rwl" else "rw2"
    if head[4:8] == b"ftyp":
        return _box_format(head)
    if head[6:14] == b"HEAPCCDR":
        return "crw"
    if head[:15] == b"FUJIFILMCCD-RAW":
        return "raf"
    return {b"IIRO": "orf", b"IIRS": "orf", b"MMOR": "orf", b"\0MRM": "mrw", b"FOVb": "x3f"}.get(
        head[:4]
    )


def _box_format(head: bytes) -> str | None:
    """Format of an ISO base media file by its major brand (ISO/IEC 14496-12)."""
    brand = head[8:12]
    if brand == b"crx ":
        return "cr3"
    return "heif" if brand in HEIF_BRANDS else None


def _tiff_format(head: bytes, suffix: str) -> str:
    """Tell the raw formats that are TIFF files inside from each other and from plain TIFF."""
    if head[8:10] == b"CR":
        return "cr2"
    tags = _first_tags(head)
    if TAG_DNG_VERSION in tags and suffix != "gpr":
        return "dng"
    if suffix in TIFF_RAW_SUFFIXES:
        return suffix
    # A raw file's first picture is a thumbnail (bit 0 of NewSubfileType), a plain TIFF's is not.
    is_reduced = tags.get(TAG_SUBFILE_TYPE, b"").strip(b"\0") == b"\1"
    make = tags.get(TAG_MAKE, b"").upper()
    if is_reduced:
        for maker, format_ in MAKER_FORMATS.items():
            if make.startswith(maker):
                return format_
    return "tiff"


def _first_tags(head: bytes) -> Mapping[int, bytes]:
    """Values of the first directory of a TIFF file, as far as they lie in its first bytes."""
    order = "<" if head[:2] == b"II" else ">"
    if len(head) < 8:
        return {}
    (start,) = struct.unpack_from(order + "I", head, 4)
    if start + 2 > len(head):
        return {}
    (count,) = struct.unpack_from(order + "H", head, start)
    sizes = {1: 1, 2: 1, 3: 2, 4: 4}
    tags = {}
    for entry in range(min(count, MAX_IFD_ENTRIES)):
        at = start + 2 + 12 * entry
        if at + 12 > len(head):
            break
        tag, kind, values = struct.unpack_from(order + "HHI", head, at)
        length = values * sizes.get(kind, 4)
        offset = at + 8 if length <= 4 else struct.unpack_from(order + "I", head, at + 8)[0]
        tags[tag] = head[offset : offset + min(length, HEAD_BYTES)]
    return tags


class _Walk:
    """One walk below one named folder."""

    def __init__(self, index: int, top: str, reached: set[tuple[int, int]]) -> None:
        self.files: list[_File] = []
        self.skipped: list[Skipped] = []
        self.refused: str | None = None
        """Why the named folder itself could not be listed."""
        self._index = index
        self._top = top
        self._prefix_length = len(top.rstrip(os.sep)) + 1
        self._reached = reached

    def run(self) -> None:
        """Visit the folder and all below, without recursion: depth is the card's choice."""
        waiting = [self._top]
        while waiting:
            folder = waiting.pop()
            try:
                if not self._is_new(folder):
                    self._skip(folder, "already scanned with another folder")
                    continue
                with os.scandir(folder) as listing:
                    entries = sorted(listing, key=lambda entry: entry.name)
            except OSError as error:
                if folder == self._top:
                    self.refused = _reason(error)
                self._skip(folder, f"cannot be listed: {_reason(error)}")
                continue
            on_card = any(entry.name.upper() == "DCIM" for entry in entries)
            waiting.extend(entry.path for entry in entries if self._visit(entry, on_card=on_card))

    def _is_new(self, folder: str) -> bool:
        found = Path(folder).stat()
        identity = (found.st_dev, found.st_ino)
        is_new = identity not in self._reached
        self._reached.add(identity)
        return is_new

    def _visit(self, entry: os.DirEntry[str], *, on_card: bool) -> bool:
        """Take in one entry; true if it is a folder to be walked."""
        try:
            found = entry.stat(follow_symlinks=False)
        except OSError as error:
            self._skip(entry.path, f"cannot be read: {_reason(error)}")
            return False
        is_folder = stat.S_ISDIR(found.st_mode)
        reason = _why_passed_over(entry, found, on_card=on_card)
        if reason is not None:
            self._skip(entry.path + os.sep * is_folder, reason)
        elif not is_folder:
            self._take(entry.path, found)
        return is_folder and reason is None

    def _take(self, path: str, found: os.stat_result) -> None:
        """Keep a regular file as a frame if it is one."""
        suffix = _suffix(path)
        is_named_photo = suffix in RAW_FORMATS or suffix in DEVELOPED_SUFFIXES
        format_: str | None = None
        try:
            head, found = _read_head(path)
            format_ = sniff_format(head, suffix)
            reason = "empty file" if not head else "not a photograph"
        except OSError as error:
            reason = f"cannot be read: {_reason(error)}"
        if suffix == "thm":
            format_, reason = None, "thumbnail of a video or raw file"
        if format_ is None and not is_named_photo:
            self._skip(path, reason)
            return
        self.files.append(
            _File(
                path=path,
                below=path[self._prefix_length :],
                format=format_ or UNKNOWN,
                size_bytes=found.st_size,
                mtime_ns=found.st_mtime_ns,
            )
        )

    def _skip(self, path: str, reason: str) -> None:
        below = path[self._prefix_length :] or "."
        self.skipped.append(Skipped(folder=self._index, file=display_name(below), reason=reason))


def _why_passed_over(
    entry: os.DirEntry[str], found: os.stat_result, *, on_card: bool
) -> str | None:
    """Reason for passing over an entry without a look inside; ``None`` if there is none."""
    name = entry.name.lower()
    attributes = getattr(found, "st_file_attributes", 0)
    if name.startswith(".") or attributes & stat.FILE_ATTRIBUTE_HIDDEN:
        return "hidden"
    is_folder = stat.S_ISDIR(found.st_mode)
    is_junction = is_folder and attributes & stat.FILE_ATTRIBUTE_REPARSE_POINT
    if stat.S_ISLNK(found.st_mode) or is_junction:
        return "a link: not followed"
    if is_folder:
        is_system = name in SYSTEM_FOLDERS or (on_card and name in CARD_FOLDERS)
        return "system folder of a card" if is_system else None
    return None if stat.S_ISREG(found.st_mode) else "no regular file"


def _read_head(path: str) -> tuple[bytes, os.stat_result]:
    """First bytes of a regular file, and what the system says of the very file that was opened."""
    descriptor = os.open(path, _OPEN_FLAGS)
    try:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise OSError("no regular file any more")
        return os.read(descriptor, HEAD_BYTES), found
    finally:
        os.close(descriptor)


def _joined(index: int, files: Iterable[_File]) -> Iterator[Frame]:
    """Join raw files with their twins.

    Names that agree to the letter are joined first, then those that differ in case alone. Where
    one stem has several raws or several twins nobody can say which belong together: each stays a
    frame of its own.
    """
    alone = list(files)
    for key in (_stem, _folded_stem):
        groups: dict[tuple[str, str], list[_File]] = defaultdict(list)
        for file in alone:
            groups[key(file)].append(file)
        alone = []
        for group in groups.values():
            pair = _pair(group)
            if pair is not None:
                yield _frame(index, *pair)
            alone.extend(file for file in group if pair is None or file not in pair)
    yield from (_frame(index, file) for file in alone)


def _stem(file: _File) -> tuple[str, str]:
    """Folder and name without its suffix."""
    folder, _, name = file.path.rpartition(os.sep)
    stem, dot, _ = name.rpartition(".")
    return folder, stem if dot else name


def _folded_stem(file: _File) -> tuple[str, str]:
    """Folder and name without its suffix; the name in any case, the folder as it is."""
    folder, stem = _stem(file)
    return folder, stem.casefold()


def _pair(group: Sequence[_File]) -> tuple[_File, _File] | None:
    """The raw file and its twin, if there is exactly one of each."""
    raws = [file for file in group if file.is_raw]
    twins = [file for file in group if file.format in TWIN_FORMATS]
    return (raws[0], twins[0]) if len(raws) == len(twins) == 1 else None


def _frame(index: int, main: _File, *companions: _File) -> Frame:
    return Frame(
        folder=index,
        file=display_name(main.below),
        path=os.fsencode(main.path),
        companions=tuple(display_name(file.below) for file in companions),
        companion_paths=tuple(os.fsencode(file.path) for file in companions),
        companion_mtimes_ns=tuple(file.mtime_ns for file in companions),
        format=main.format,
        size_bytes=main.size_bytes,
        mtime_ns=main.mtime_ns,
    )


def _real_folder(folder: Path) -> str:
    """Absolute path of a named folder without links, so that a frame has one path in every run."""
    try:
        real = os.path.realpath(folder, strict=True)
        is_folder = stat.S_ISDIR(Path(real).stat().st_mode)
    except (OSError, ValueError) as error:
        reason = _reason(error) if isinstance(error, OSError) else str(error)
        raise FolderError(f"{display_name(folder)}: expected a folder, found: {reason}") from error
    if not is_folder:
        raise FolderError(f"{display_name(folder)}: expected a folder, found a file")
    return real


def _suffix(path: str) -> str:
    _, dot, suffix = path.rpartition(os.sep)[2].rpartition(".")
    return suffix.lower() if dot else ""


def _natural_key(path: str) -> tuple[tuple[tuple[str | int, ...], ...], str]:
    """Sort key in which ``IMG_2`` comes before ``IMG_10``; never equal for two paths."""
    parts = tuple(
        # Every second run is one of digits, so that text never meets a number in a comparison.
        tuple(int(run) if at % 2 else run for at, run in enumerate(re.split("([0-9]+)", part)))
        for part in path.casefold().split("/")
    )
    return parts, path


def _reason(error: OSError) -> str:
    return error.strerror or str(error)
