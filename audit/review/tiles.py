"""Frames at 1:1: tiles cut on demand by supervised workers, and kept in a bounded cache.

This process opens no original. Every worker is a crew of one, and a frame always goes to the same
one, since it holds the decoded pixels.
"""

import hashlib
import os
import queue
import sqlite3
import threading
from concurrent.futures import Future
from contextlib import closing, suppress
from pathlib import Path
from typing import Self

import msgspec

from audit.machine import usable_cores
from audit.records import AuditedFrame, Frame
from audit.review.tile_work import HELD_BYTES, ClippedPlaces, NoTile, TileOrder, cut, load
from audit.settings import Bounds
from audit.workers import Crew, Failure, Task, WorkerLimits, packed

FILE_NAME = "tiles.sqlite"

RENDERING = 2
"""Raised when tiles come out differently, so that old ones are not found."""

MAX_BYTES = 600_000_000
"""Of the cache: some 6,000 tiles (project's choice)."""

SWEEP_SHARE = 0.8
"""Of `MAX_BYTES`; a sweep leaves so much."""

MOST_WORKERS = 3
"""More hold more memory and gain nothing: a view shows a few frames (project's choice)."""

CLOSE_S = 2.0
"""Wait for a tile that is being cut when the review ends; workers end with this program."""

Cut = bytes | ClippedPlaces | NoTile


class TileCache:
    """Tiles of earlier looks; one that cannot be kept is cut again.

    Parameters
    ----------
    folder : Path or None
        ``None``: the cache ends with the program.
    max_bytes : int
    """

    def __init__(self, folder: Path | None, *, max_bytes: int = MAX_BYTES) -> None:
        self._lock = threading.Lock()
        self._max_bytes = max_bytes
        try:
            self._database = _cache_at(folder)
        except (OSError, sqlite3.Error):
            self._database = _cache_at(None)
        self._bytes = self._database.execute("SELECT total(length(tile)) FROM tiles").fetchone()[0]

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._database.close()

    def found(self, key: bytes) -> bytes | None:
        """Tile of a key; ``None`` if there is none."""
        with self._lock, suppress(sqlite3.Error):
            row = self._database.execute("SELECT tile FROM tiles WHERE key = ?", (key,)).fetchone()
            if row is not None:
                self._database.execute(
                    "UPDATE tiles SET used = (SELECT max(used) + 1 FROM tiles) WHERE key = ?",
                    (key,),
                )
                return bytes(row[0])
        return None

    def keep(self, key: bytes, tile: bytes) -> None:
        """Keep a tile; those longest unused make room for it."""
        with self._lock, suppress(sqlite3.Error):
            self._database.execute(
                "INSERT OR REPLACE INTO tiles VALUES"
                " (?, (SELECT coalesce(max(used), 0) + 1 FROM tiles), ?)",
                (key, tile),
            )
            self._bytes += len(tile)
            if self._bytes > self._max_bytes:
                self._sweep()

    def _sweep(self) -> None:
        rows = self._database.execute(
            "SELECT key, length(tile) FROM tiles ORDER BY used"
        ).fetchall()
        left = sum(size for _, size in rows)
        for key, size in rows:
            if left <= SWEEP_SHARE * self._max_bytes:
                break
            self._database.execute("DELETE FROM tiles WHERE key = ?", (key,))
            left -= size
        self._bytes = left


def _cache_at(folder: Path | None) -> sqlite3.Connection:
    """Open the cache; a spoilt one is made anew, since every tile can be cut again."""
    path = None if folder is None else folder / FILE_NAME
    if path is not None:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        return _database(path)
    except sqlite3.DatabaseError:
        if path is None:
            raise
        path.unlink()
        return _database(path)


def _database(path: Path | None) -> sqlite3.Connection:
    database = sqlite3.connect(
        ":memory:" if path is None else path, isolation_level=None, check_same_thread=False
    )
    try:
        # What is lost in a power cut is cut again.
        database.execute("PRAGMA synchronous = OFF")
        database.execute(
            "CREATE TABLE IF NOT EXISTS tiles"
            " (key BLOB PRIMARY KEY, used INTEGER NOT NULL, tile BLOB NOT NULL)"
        )
        database.execute("CREATE INDEX IF NOT EXISTS tiles_by_use ON tiles (used)")
        database.execute("SELECT total(length(tile)) FROM tiles").fetchone()
    except BaseException:
        database.close()
        raise
    return database


