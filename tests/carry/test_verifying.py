"""A file is held against every hash that is known of it, and each is told apart."""

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path

import pytest

from audit.carry.verifying import bytes_to_hash, known_hashes, verify
from audit.records import KnownHash

NAMES = (b"a.dng", b"day 1/b.jpg", b"caf\xe9.dng", b"x\ny.jpg")


@pytest.fixture(name="kept")
def kept_fixture(tmp_path: Path) -> Path:
    for name in NAMES:
        path = tmp_path / os.fsdecode(name)
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"content of " + name)
    return tmp_path


def stored(folder: Path, *names: bytes) -> list[KnownHash]:
    return [
        KnownHash(
            path=os.fsencode(folder) + b"/" + name,
            digest=hashlib.sha256(b"content of " + name).hexdigest(),
        )
        for name in names
    ]


def listed(*names: bytes) -> dict[bytes, str]:
    return {name: hashlib.sha256(b"content of " + name).hexdigest() for name in names}


def found(folder: Path, known: Mapping[bytes, tuple[tuple[str, str, str], ...]]) -> dict[str, str]:
    told = 0.0

    def advance(count: float, _: str) -> None:
        nonlocal told
        told += count

    states = {str(each.path): each.state for each in verify(folder, NAMES, known, advance=advance)}
    assert told == bytes_to_hash(folder, known)
    return states


def test_files_known_from_either_source_or_both(kept: Path) -> None:
    known = known_hashes(kept, stored(kept, *NAMES[:3]), listed(*NAMES[2:]))
    assert set(found(kept, known).values()) == {"unchanged"}


@pytest.mark.parametrize("source", ["store", "manifest", "both"])
def test_one_flipped_bit_is_a_change(kept: Path, source: str) -> None:
    (kept / "a.dng").write_bytes(b"content of a.dnf")
    known = known_hashes(
        kept,
        stored(kept, *NAMES) if source != "manifest" else [],
        listed(*NAMES) if source != "store" else {},
    )
    assert found(kept, known) == {
        os.fsdecode(name): "changed" if name == b"a.dng" else "unchanged" for name in NAMES
    }


def test_a_change_that_one_source_alone_knows_is_a_change(kept: Path) -> None:
    """An edited file that was copied and listed after it was measured."""
    known = known_hashes(kept, stored(kept, b"a.dng"), {b"a.dng": "0" * 64})
    (told,) = list(verify(kept, [], known, advance=lambda *_: None))
    assert (told.state, told.by) == ("changed", ("manifest",))


def test_what_is_not_there_and_what_is_not_known(kept: Path) -> None:
    (kept / "a.dng").unlink()
    assert found(kept, known_hashes(kept, stored(kept, b"a.dng"), {})) == {
        "a.dng": "missing",
        **{os.fsdecode(name): "unknown" for name in NAMES[1:]},
    }


def test_a_link_in_place_of_the_file_is_not_followed(kept: Path) -> None:
    (kept / "a.dng").rename(kept / "other")
    (kept / "a.dng").symlink_to(kept / "other")
    known = known_hashes(kept, stored(kept, b"a.dng"), {})
    (told,) = list(verify(kept, [], known, advance=lambda *_: None))
    assert told.state == "unreadable"
