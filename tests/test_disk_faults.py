"""A disk that fails at the n-th write under the store, for every n: the run delivers every row.

Two ways: real writes past a size that the system refuses (no rights needed), which SQLite meets as
it meets a full disk; and an I/O error at the n-th statement.
"""

import contextlib
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import planted_examine
import pytest

from audit import measuring, run
from audit import store as store_module
from audit.records import Report
from audit.settings import Settings
from audit.store import FILE_NAME
from audit.workers import Task

FRAMES = 4
PAGE_BYTES = 4096
STEP_BYTES = 9000
"""Between two sizes of the disk: it ends at a border of pages, and in the midst of one."""


@pytest.fixture(name="card")
def card_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Planted frames; they are measured in this process, since no worker is the point."""

    def measured_here(
        tasks: Sequence[Task[Any]], job: Callable[[Any], object], **_: object
    ) -> Iterator[tuple[int, object]]:
        yield from ((index, job(task.payload)) for index, task in enumerate(tasks))

    monkeypatch.setattr(measuring, "examined", planted_examine.examine)
    monkeypatch.setattr(measuring, "run_tasks", measured_here)
    monkeypatch.setattr(store_module, "BUSY_S", 0.0)
    monkeypatch.setenv(planted_examine.LOG, os.devnull)
    card = tmp_path / "card"
    card.mkdir()
    for number in range(FRAMES):
        (card / f"a{number}.jpg").write_bytes(planted_examine.HEAD + b"sharp 1.5")
    return card


def check(card: Path, cache: Path) -> tuple[Report, list[str]]:
    """A run; everything but the source of its readings, and what it warned of."""
    warnings: list[str] = []
    report = run.check([card], Settings(cache=cache, jobs=1), warn=warnings.append)
    counts = msgspec.structs.replace(report.counts, from_store=0)
    return msgspec.structs.replace(report, counts=counts), warnings


def assert_next_run_works(card: Path, cache: Path, whole: Report) -> None:
    assert check(card, cache) == (whole, [])
    with contextlib.closing(sqlite3.connect(cache / FILE_NAME)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert database.execute("SELECT count(*) FROM readings").fetchone() == (FRAMES,)


@contextlib.contextmanager
def files_of_at_most(size_bytes: int) -> Iterator[None]:
    """Let the system refuse every write past a size (Python leaves its signal ignored)."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.skipif(os.name != "posix", reason="limits of POSIX")
def test_a_disk_that_is_full_from_some_byte_on_costs_no_row(card: Path, tmp_path: Path) -> None:
    whole, _ = check(card, tmp_path / "sound")
    said = []
    for size_bytes in range(0, 50 * PAGE_BYTES, STEP_BYTES):
        cache = tmp_path / f"cache-{size_bytes}"

        with files_of_at_most(size_bytes):
            report, warnings = check(card, cache)

        assert report == whole
        assert len(warnings) <= 1
        said.append(len(warnings))
        assert_next_run_works(card, cache, whole)

    # Every size that is too small is told, and the largest was enough: all faults were met.
    enough = said.index(0)
    assert said == [1] * enough + [0] * (len(said) - enough)
    assert enough > 5


class Faulty(sqlite3.Connection):
    """Fails for good from its n-th change on."""

    left = 0
    code = sqlite3.SQLITE_IOERR
    words = "disk I/O error"

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        self._count(sql)
        return super().execute(sql, *values)

    def executemany(self, sql: str, *values: Any) -> sqlite3.Cursor:
        self._count(sql)
        return super().executemany(sql, *values)

    def _count(self, sql: str) -> None:
        asks = sql.startswith("PRAGMA") and "=" not in sql
        if asks or sql.startswith(("SELECT", "ROLLBACK")):
            return
        Faulty.left -= 1
        if Faulty.left < 0:
            error = sqlite3.OperationalError(self.words)
            error.sqlite_errorcode = self.code
            raise error


FAULTS = [
    (sqlite3.SQLITE_IOERR, "disk I/O error"),
    (sqlite3.SQLITE_FULL, "database or disk is full"),
    (sqlite3.SQLITE_READONLY, "attempt to write a readonly database"),
]


@pytest.mark.parametrize(("code", "words"), FAULTS)
def test_an_error_at_the_nth_change_costs_no_row(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, words: str
) -> None:
    whole, _ = check(card, tmp_path / "sound")
    connect = sqlite3.connect
    monkeypatch.setattr(Faulty, "code", code)
    monkeypatch.setattr(Faulty, "words", words)

    def connected(name: str, **options: Any) -> sqlite3.Connection:
        # The store in memory, which takes over, is no disk.
        return connect(name, **options, factory=Faulty if name else sqlite3.Connection)

    said = []
    for number in range(1000):
        cache = tmp_path / f"cache-{number}"
        monkeypatch.setattr(Faulty, "left", number)
        with monkeypatch.context() as patched:
            patched.setattr(store_module.sqlite3, "connect", connected)
            report, warnings = check(card, cache)
        assert report == whole
        said += warnings
        assert len(warnings) <= 1
        assert_next_run_works(card, cache, whole)
        if Faulty.left >= 0:
            break

    assert Faulty.left >= 0, "the last run met no fault"
    assert number > 5 * FRAMES
    assert all(words in warning for warning in said)
    # Alone at the end of a run, where old readings and what was derived from them are swept (four
    # statements), there is nothing to tell.
    assert len(said) >= number - 4