class _Bench:
    """One worker with its own queue; started when it is first needed."""

    def __init__(self, limits: WorkerLimits) -> None:
        self._limits = limits
        self._waiting: queue.SimpleQueue[tuple[Task[TileOrder], Future[Cut]] | None] = (
            queue.SimpleQueue()
        )
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def ask(self, task: Task[TileOrder]) -> "Future[Cut]":
        answer: Future[Cut] = Future()
        self._waiting.put((task, answer))
        return answer

    def close(self) -> None:
        self._waiting.put(None)
        self._thread.join(CLOSE_S)

    def _work(self) -> None:
        with closing(Crew(packed(cut, load), self._limits)) as crew:
            while (item := self._waiting.get()) is not None:
                task, answer = item
                try:
                    answer.set_result(_only(crew, task))
                except Exception as error:
                    answer.set_exception(error)


def _only(crew: Crew, task: Task[TileOrder]) -> Cut:
    """Answer to one task; a lost worker costs it, and the next task gets a fresh one."""
    for _, result in crew.results([task], 1):
        if isinstance(result, Failure):
            return NoTile(message=result.message)
        answer: Cut = result
        return answer
    return NoTile(message=f"{task.name}: no answer came")


class Tiles:
    """Tiles and clipped places of frames.

    Parameters
    ----------
    cache : TileCache
    bounds : Bounds
        What a file may cost.
    """

    def __init__(self, cache: TileCache, bounds: Bounds) -> None:
        self._cache = cache
        self._bounds = bounds
        limits = WorkerLimits(
            memory_bytes=bounds.worker_bytes + HELD_BYTES, least_memory_bytes=2 * bounds.base_bytes
        )
        self._limits = limits
        self._lock = threading.Lock()
        self._benches: list[_Bench] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for bench in self._benches:
            bench.close()
        self._cache.close()

    def order(self, audited: AuditedFrame, frame: Frame, **wanted: object) -> TileOrder:
        """Order for a frame; ``wanted`` are fields of `TileOrder`."""
        path, name, kind, mtime_ns, size_bytes = _measured_file(audited, frame)
        clipping = audited.clipping
        levels = None if clipping is None else clipping.saturation_dn
        order = TileOrder(
            path=path,
            name=name,
            format=kind,
            size_bytes=size_bytes,
            mtime_ns=mtime_ns,
            largest_px=self._bounds.largest_px,
            saturation_dn=(None,) * 3 if levels is None else (levels.r, levels.g, levels.b),
            want="tile",
        )
        return msgspec.structs.replace(order, **wanted)

    def cut(self, number: int, content: str, order: TileOrder) -> Cut:
        """What was ordered, from the cache or from a worker; waits for it.

        Parameters
        ----------
        number : int
            Of the frame: decides which worker has it.
        content : str
            Hash of the frame: what is kept is found by it.
        order : TileOrder
        """
        key = _key(content, order)
        kept = self._cache.found(key)
        if kept is not None:
            return _unpacked(kept)
        seconds = self._bounds.deadline_s + self._bounds.deadline_s_per_mb * order.size_bytes / 1e6
        task = Task(payload=order, name=order.name, deadline_s=seconds)
        found = self._bench(number).ask(task).result()
        if not isinstance(found, NoTile):
            self._cache.keep(key, _packed(found))
        return found

    def _bench(self, number: int) -> _Bench:
        count = min(MOST_WORKERS, usable_cores())
        with self._lock:
            while len(self._benches) < count:
                self._benches.append(_Bench(self._limits))
            return self._benches[number % count]


def _measured_file(row: AuditedFrame, frame: Frame) -> tuple[bytes, str, str, int, int]:
    """Path, name, format, time and size of the file whose pixels were measured."""
    for path, name, mtime_ns in zip(
        frame.companion_paths, frame.companions, frame.companion_mtimes_ns, strict=False
    ):
        if row.measured_file == name:
            size_bytes = 0
            with suppress(OSError):
                size_bytes = Path(os.fsdecode(path)).lstat().st_size
            return path, name, "jpeg", mtime_ns, size_bytes
    return frame.path, frame.file, frame.format, frame.mtime_ns, frame.size_bytes


def _key(content: str, order: TileOrder) -> bytes:
    facts = (RENDERING, content, order.want, order.row, order.col)
    looks = (order.brightened_ev, order.marks_lost, order.saturation_dn)
    return hashlib.blake2b(repr((facts, looks)).encode(), digest_size=16).digest()


def _packed(found: bytes | ClippedPlaces) -> bytes:
    return found if isinstance(found, bytes) else b"places" + msgspec.msgpack.encode(found)


def _unpacked(kept: bytes) -> Cut:
    if kept.startswith(b"places"):
        return msgspec.msgpack.decode(kept.removeprefix(b"places"), type=ClippedPlaces)
    return kept
