"""The person's own words on frames, kept for good.

One SQLite file of its own, apart from the store of readings: what the store holds can be measured
again, a decision cannot. A decision is found again by the hash of the file that was measured, so it
outlives a moved folder, a new name, a new run and a store that is set aside. Every step is on the
disk (``synchronous = FULL``) before its call returns, and every step can be undone and redone.

A file that is spoilt is never put aside or replaced: the call fails and names the last sound copy.
"""

import contextlib
import os
import sqlite3
import threading
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, Self, TypeVar

from audit.errors import StoreError
from audit.records import Record
from audit.transaction import transaction

T = TypeVar("T")

Word = Literal["keeper", "look-again", "reject"]

FILE_NAME = "decisions.sqlite"
COPY_NAME = "decisions.copy.sqlite"
"""The file as it was when it was opened last, and sound."""

APPLICATION_ID = 0x46724465
"""Marks a SQLite file as decisions of this program ("FrDe")."""

SCHEMA_VERSION = 1

STANDS, UNDONE, REPLACED = 0, 1, 2
"""States of a step; a replaced one was undone before another step took its place."""

SCHEMA = (
    """CREATE TABLE decisions (
    content     TEXT PRIMARY KEY,  -- SHA-256 of the measured file, hexadecimal
    word        TEXT,              -- keeper, look-again, reject; NULL: the program's word holds
    note        TEXT NOT NULL,
    decided_at  TEXT NOT NULL,     -- UTC, ISO 8601
    file        TEXT NOT NULL      -- its name when decided, for people
    ) WITHOUT ROWID""",
    """CREATE TABLE steps (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    made_at     TEXT NOT NULL,
    state       INTEGER NOT NULL
    )""",
    """CREATE TABLE changes (
    step_id     INTEGER NOT NULL REFERENCES steps (id),
    content     TEXT NOT NULL,
    file        TEXT NOT NULL,
    old_word    TEXT,
    old_note    TEXT NOT NULL,
    new_word    TEXT,
    new_note    TEXT NOT NULL,
    PRIMARY KEY (content, step_id)
    ) WITHOUT ROWID""",
    "CREATE INDEX changes_by_step ON changes (step_id)",
)

BUSY_S = 30.0
"""Patience with another review that is writing; its transactions take milliseconds."""

MAX_NOTE = 2000
"""Characters of a note (project's choice: half a page)."""

_PUT = "INSERT OR REPLACE INTO decisions VALUES (?, ?, ?, ?, ?)"
_HERE = "SELECT step_id FROM changes JOIN here USING (content)"
_LAST_STANDING = f"SELECT max(id) FROM steps WHERE state = {STANDS} AND id IN ({_HERE})"  # noqa: S608
_FIRST_UNDONE = f"SELECT min(id) FROM steps WHERE state = {UNDONE} AND id IN ({_HERE})"  # noqa: S608


class Decision(Record, frozen=True, kw_only=True):
    """What a person said of one frame."""

    word: Word | None = None
    """``None``: the program's own word holds."""
    note: str = ""


UNDECIDED = Decision()


class Kept(Record, frozen=True, kw_only=True):
    """A decision as it is carried between machines."""

    content_hash: str
    """SHA-256 of the measured file, hexadecimal."""
    file: str
    """Name of the file when it was decided on, for people."""
    word: Word | None
    note: str
    decided_at: str
    """UTC, ISO 8601."""


