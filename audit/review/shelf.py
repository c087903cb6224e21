"""What lies in the store, for a review's threads: one thread of its own holds the connection."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Self

from audit.kept import Derived, Pictures, opened_store
from audit.records import AuditedFrame, Frame, PictureName
from audit.review.places import Turn, turns_of
from audit.settings import Settings
from audit.store import Store


class Shelf:
    """Small pictures and joins of frames.

    Parameters
    ----------
    settings : Settings
    warn : callable
        Gets a sentence for what cannot be used.
    """

    def __init__(self, settings: Settings, warn: Callable[[str], None]) -> None:
        self._warn = warn
        self._thread = ThreadPoolExecutor(1, "shelf")
        self._store: Store = self._thread.submit(opened_store, settings, warn).result()
        self._pictures = Pictures(self._store, warn)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.submit(self._store.close).result()
        self._thread.shutdown()

    def picture(self, frame: Frame, name: PictureName) -> bytes:
        """Encoded small picture; empty where there is none."""
        return self._thread.submit(self._pictures.of, frame, name).result()

    def turns(
        self, rows: Sequence[AuditedFrame], frames: Sequence[Frame], *, is_one_framing: bool
    ) -> list[Turn | None]:
        """How frames of one set lie to its first one, see `turns_of`."""
        return self._thread.submit(self._turns, rows, frames, is_one_framing).result()

    def _turns(
        self, rows: Sequence[AuditedFrame], frames: Sequence[Frame], is_one_framing: bool
    ) -> list[Turn | None]:
        try:
            return turns_of(
                rows,
                [partial(self._pictures.grey, each) for each in frames],
                [self._pictures.digest(each) for each in frames],
                Derived(self._store, self._warn),
                is_one_framing=is_one_framing,
            )
        except Exception as error:
            # A fault here costs the link between the views, and nothing else.
            self._warn(f"frames cannot be joined: {type(error).__name__}: {error}")
            return [None] * len(rows)
