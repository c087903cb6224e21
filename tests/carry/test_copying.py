"""A name in the destination stands for a whole, verified file, whatever ends the run."""

import errno
import hashlib
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import planted_copy
import pytest
from planted_copy import carry, items_of

from audit.carry import copying
from audit.carry.copying import Copied, copy_item, require_room
from audit.carry.destination import opened
from audit.carry.folder_lock import locked
from audit.carry.manifest import NAME, manifest_text, read_manifest
from audit.errors import FolderError, OutputError, SettingsError

KILLS = 20
SCRIPT = Path(planted_copy.__file__)
LONG_AGO_NS = 1_000_000_000_123_456_789
HOSTILE = [
    "a\nb.dng",
    "a\\b.dng",
    "cr\rend\r",
    "caf\udce9.dng",
    "-rf",
    "=1+1.jpg",
    "\u202egnp.jpg",
    "-",
]


@pytest.fixture(name="source")
def source_fixture(tmp_path: Path) -> Path:
    rng = random.Random(5)
    for at, size in enumerate([0, 1, 70_000, 200_000, 120_000]):
        path = tmp_path / "card" / f"day {at % 2}" / f"A{at}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.randbytes(size))
        path.chmod(0o444)
        os.utime(path, ns=(LONG_AGO_NS, LONG_AGO_NS + at))
    return tmp_path / "card"


def contents(folder: Path) -> dict[str, bytes]:
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path.relative_to(folder)): path.read_bytes() for path in paths}


def facts(folder: Path) -> dict[str, tuple[object, ...]]:
    """All that must not change of an original."""
    found = {path: path.stat() for path in folder.rglob("*")}
    return {
        str(path): (
            each.st_mode,
            each.st_mtime_ns,
            each.st_ino,
            path.is_file() and path.read_bytes(),
        )
        for path, each in found.items()
    }


def states(done: list[Copied]) -> set[str]:
    return {copied.state for copied in done}


def test_copies_are_the_same_with_their_times_and_a_manifest(source: Path, tmp_path: Path) -> None:
    before = facts(source)
    done = carry(source, tmp_path / "kept")
    assert states(done) == {"copied"}
    copied = contents(tmp_path / "kept")
    manifest = copied.pop(NAME)
    assert copied == contents(source)
    assert facts(source) == before
    for name in copied:
        assert (tmp_path / "kept" / name).stat().st_mtime_ns == (source / name).stat().st_mtime_ns
    expected = {
        os.fsencode(name): hashlib.sha256(data).hexdigest() for name, data in copied.items()
    }
    assert manifest == manifest_text(expected)


def test_a_second_run_compares_and_writes_nothing(source: Path, tmp_path: Path) -> None:
    carry(source, tmp_path / "kept")
    before = facts(tmp_path / "kept")
    assert states(carry(source, tmp_path / "kept")) == {"there"}
    after = facts(tmp_path / "kept")
    folder = str(tmp_path / "kept")
    assert {key: each for key, each in after.items() if key != folder} == {
        key: each for key, each in before.items() if key != folder
    }


@pytest.mark.parametrize("kind", ["longer", "same length", "link", "folder"])
def test_nothing_is_overwritten(source: Path, tmp_path: Path, kind: str) -> None:
    target = tmp_path / "kept" / "day 0" / "A2.dng"
    target.parent.mkdir(parents=True)
    other = {"longer": b"x" * 80_000, "same length": b"x" * 70_000}.get(kind, b"")
    if kind == "link":
        target.symlink_to(source / "day 0" / "A2.dng")
    elif kind == "folder":
        target.mkdir()
    else:
        target.write_bytes(other)
    done = carry(source, tmp_path / "kept")
    left = [copied for copied in done if copied.state == "left"]
    assert [copied.item.place.name for copied in left] == ["A2.dng"]
    assert len(read_manifest(tmp_path / "kept" / NAME)) == len(done) - 1
    if other:
        assert target.read_bytes() == other
    assert target.is_symlink() == (kind == "link")


