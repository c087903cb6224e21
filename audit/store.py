"""Readings kept between runs, so that a second run measures only what is new or changed.

One SQLite file in the user's cache folder, never on the card. A reading is found again by the path,
size and time of its frame's files and by the version of the measures; limits stay out of it, so a
changed limit gives a new report without a pixel being read. All that is kept can be measured again:
a store that is spoilt is set aside and started afresh, with a warning, and one that cannot be used
at all stops nothing.

Every reading is committed as it comes, so that whatever ends a run costs the frames in flight only.
"""

import contextlib
import hashlib
import itertools
import os
import sqlite3
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Self, TypeVar

import msgspec

from audit.errors import StoreError
from audit.records import Depth, Frame, PictureName, Reading
from audit.transaction import transaction

T = TypeVar("T")

FILE_NAME = "readings.sqlite"
SET_ASIDE_NAME = "readings.damaged.sqlite"

APPLICATION_ID = 0x46724175
"""Marks a SQLite file as a store of this program ("FrAu")."""

SCHEMA_VERSION = 3
"""History:

1. first version, with one picture a reading
2. any number of named pictures a reading; those of version 1 are dropped, since their readings are
   of older measures
3. what was derived from several readings
"""

PICTURES = """CREATE TABLE pictures (
    reading_id  INTEGER NOT NULL REFERENCES readings (id) ON DELETE CASCADE,
    name        TEXT NOT NULL,     -- of records.PictureName
    digest      BLOB NOT NULL,
    picture     BLOB NOT NULL,
    PRIMARY KEY (reading_id, name)
    ) WITHOUT ROWID"""
"""Apart from the readings, so that a run over stored readings does not drag them along."""

DERIVED = """CREATE TABLE derived (
    key         BLOB PRIMARY KEY,  -- digest of all that it was derived from
    used_day    INTEGER NOT NULL,  -- last day of use, days since 1970, for the sweep
    digest      BLOB NOT NULL,
    value       BLOB NOT NULL
    ) WITHOUT ROWID"""
"""What several readings and their pictures gave together: costly to make, cheap to keep."""

PICTURE_DIGESTS = "CREATE INDEX picture_digests ON pictures (reading_id, name, digest)"
"""So that digests are found without the pictures that they lie among."""

SCHEMA = (
    """CREATE TABLE readings (
    id          INTEGER PRIMARY KEY,
    used_day    INTEGER NOT NULL,  -- last day of use, days since 1970, for the sweep
    path        BLOB NOT NULL,     -- of the main file, as the system knows it
    size_bytes  INTEGER NOT NULL,  -- of the main file
    mtime_ns    INTEGER NOT NULL,  -- of the main file
    companions  BLOB NOT NULL,     -- digest of path, size and time of its twins; empty if none
    version     INTEGER NOT NULL,  -- of the measures; negative: of a first look by them
    digest      BLOB NOT NULL,     -- of `reading`: SQLite does not notice flipped bits itself
    reading     BLOB NOT NULL,     -- msgpack of records.Reading, without its pictures
    UNIQUE (path, size_bytes, mtime_ns, companions, version)
    )""",
    "CREATE INDEX readings_by_use ON readings (used_day)",
    PICTURES,
    PICTURE_DIGESTS,
    DERIVED,
)
MIGRATIONS = {
    1: ("DROP TABLE previews", "DELETE FROM readings", PICTURES),
    2: (PICTURE_DIGESTS, DERIVED),
}
"""Statements that lead from a version to the next."""