class Decisions:
    """Decisions by content, for all threads of one review.

    Parameters
    ----------
    folder : Path
        Where the file lies or shall lie.

    Raises
    ------
    StoreError
        If the file cannot be used; nothing of it is changed.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE_NAME
        self._lock = threading.Lock()
        self._version: int | None = None
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._database = _opened(self._path)
        except (OSError, sqlite3.Error) as error:
            raise StoreError(
                f"{self._path}: the decisions cannot be opened: {error}; nothing was changed."
                f" {COPY_NAME} beside it is the last sound copy, if there is one"
            ) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._database.close()

    def look_at(self, contents: Iterable[str]) -> None:
        """Name frames whose steps `undo` and `redo` go back and forth."""
        rows = [(content,) for content in contents]
        self._attempt(
            "be read",
            lambda: self._database.executemany("INSERT OR IGNORE INTO here VALUES (?)", rows),
        )

    def all(self) -> dict[str, Kept]:
        """Every decision, by content."""
        rows = self._attempt(
            "be read", lambda: self._database.execute("SELECT * FROM decisions").fetchall()
        )
        return {
            content: Kept(content_hash=content, word=word, note=note, decided_at=at, file=file)
            for content, word, note, at, file in rows
        }

    def of(self, contents: Iterable[str]) -> dict[str, Decision]:
        """Decisions on some frames; those never decided on are left out."""
        wanted = list(contents)

        def read() -> dict[str, Decision]:
            found = {}
            for content in wanted:
                row = self._database.execute(
                    "SELECT word, note FROM decisions WHERE content = ?", (content,)
                ).fetchone()
                if row is not None:
                    found[content] = Decision(word=row[0], note=row[1])
            return found

        return self._attempt("be read", read)

    def decide(self, changes: Mapping[str, Decision], files: Mapping[str, str]) -> bool:
        """Take one step: it is on the disk when this returns.

        Parameters
        ----------
        changes : mapping of str to Decision
            By content.
        files : mapping of str to str
            Name of each file, for people.

        Returns
        -------
        bool
            False where nothing changes; that is no step.

        Raises
        ------
        StoreError
            If it cannot be kept; then nothing of it is.
        """
        return self._attempt("be written", lambda: self._step(changes, files))

    def take_in(self, kept: Iterable[Kept]) -> int:
        """Take over decisions from elsewhere, each where it is the later one: one step.

        Returns
        -------
        int
            How many were taken over.
        """
        mine = self.all()
        newer = {
            each.content_hash: each
            for each in kept
            if each.content_hash not in mine or mine[each.content_hash].decided_at < each.decided_at
        }

        def write() -> None:
            self._step(
                {key: Decision(word=each.word, note=each.note) for key, each in newer.items()},
                {key: each.file for key, each in newer.items()},
                {key: each.decided_at for key, each in newer.items()},
            )

        self._attempt("be written", write)
        return len(newer)

    def undo(self) -> tuple[str, ...]:
        """Take the last step back; the contents that it changed, none where there is no step."""
        return self._moved(_LAST_STANDING, "old", UNDONE)

    def redo(self) -> tuple[str, ...]:
        """Take the step again that was taken back last."""
        return self._moved(_FIRST_UNDONE, "new", STANDS)

    def has_changed_elsewhere(self) -> bool:
        """Whether another process wrote to the file since this was asked last."""

        def read() -> int:
            return int(self._database.execute("PRAGMA data_version").fetchone()[0])

        version, before = self._attempt("be read", read), self._version
        self._version = version
        return before is not None and version != before

    def can(self) -> tuple[bool, bool]:
        """Whether there is a step to undo, and one to redo."""

        def read() -> tuple[bool, bool]:
            first, second = (
                self._database.execute(text).fetchone()[0]
                for text in (_LAST_STANDING, _FIRST_UNDONE)
            )
            return first is not None, second is not None

        return self._attempt("be read", read)

    # ------------------------------------------------------------ inside one call

    def _step(
        self,
        changes: Mapping[str, Decision],
        files: Mapping[str, str],
        times: Mapping[str, str] | None = None,
    ) -> bool:
        now = _now()
        with transaction(self._database):
            old = {content: self._now_of(content) for content in changes}
            news = {key: value for key, value in changes.items() if old[key] != value}
            if not news:
                return False
            self._drop_undone()
            step = self._database.execute(
                "INSERT INTO steps (made_at, state) VALUES (?, ?)", (now, STANDS)
            ).lastrowid
            for content, new in news.items():
                before = old[content]
                at = now if times is None else times[content]
                self._database.execute(
                    "INSERT INTO changes (step_id, content, file, old_word, old_note, new_word,"
                    " new_note) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (
                        *(step, content, files[content]),
                        *(before.word, before.note, new.word, new.note),
                    ),
                )
                self._database.execute(_PUT, (content, new.word, new.note, at, files[content]))
        return True

    def _now_of(self, content: str) -> Decision:
        row = self._database.execute(
            "SELECT word, note FROM decisions WHERE content = ?", (content,)
        ).fetchone()
        return UNDECIDED if row is None else Decision(word=row[0], note=row[1])

    def _drop_undone(self) -> None:
        """A new step ends the way forward."""
        self._database.execute(
            f"UPDATE steps SET state = {REPLACED} WHERE state = {UNDONE} AND id IN ({_HERE})"  # noqa: S608
        )

    def _moved(self, find: str, side: str, state: int) -> tuple[str, ...]:
        return self._attempt("be written", lambda: self._move(find, side, state))

    def _move(self, find: str, side: str, state: int) -> tuple[str, ...]:
        """Set the frames of a step to its old or its new side."""
        with transaction(self._database):
            step = self._database.execute(find).fetchone()[0]
            if step is None:
                return ()
            rows = self._database.execute(
                f"SELECT content, {side}_word, {side}_note, file FROM changes WHERE step_id = ?",  # noqa: S608
                (step,),
            ).fetchall()
            for content, word, note, file in rows:
                self._database.execute(_PUT, (content, word, note, _now(), file))
            self._database.execute("UPDATE steps SET state = ? WHERE id = ?", (state, step))
        return tuple(row[0] for row in rows)

    def _attempt(self, what: str, action: Callable[[], T]) -> T:
        with self._lock:
            try:
                return action()
            except (OSError, sqlite3.Error) as error:
                raise StoreError(f"{self._path}: the decisions cannot {what}: {error}") from error


def _opened(path: Path) -> sqlite3.Connection:
    """Open the file, made if it is missing, and keep a copy of what was sound."""
    if not path.exists():
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    database = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        _refuse_unfit(database)
        # One file and no log beside it: it can be moved, and works on a network disk, too.
        database.execute("PRAGMA journal_mode = TRUNCATE")
        # A confirmed decision outlives a power cut.
        database.execute("PRAGMA synchronous = FULL")
        database.execute("CREATE TEMP TABLE here (content TEXT PRIMARY KEY) WITHOUT ROWID")
        _make_tables(database)
        _keep_copy(database, path.with_name(COPY_NAME))
    except BaseException:
        database.close()
        raise
    return database


def _refuse_unfit(database: sqlite3.Connection) -> None:
    """Refuse a file that is spoilt, another program's, or of a newer version.

    Raises
    ------
    sqlite3.DatabaseError
    """
    tables = database.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    mark = database.execute("PRAGMA application_id").fetchone()[0]
    version = database.execute("PRAGMA user_version").fetchone()[0]
    if tables and mark != APPLICATION_ID:
        raise sqlite3.DatabaseError("expected decisions, found another program's database")
    if version > SCHEMA_VERSION:
        raise sqlite3.DatabaseError("a newer version of this program made it")
    found = database.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise sqlite3.DatabaseError(found)


def _make_tables(database: sqlite3.Connection) -> None:
    """Make what a new file lacks; two reviews may come here at the same time."""
    database.execute("BEGIN IMMEDIATE")
    if database.execute("PRAGMA user_version").fetchone()[0] == 0:
        for statement in SCHEMA:
            database.execute(statement)
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    database.execute("COMMIT")


def _keep_copy(database: sqlite3.Connection, path: Path) -> None:
    """Copy what is sound aside; without room for it the review goes on."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    with contextlib.suppress(OSError, sqlite3.Error):
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_RDWR, 0o600))
        with contextlib.closing(sqlite3.connect(part)) as copy:
            database.backup(copy)
        part.replace(path)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
