"""Decisions as a JSON file, to be carried between machines (docs/review.md has its format)."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Literal

import msgspec

from audit.errors import OutputError, SettingsError
from audit.records import Record
from audit.report.whole_file import write_durably
from audit.review.decisions import MAX_NOTE, Kept

MAX_FILE_BYTES = 256_000_000
"""Far above any: half a million decisions (guess for a bound)."""

HASH = re.compile(r"[0-9a-f]{64}")


class DecisionsFile(Record, frozen=True, kw_only=True):
    """The whole file; keys may be added, none changes its meaning."""

    kind: Literal["frame-audit decisions"]
    format: Literal[1]
    decisions: tuple[Kept, ...]
    """In order of ``content_hash``, so that equal decisions give equal files."""


def decisions_json(kept: Iterable[Kept]) -> bytes:
    """Write decisions as JSON."""
    ordered = tuple(sorted(kept, key=lambda each: each.content_hash))
    file = DecisionsFile(kind="frame-audit decisions", format=1, decisions=ordered)
    return msgspec.json.format(msgspec.json.encode(file), indent=1) + b"\n"


def read_decisions(path: Path) -> tuple[Kept, ...]:
    """Read a file of decisions.

    Raises
    ------
    SettingsError
        If it cannot be read, or is none.
    """
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise SettingsError(f"{path}: expected decisions, found a far larger file")
        data = path.read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror}") from error
    try:
        kept = msgspec.json.decode(data, type=DecisionsFile).decisions
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: expected decisions of format 1, found: {error}") from error
    for each in kept:
        if not HASH.fullmatch(each.content_hash) or len(each.note) > MAX_NOTE:
            raise SettingsError(
                f"{path}: expected a hash of 64 digits and a note of up to {MAX_NOTE} characters,"
                f" found {each.content_hash[:40]!r} with {len(each.note)} characters"
            )
    return kept


def write_decisions(path: Path, kept: Iterable[Kept]) -> None:
    """Write a file of decisions, all or nothing.

    Raises
    ------
    SettingsError
        If the file is there and holds something else.
    OutputError
        If it cannot be written.
    """
    is_there = path.exists()
    if is_there:
        read_decisions(path)
    try:
        write_durably(path, decisions_json(kept), replacing=is_there)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error.strerror}") from error
