"""All or nothing: several statements to SQLite as one."""

import contextlib
import sqlite3
from collections.abc import Iterator


@contextlib.contextmanager
def transaction(database: sqlite3.Connection) -> Iterator[None]:
    """Commit what is done inside, or undo it.

    The lock is taken at once, so that two programs wait for each other instead of failing.

    Parameters
    ----------
    database : sqlite3.Connection
        One that commits nothing by itself (``isolation_level=None``).
    """
    database.execute("BEGIN IMMEDIATE")
    try:
        yield
        database.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            database.execute("ROLLBACK")
        raise