_IS_FRAME = "path = ? AND size_bytes = ? AND mtime_ns = ? AND companions = ? AND version = ?"
_FIND = f"SELECT id, used_day, digest, reading FROM readings WHERE {_IS_FRAME}"  # noqa: S608
_FIND_PICTURE = (
    "SELECT pictures.digest, picture FROM pictures JOIN readings ON reading_id = id"  # noqa: S608
    f" WHERE {_IS_FRAME} AND name = ?"
)
_FIND_PICTURE_DIGESTS = (
    "SELECT name, pictures.digest FROM pictures JOIN readings ON reading_id = id"  # noqa: S608
    f" WHERE {_IS_FRAME}"
)
_FIND_DERIVED = "SELECT used_day, digest, value FROM derived WHERE key = ?"
_FIND_BELOW = "SELECT path, digest, reading FROM readings WHERE path >= ? AND path < ? ORDER BY id"
_DROP = f"DELETE FROM readings WHERE {_IS_FRAME}"  # noqa: S608
_INSERT = (
    "INSERT INTO readings (path, size_bytes, mtime_ns, companions, version,"
    " used_day, digest, reading) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)

MAX_BYTES = 20_000_000_000
"""Size of the file beyond which the readings longest unused are dropped: some 200,000 frames at
90 kB, most of it pictures, so that an archive of 100,000 fits (project's choice)."""

SWEEP_SHARE = 0.8
"""Of `MAX_BYTES`; a sweep leaves so much, so that not every run needs one."""

OTHER_VERSION_DAYS = 30
"""Readings of another version of the measures are dropped when unused for so long (guess)."""

DERIVED_DAYS = 180
"""What was derived from readings is dropped when unused for so long: it takes less than a hundredth
of the room of the readings, and a minute to make again (guess)."""

BUSY_S = 30.0
"""Patience with another run that is writing; its transactions take milliseconds."""

RETRY_S = 0.02
"""Between two tries to open a store that another run is making."""

NETWORK_FILE_SYSTEMS = ("nfs", "cifs", "smb", "afs", "9p", "fuse.sshfs", "fuse.rclone", "davfs")
"""Starts of the names of file systems without shared memory between machines, on which SQLite's
write-ahead log must not be used (sqlite.org/wal.html)."""

DEPTHS: tuple[Depth, ...] = ("full", "first-look")
"""Readings of both may be stored for one frame; the first of them counts."""

DAY_S = 86_400
DIGEST_BYTES = 16


class Store:
    """Readings by frame.

    Parameters
    ----------
    folder : Path or None
        Where the file lies or shall lie; ``None``: a store that ends with the run.
    version : int
        Of the measures: readings of another version are not found.
    warn : callable
        Gets a sentence when a spoilt store is set aside, or when a reading cannot be kept.
    max_bytes : int
        Size of the file beyond which old readings are dropped.

    Raises
    ------
    StoreError
        If the store cannot be used. The run can go on with ``Store(None, ...)``.
    """

    def __init__(
        self,
        folder: Path | None,
        *,
        version: int,
        warn: Callable[[str], None],
        max_bytes: int = MAX_BYTES,
    ) -> None:
        self._path = None if folder is None else folder / FILE_NAME
        self._version = version
        self._warn = warn
        self._max_bytes = max_bytes
        self._decoder = msgspec.msgpack.Decoder(Reading)
        self._encoder = msgspec.msgpack.Encoder()
        self._has_grown = False
        self._derived_used: list[bytes] = []
        """Keys that were of use today for the first time."""
        self._reserve: Store | None = None
        """Takes what cannot be written to the file any more (disk full, disk gone)."""
        self._database = self._opened()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def get_many(self, frames: Sequence[Frame], depth: Depth = "full") -> dict[int, Reading]:
        """Find the readings of some frames.

        Parameters
        ----------
        frames : sequence of Frame
        depth : Depth
            Only readings of this depth are found.

        Returns
        -------
        dict of int to Reading
            By the frame's place in `frames`; what is not stored is left out. Their ``pictures``
            are left out: see `picture`.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        keys = [self._key(frame, depth) for frame in frames]
        rows = self._attempt(
            "be read", lambda: [self._database.execute(_FIND, key).fetchone() for key in keys]
        )
        found: dict[int, Reading] = {}
        used: list[int] = []
        today = _today()
        for index, row in enumerate(rows):
            reading = None if row is None else self._decoded(row[2], row[3])
            if reading is not None:
                found[index] = reading
                if row[1] != today:
                    used.append(row[0])
        # A store that cannot be written may still be read.
        with contextlib.suppress(StoreError):
            self._attempt("be written", lambda: self._note_use(used, today))
        return found

    def picture(self, frame: Frame, name: PictureName) -> bytes:
        """Encoded small picture of a stored frame; empty if there is none.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        if self._reserve is not None and (kept := self._reserve.picture(frame, name)):
            return kept
        for depth in DEPTHS:
            for digest, picture in self._rows(_FIND_PICTURE, (*self._key(frame, depth), name)):
                if _digest(picture) == digest:
                    return bytes(picture)
        return b""

    def picture_digests(self, frame: Frame) -> dict[str, bytes]:
        """Digests of the small pictures of a stored frame, by name; no picture is read.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        if self._reserve is not None and (kept := self._reserve.picture_digests(frame)):
            return kept
        for depth in DEPTHS:
            if rows := self._rows(_FIND_PICTURE_DIGESTS, self._key(frame, depth)):
                return dict(rows)
        return {}

    def _rows(self, query: str, key: tuple[object, ...]) -> list[tuple[Any, ...]]:
        return self._attempt("be read", lambda: self._database.execute(query, key).fetchall())

    def derived(self, key: bytes) -> bytes | None:
        """What was derived from several readings; ``None`` if it is not kept.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        row = self._attempt(
            "be read", lambda: self._database.execute(_FIND_DERIVED, (key,)).fetchone()
        )
        if row is None or _digest(row[2]) != row[1]:
            return None
        if row[0] != _today():
            self._derived_used.append(key)
        return bytes(row[2])

    def put_derived(self, key: bytes, value: bytes) -> None:
        """Keep what was derived from several readings.

        Parameters
        ----------
        key : bytes
            Stands for all that the value depends on.
        value : bytes

        Raises
        ------
        StoreError
            If the store cannot be written.
        """
        if self._reserve is not None:
            return  # the file cannot be written any more, as was said
        row = (key, _today(), _digest(value), value)
        self._attempt(
            "be written",
            lambda: self._database.execute(
                "INSERT OR REPLACE INTO derived VALUES (?, ?, ?, ?)", row
            ),
        )
        self._has_grown = True

    def hashes_below(self, folder: bytes) -> dict[bytes, tuple[str, str]]:
        """Find what was measured below a folder, by any version of the measures.

        Parameters
        ----------
        folder : bytes
            As the system knows it: absolute, without links.

        Returns
        -------
        dict of bytes to (str, str)
            By path of the frame's main file: name of the measured file as in the report of that
            run, and hash of it. Of a path that was measured several times the last one.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        separator = os.sep.encode()
        start = folder.rstrip(separator) + separator
        end = start[:-1] + bytes([start[-1] + 1])
        rows = self._attempt(
            "be read", lambda: self._database.execute(_FIND_BELOW, (start, end)).fetchall()
        )
        found: dict[bytes, tuple[str, str]] = {}
        for path, digest, blob in rows:
            reading = self._decoded(digest, blob)
            if reading is not None and reading.content_hash is not None:
                found[bytes(path)] = (reading.file, reading.content_hash)
        return found

    def put(self, frame: Frame, reading: Reading) -> None:
        """Keep a reading: it is committed when this returns.

        A full one takes the place of a first look; a first look never that of a full one.

        Where the file cannot be written any more, one warning is given and what follows is kept
        for this run only.

        Raises
        ------
        StoreError
            If it cannot even be kept for this run.
        """
        if self._reserve is None:
            try:
                self._attempt("be written", lambda: self._write(frame, reading))
            except StoreError as error:
                if self._path is None:
                    raise
                self._warn(f"{error}; from here on readings are kept for this run only")
                self._reserve = Store(None, version=self._version, warn=self._warn)
            else:
                self._has_grown = True
                return
        self._reserve.put(frame, reading)

    def close(self) -> None:
        """Sweep what is old if the store has grown, and let go of the file."""
        try:
            # Left over is space, not data: not worth a word, the next run tries again.
            with contextlib.suppress(StoreError):
                if self._derived_used and self._path is not None:
                    self._attempt("be written", self._note_derived_use)
                if self._has_grown and self._path is not None:
                    self._attempt("be swept", self._sweep)
        finally:
            self._database.close()
            if self._reserve is not None:
                self._reserve.close()

    def _key(self, frame: Frame, depth: Depth) -> tuple[bytes, int, int, bytes, int]:
        return (
            frame.path,
            frame.size_bytes,
            frame.mtime_ns,
            _companions_digest(frame.companion_paths),
            self._version if depth == "full" else -self._version,
        )

    def _decoded(self, digest: bytes, blob: bytes) -> Reading | None:
        """Take a reading out of its row; ``None`` if bits of it have changed."""
        if _digest(blob) != digest:
            return None
        try:
            return self._decoder.decode(blob)
        except msgspec.MsgspecError:
            return None

    def _write(self, frame: Frame, reading: Reading) -> None:
        blob = self._encoder.encode(msgspec.structs.replace(reading, pictures={}))
        key = self._key(frame, reading.depth)
        with transaction(self._database):
            self._database.execute(_DROP, key)
            if reading.depth == "full":
                self._database.execute(_DROP, self._key(frame, "first-look"))
            row = self._database.execute(_INSERT, (*key, _today(), _digest(blob), blob))
            self._database.executemany(
                "INSERT INTO pictures VALUES (?, ?, ?, ?)",
                [
                    (row.lastrowid, name, _digest(picture), picture)
                    for name, picture in reading.pictures.items()
                ],
            )

    def _note_use(self, ids: Sequence[int], today: int) -> None:
        """Remember that rows were of use."""
        if ids:
            with transaction(self._database):
                self._database.executemany(
                    "UPDATE readings SET used_day = ? WHERE id = ?", [(today, id_) for id_ in ids]
                )

    def _note_derived_use(self) -> None:
        """Remember which derived values were of use."""
        today = _today()
        with transaction(self._database):
            self._database.executemany(
                "UPDATE derived SET used_day = ? WHERE key = ?",
                [(today, key) for key in self._derived_used],
            )

    def _sweep(self) -> None:
        """Drop readings of other versions that nobody uses, then the longest unused."""
        with transaction(self._database):
            self._database.execute(
                "DELETE FROM readings WHERE abs(version) != ? AND used_day < ?",
                (self._version, _today() - OTHER_VERSION_DAYS),
            )
            self._database.execute(
                "DELETE FROM derived WHERE used_day < ?", (_today() - DERIVED_DAYS,)
            )
        if self._used_bytes() <= self._max_bytes:
            return
        while self._used_bytes() > SWEEP_SHARE * self._max_bytes:
            with transaction(self._database):
                dropped = self._database.execute(
                    "DELETE FROM readings WHERE id IN"
                    " (SELECT id FROM readings ORDER BY used_day, id LIMIT 100)"
                ).rowcount
            if not dropped:
                return

    def _used_bytes(self) -> int:
        """Bytes of the file that hold something; the rest is used again before it grows."""
        pages, free, size = (
            int(self._database.execute(f"PRAGMA {name}").fetchone()[0])
            for name in ("page_count", "freelist_count", "page_size")
        )
        return (pages - free) * size

    def _attempt(self, what: str, action: Callable[[], T]) -> T:
        """Do something with the database, in a fresh one if this one turns out to be spoilt."""
        try:
            try:
                return action()
            except sqlite3.DatabaseError as error:
                if self._path is None or not _is_spoilt(error):
                    raise
                self._database.close()
                self._set_aside(error)
                self._database = self._opened()
                return action()
        except (OSError, sqlite3.Error) as error:
            place = self._path or "store for this run"
            raise StoreError(f"{place}: the store cannot {what}: {error}") from error

    # ------------------------------------------------------------ opening

    def _opened(self) -> sqlite3.Connection:
        if self._path is None:
            return _new_database("")
        try:
            self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{self._path.parent}: no folder for the store: {error}") from error
        try:
            try:
                return _patiently_opened(self._path)
            except sqlite3.DatabaseError as error:
                if not _is_spoilt(error):
                    raise
                self._set_aside(error)
                return _patiently_opened(self._path)
        except (OSError, sqlite3.Error) as error:
            raise StoreError(f"{self._path}: the store cannot be opened: {error}") from error

    def _set_aside(self, reason: Exception) -> None:
        """Move a spoilt database out of the way; only the last one is kept."""
        assert self._path is not None
        aside = self._path.with_name(SET_ASIDE_NAME)
        # Its journals must go along: a fresh database must never be "repaired" with them.
        for ending in ("-wal", "-shm", "-journal", ""):
            with contextlib.suppress(FileNotFoundError):
                os.replace(f"{self._path}{ending}", f"{aside}{ending}")  # noqa: PTH105
        self._warn(
            f"{self._path}: the store of readings was spoilt ({reason}); it was renamed to"
            f" {SET_ASIDE_NAME} and a new one is started"
        )


class _NotOurs(sqlite3.DatabaseError):
    """A sound database that is no store of this program."""


def _patiently_opened(path: Path) -> sqlite3.Connection:
    """Open the store's file, whoever else is making it just now.

    SQLite's own patience does not cover the switch to the write-ahead log.
    """
    give_up = time.monotonic() + BUSY_S
    while True:
        try:
            return _database_at(path)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
            time.sleep(RETRY_S)


def _database_at(path: Path) -> sqlite3.Connection:
    """Open the store's file, made if it is missing.

    Raises
    ------
    StoreError
        If a newer version of this program made it.
    sqlite3.Error
        If it cannot be opened, or is spoilt.
    """
    database = _new_connection(str(path))
    try:
        # Whatever is spoilt in the first page shows here.
        tables = database.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        mark = database.execute("PRAGMA application_id").fetchone()[0]
        if tables and mark != APPLICATION_ID:
            raise _NotOurs("expected a store of readings, found another program's database")
        database.execute(f"PRAGMA journal_mode = {'TRUNCATE' if _is_network(path) else 'WAL'}")
        # Survives the death of the program; after a power cut the last readings may be missing.
        database.execute("PRAGMA synchronous = NORMAL")
        _make_tables(database, path)
    except BaseException:
        database.close()
        raise
    return database


def _new_database(name: str) -> sqlite3.Connection:
    """Open a database that ends with the connection."""
    database = _new_connection(name)
    _make_tables(database, Path(name))
    return database


def _new_connection(name: str) -> sqlite3.Connection:
    database = sqlite3.connect(name, timeout=BUSY_S, isolation_level=None)
    database.execute("PRAGMA foreign_keys = ON")
    return database


def _make_tables(database: sqlite3.Connection, path: Path) -> None:
    """Make what a new file lacks; two runs may come here at the same time."""
    if _schema_version(database) == SCHEMA_VERSION:
        return
    database.execute("BEGIN IMMEDIATE")
    try:
        found = _schema_version(database)
        if found > SCHEMA_VERSION:
            raise StoreError(
                f"{path}: expected a store of version {SCHEMA_VERSION} at most, found {found}:"
                " a newer version of this program made it"
            )
        steps = [SCHEMA] if found == 0 else [MIGRATIONS[v] for v in range(found, SCHEMA_VERSION)]
        for statement in itertools.chain.from_iterable(steps):
            database.execute(statement)
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        database.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            database.execute("ROLLBACK")
        raise


def _schema_version(database: sqlite3.Connection) -> int:
    return int(database.execute("PRAGMA user_version").fetchone()[0])


def _is_spoilt(error: sqlite3.DatabaseError) -> bool:
    """Whether the file's content is at fault, and not the disk, a lock or the rights."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    return isinstance(error, _NotOurs) or primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _is_network(path: Path) -> bool:
    """Whether a file lies on another machine, as far as the system tells."""
    if str(path).startswith("\\\\"):
        return True
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="surrogateescape")
        real = os.path.realpath(path)
    except OSError:
        return False
    best, kind = "", ""
    for line in mounts.splitlines():
        fields = line.split(" ")
        if len(fields) < 3:
            continue
        point = fields[1].replace("\\040", " ").rstrip("/")
        if len(point) >= len(best) and (real + "/").startswith(point + "/"):
            best, kind = point, fields[2]
    return kind.startswith(NETWORK_FILE_SYSTEMS)


def _companions_digest(paths: Sequence[bytes]) -> bytes:
    """Identity of a frame's twins: a reading may rest on one of them."""
    if not paths:
        return b""
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    for path in paths:
        try:
            found = Path(os.fsdecode(path)).stat()
            facts = (path, found.st_size, found.st_mtime_ns)
        except OSError:
            facts = (path, -1, -1)
        digest.update(repr(facts).encode())
    return digest.digest()


def _digest(blob: bytes) -> bytes:
    return hashlib.blake2b(blob, digest_size=DIGEST_BYTES).digest()


def _today() -> int:
    return int(time.time() // DAY_S)
