"""Outputs are all or nothing: whatever goes wrong, the old file or the new one is there."""

import os
import stat
import time
from pathlib import Path
from typing import TextIO

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
