r"""A list of files and their SHA-256, in the form that ``sha256sum -c`` of GNU coreutils reads.

One line a file: 64 hexadecimal digits, two spaces, the path. A path with a backslash, a line feed
or a carriage return has these written ``\\``, ``\n``, ``\r`` and its line starts with a backslash
(checked against coreutils 9.1; releases before 9.0 leave the carriage return alone, from memory).
"""

import os
import re
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from audit.errors import SettingsError

NAME = "frame-audit.sha256"

_LINE = re.compile(rb"(\\?)([0-9a-fA-F]{64}) [ *]([^\0]+)")
_ESCAPES = {b"\\": b"\\\\", b"\n": b"\\n", b"\r": b"\\r"}
_UNESCAPES = {after: before for before, after in _ESCAPES.items()}


def manifest_text(hashes: Mapping[bytes, str]) -> bytes:
    """Write a manifest.

    Parameters
    ----------
    hashes : mapping of bytes to str
        SHA-256 by path: relative, with ``/``, as the system knows it.
    """
    return b"".join(_line(path, digest) for path, digest in sorted(hashes.items()))


def read_manifest(path: Path) -> dict[bytes, str]:
    """Read a manifest.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict of bytes to str
        SHA-256 by path, as in the file.

    Raises
    ------
    SettingsError
        If it cannot be read, or a line is none of a manifest.
    """
    try:
        text = path.read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror}") from error
    hashes = {}
    for number, line in enumerate(text.split(b"\n"), start=1):
        if not line.strip():
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            shown = line[:40].decode("utf-8", "backslashreplace")
            raise SettingsError(f"{path}, line {number}: expected hash and path, found {shown!r}")
        name = _unescaped(match[3]) if match[1] else match[3]
        hashes[name.removeprefix(b"./")] = match[2].decode().lower()
    return hashes


def path_bytes(path: Path | PurePosixPath) -> bytes:
    """Relative path as a manifest holds it."""
    return os.fsencode(path.as_posix())


def is_inside(path: bytes) -> bool:
    """Whether a path of a manifest stays below the manifest's folder."""
    parts = PurePosixPath(os.fsdecode(path)).parts
    return not Path(os.fsdecode(path)).is_absolute() and ".." not in parts


def _line(path: bytes, digest: str) -> bytes:
    escaped = re.sub(rb"[\\\n\r]", lambda found: _ESCAPES[found[0]], path)
    mark = b"\\" if escaped != path else b""
    if path == b"-":  # which would mean the standard input
        escaped = b"./-"
    return mark + digest.encode() + b"  " + escaped + b"\n"


def _unescaped(path: bytes) -> bytes:
    return re.sub(rb"\\[\\nr]", lambda found: _UNESCAPES[found[0]], path)