def test_a_file_that_gets_the_name_meanwhile_is_not_overwritten(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = copying._same_there

    def look(item: copying.CopyItem, target: Path, advance: Callable[[int], None]) -> str | None:
        found = real(item, target, advance)
        target.write_text("theirs")
        return found

    monkeypatch.setattr(copying, "_same_there", look)
    assert states(carry(source, tmp_path / "kept")) == {"left"}
    assert {path.read_text() for path in (tmp_path / "kept").rglob("*.dng")} == {"theirs"}


def test_a_link_out_of_the_destination_is_not_followed(source: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "day 1").symlink_to(tmp_path / "elsewhere")
    assert states(carry(source, tmp_path / "kept")) == {"copied", "left"}
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_killed_at_any_moment_no_name_holds_a_part_and_a_rerun_finishes(
    source: Path, tmp_path: Path
) -> None:
    """SIGKILL after a random number of pieces; tests/stress/copy_kills.py does more."""
    rng = random.Random(7)
    whole = contents(source)
    before = facts(source)
    killed = 0
    for _ in range(KILLS):
        destination = tmp_path / "kept"
        killed += killed_copy(source, destination, rng.randrange(1, 52))
        there = {
            name: data
            for name, data in contents(destination).items()
            if not name.rpartition("/")[2].startswith(".frame-audit-copy") and name != NAME
        }
        assert there.items() <= whole.items()
        carry(source, destination)
        after = contents(destination)
        assert read_manifest(destination / NAME).keys() == {os.fsencode(name) for name in whole}
        del after[NAME]
        assert after == whole
        shutil.rmtree(destination)
    assert killed > KILLS // 2, "most must be killed before they end"
    assert facts(source) == before


def killed_copy(source: Path, destination: Path, pieces: int) -> bool:
    """Start a copy and kill it after so many pieces; false if it had ended before."""
    words = [sys.executable, str(SCRIPT), str(source), str(destination)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.read(pieces)
        process.kill()
    return process.returncode != 0


@pytest.mark.parametrize("at", range(1, 12))
def test_a_full_disk_at_the_nth_write_leaves_no_part(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    real, count = os.write, 0

    def write(descriptor: int, data: bytes) -> int:
        nonlocal count
        count += 1
        if count >= at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(descriptor, data[:50_000])

    with monkeypatch.context() as patch:
        patch.setattr(copying.os, "write", write)
        done = carry(source, tmp_path / "kept")
    whole = contents(source)
    there = contents(tmp_path / "kept")
    there.pop(NAME, None)
    assert there.items() <= whole.items()
    assert done[-1].is_full == (count >= at)
    carry(source, tmp_path / "kept")
    assert contents(tmp_path / "kept").keys() == {*whole, NAME}


def test_a_copy_that_reads_back_differently_is_thrown_away(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that says that it wrote, and did not."""
    real = os.write

    def write(descriptor: int, data: bytes) -> int:
        return real(descriptor, bytes(len(data)))

    monkeypatch.setattr(copying.os, "write", write)
    done = carry(source, tmp_path / "kept")
    assert {copied.item.size_bytes for copied in done if copied.state == "copied"} == {0}
    assert all("suspect the disk" in (each.reason or "") for each in done if each.state == "left")


def test_a_source_that_changes_while_it_is_copied_is_left(source: Path, tmp_path: Path) -> None:
    items = items_of(source)
    os.utime(items[-1].source, ns=(5, 5))
    with opened(tmp_path / "kept"):
        done = list(copying.copy_all(items, tmp_path / "kept", advance=lambda *_: None))
    assert [copied.state for copied in done][-1] == "left"
    assert "changed while" in (done[-1].reason or "")


def test_a_source_that_is_gone_harms_no_other(source: Path, tmp_path: Path) -> None:
    items = items_of(source)
    items[0].source.unlink()
    done = list(copying.copy_all(items, tmp_path, advance=lambda *_: None))
    assert [copied.state for copied in done] == ["left", *["copied"] * (len(items) - 1)]
    assert copy_item(items[0].source, Path("x")) is None


def test_too_little_room_is_said_before_anything_is_written(source: Path, tmp_path: Path) -> None:
    item = items_of(source)[0]
    huge = copying.CopyItem(
        source=item.source, place=item.place, size_bytes=1 << 60, mtime_ns=item.mtime_ns
    )
    with pytest.raises(OutputError, match="expected room for"):
        require_room([huge], tmp_path / "kept" / "deep")
    assert not (tmp_path / "kept").exists()


def test_two_runs_at_once_are_refused(tmp_path: Path) -> None:
    expected = pytest.raises(FolderError, match="another copy running")
    with locked(tmp_path), expected, locked(tmp_path):
        pass
    with locked(tmp_path):
        pass
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- the manifest


def plant_hostile(folder: Path) -> None:
    folder.mkdir()
    for name in HOSTILE:
        (folder / name).write_bytes(b"content of " + os.fsencode(name))


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_sha256sum_reads_the_manifest_whatever_the_names(tmp_path: Path) -> None:
    """GNU coreutils is the other side of the contract."""
    plant_hostile(tmp_path / "card")
    carry(tmp_path / "card", tmp_path / "kept")
    words = ["sha256sum", "--check", "--strict", NAME]
    check = subprocess.run(words, cwd=tmp_path / "kept", capture_output=True, check=False)
    assert (check.returncode, check.stderr) == (0, b"")
    assert check.stdout.count(b": OK\n") == len(HOSTILE)
    (tmp_path / "kept" / "-rf").write_bytes(b"changed")
    check = subprocess.run(words, cwd=tmp_path / "kept", capture_output=True, check=False)
    assert check.returncode == 1


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_the_manifest_of_sha256sum_is_read_whatever_the_names(tmp_path: Path) -> None:
    plant_hostile(tmp_path / "card")
    made = subprocess.run(
        ["sha256sum", "--", *(f"./{name}" for name in HOSTILE)],
        cwd=tmp_path / "card",
        capture_output=True,
        check=True,
    )
    (tmp_path / "list").write_bytes(made.stdout)
    carry(tmp_path / "card", tmp_path / "kept")
    assert read_manifest(tmp_path / "list") == read_manifest(tmp_path / "kept" / NAME)


def test_lines_of_earlier_copies_stay(source: Path, tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    old = {b"earlier/x.dng": "0" * 64}
    (tmp_path / "kept" / NAME).write_bytes(manifest_text(old))
    carry(source, tmp_path / "kept")
    assert old.items() < read_manifest(tmp_path / "kept" / NAME).items()


@pytest.mark.parametrize("text", [b"hello\n", b"0" * 64 + b"\n", b"\xff\xd8\xff"])
def test_a_file_that_is_no_manifest_is_not_replaced(
    source: Path, tmp_path: Path, text: bytes
) -> None:
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / NAME).write_bytes(text)
    with pytest.raises(SettingsError, match="expected hash and path"):
        carry(source, tmp_path / "kept")
    assert contents(tmp_path / "kept") == {NAME: text}


def test_a_frame_with_the_name_of_the_manifest_is_left(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / NAME).write_bytes(b"a photograph")
    assert states(carry(tmp_path / "card", tmp_path / "kept")) == {"left"}
