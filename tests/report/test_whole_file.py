"""Outputs are all or nothing: whatever goes wrong, the old file or the new one is there."""

import contextlib
import errno
import os
import stat
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TextIO

import pytest

from audit.report import whole_file
from audit.report.whole_file import write_whole


def hello(out: TextIO) -> None:
    out.write("hello ±\r\n")


def failing(out: TextIO) -> None:
    out.write("half")
    raise OSError(28, "No space left on device")


def test_the_file_holds_the_text_byte_by_byte_and_nothing_is_left_beside_it(
    tmp_path: Path,
) -> None:
    write_whole(tmp_path / "a.csv", hello)
    assert (tmp_path / "a.csv").read_bytes() == "hello ±\r\n".encode()
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_a_failure_leaves_the_old_file_and_no_part(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text("old")
    with pytest.raises(OSError, match="No space"):
        write_whole(tmp_path / "a.json", failing)
    assert (tmp_path / "a.json").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_each_step_may_fail(tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(5, "Input/output error")

    (tmp_path / "a.json").write_text("old")
    monkeypatch.setattr(*((os, "fsync") if step == "fsync" else (Path, "replace")), refuse)
    with pytest.raises(OSError, match="Input/output"):
        write_whole(tmp_path / "a.json", hello)
    assert [path.read_text() for path in tmp_path.iterdir()] == ["old"]


def test_an_interruption_leaves_no_part(tmp_path: Path) -> None:
    def interrupted(_: TextIO) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "a.json", interrupted)
    assert list(tmp_path.iterdir()) == []


def test_parts_of_killed_runs_are_swept_but_not_those_of_running_ones(tmp_path: Path) -> None:
    old = tmp_path / f"{whole_file.PREFIX}0011{whole_file.SUFFIX}"
    new = tmp_path / f"{whole_file.PREFIX}0022{whole_file.SUFFIX}"
    old.touch()
    new.touch()
    long_ago = time.time() - whole_file.STALE_S - 60
    os.utime(old, (long_ago, long_ago))
    write_whole(tmp_path / "a.json", hello)
    assert (old.exists(), new.exists()) == (False, True)


def test_a_name_of_255_bytes_works(tmp_path: Path) -> None:
    target = tmp_path / ("a" * 250 + ".json")
    write_whole(target, hello)
    assert target.exists()


def test_a_link_is_followed_and_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.json").write_text("old")
    link = tmp_path / "link.json"
    link.symlink_to("real.json")
    write_whole(link, hello)
    assert link.is_symlink()
    assert (tmp_path / "real.json").read_text(encoding="utf-8").startswith("hello")


def test_a_device_is_written_to_and_not_replaced() -> None:
    write_whole(Path(os.devnull), hello)
    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)


def test_the_file_is_as_open_to_others_as_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    write_whole(tmp_path / "a.json", hello)
    assert (tmp_path / "a.json").stat().st_mode == (tmp_path / "plain").stat().st_mode


class FailingDisk:
    """Counts the steps of a write and fails at one of them, as a disk does that is full or dying.

    The way of SQLite's own tests: fail at the first step, then the second ... until a run passes.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch, fail_at: int, number: int) -> None:
        self.steps = 0
        self._fail_at = fail_at
        self._number = number
        for place, name in ((os, "fsync"), (Path, "replace"), (Path, "open")):
            monkeypatch.setattr(place, name, self._counted(getattr(place, name)))

    def _counted(self, step: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*words: Any, **more: Any) -> Any:
            self.count()
            return step(*words, **more)

        return counted

    def count(self) -> None:
        self.steps += 1
        if self.steps == self._fail_at:
            raise OSError(self._number, os.strerror(self._number))

    def write(self, out: TextIO) -> None:
        """Write a text in pieces, each a step of its own."""
        for piece in ("one ", "two ", "three"):
            self.count()
            out.write(piece)
            out.flush()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EROFS, errno.EACCES])
def test_whatever_step_fails_the_file_is_the_old_or_the_new_one(
    tmp_path: Path, number: int
) -> None:
    target = tmp_path / "a.json"
    for fail_at in range(1, 20):
        target.write_text("old")
        with pytest.MonkeyPatch.context() as patched:
            disk = FailingDisk(patched, fail_at, number)
            text = "old"
            with contextlib.suppress(OSError):
                write_whole(target, disk.write)
                text = "one two three"
        assert [path.name for path in tmp_path.iterdir()] == ["a.json"]
        assert target.read_text() == text
        if text != "old":
            break
    assert fail_at == 7, "six steps: open, three pieces, sync, replace"
