"""The end of a review: one list at a time, written once it is confirmed."""

import secrets
import threading
from dataclasses import dataclass

from audit.errors import OutputError
from audit.records import Verdict
from audit.review.decisions import Word
from audit.review.ending import Ending, Outcome, Plan, Wishes
from audit.review.sitting import Sitting


class _Stopped(Exception):
    """Ends a copy between two blocks; no error of a disk, so that no file is passed over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnDesk:
    """What lies there.

    Attributes
    ----------
    name : str
        By which a confirmation names the list.
    revision : int
        Of the decisions that the list rests on.
    plan : Plan
    outcome : Outcome or None
        Once it is written.
    is_busy : bool
    """

    name: str
    revision: int
    plan: Plan
    outcome: Outcome | None = None
    is_busy: bool = False


class Desk:
    """Makes the list of what will be written, and writes it.

    Parameters
    ----------
    sitting : Sitting
    """

    def __init__(self, sitting: Sitting) -> None:
        self._sitting = sitting
        self._lock = threading.Lock()
        self._ending: Ending | None = None
        self._there: OnDesk | None = None
        self._done_bytes = 0.0
        self._is_closing = False
        self._thread: threading.Thread | None = None

    def open(self, ending: Ending) -> None:
        """The report is there: from now on lists can be made."""
        self._ending = ending

    @property
    def ending(self) -> Ending | None:
        """How things are written; ``None`` while frames are still measured."""
        return self._ending

    @property
    def there(self) -> OnDesk | None:
        """The list that was made last."""
        return self._there

    @property
    def done_bytes(self) -> float:
        """Copied or compared so far."""
        return self._done_bytes

    def plan(
        self,
        *,
        ratings: dict[Word, int],
        replaces_ratings: bool,
        copies: bool,
        whole_series: bool,
    ) -> None:
        """Make the list; nothing is written.

        Raises
        ------
        OutputError
            If it is too early, or a list is being written.
        """
        by_verdict: dict[Verdict, int] = dict(ratings.items())
        wishes = Wishes(
            ratings=by_verdict,
            replaces_ratings=replaces_ratings,
            copies=copies,
            whole_series=whole_series,
        )
        with self._lock:
            report, ending = self._sitting.decided_report(), self._ending
            if report is None or ending is None:
                raise OutputError("frames are still being measured; nothing can be listed yet")
            if self._there is not None and self._there.is_busy:
                raise OutputError("a list is being written just now")
            revision = self._sitting.standing().revision
            plan = ending.plan(report, wishes)
            self._there = OnDesk(name=secrets.token_hex(8), revision=revision, plan=plan)

    def write(self, name: str) -> None:
        """Write the list of that name, in a thread of its own.

        Raises
        ------
        OutputError
            If it is not the list on the desk, or decisions were made since.
        """
        with self._lock:
            there, ending = self._there, self._ending
            if there is None or ending is None or there.name != name or there.outcome is not None:
                raise OutputError("this list is no longer there; make it again")
            if there.is_busy:
                raise OutputError("this list is being written just now")
            if self._sitting.standing().revision != there.revision:
                raise OutputError("decisions were made since this list was made; make it again")
            self._done_bytes = 0.0
            busy = OnDesk(name=name, revision=there.revision, plan=there.plan, is_busy=True)
            self._there = busy
            self._thread = threading.Thread(target=self._carry_out, args=(ending, busy))
            self._thread.start()

    def close(self) -> None:
        """End what is being written: each file is whole or not there, and can be gone on with."""
        self._is_closing = True
        if self._thread is not None:
            self._thread.join()

    def _carry_out(self, ending: Ending, there: OnDesk) -> None:
        try:
            outcome = ending.carry_out(there.plan, self._advance)
        except Exception as error:
            text = f"writing stopped: {type(error).__name__}: {error}"
            outcome = Outcome(sidecars=(), copies=(), error=text)
        with self._lock:
            self._there = OnDesk(
                name=there.name, revision=there.revision, plan=there.plan, outcome=outcome
            )

    def _advance(self, amount: float, _: str) -> None:
        if self._is_closing:
            raise _Stopped("the review was stopped")
        self._done_bytes += amount
