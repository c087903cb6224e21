"""One review from its start to its end: the frames as they come, their sets, the person's words.

The audit tells it of frames from one thread, the pages ask it from others.
"""

import threading
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import msgspec

from audit.carry.hashing import sha256_of
from audit.carry.sidecar_names import files_of
from audit.records import AuditedFrame, Frame, Reading, Report, Unread, Verdict
from audit.review.decisions import UNDECIDED, Decision, Decisions, Word
from audit.review.sets import FrameSet, sets_of, sets_so_far


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A frame of the review.

    Attributes
    ----------
    number : int
        By which the pages name it; it never changes while the review lasts.
    row : AuditedFrame
        As it is judged by now.
    frame : Frame
    content : str or None
        Hash of its measured file; ``None`` where it cannot be read: it cannot be decided on.
    decision : Decision
    """

    number: int
    row: AuditedFrame
    frame: Frame
    content: str | None
    decision: Decision

    @property
    def word(self) -> Verdict:
        """The person's word, or else the program's."""
        return self.decision.word or self.row.verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far the review is."""

    measured: int
    total: int | None
    """Frames in all; ``None`` until it is known."""
    is_final: bool
    decided: int
    words: Mapping[str, int]
    """Frames by the word that holds."""
    can_undo: bool
    can_redo: bool
    revision: int
    """Raised with every decision."""


class Sitting:
    """The state of one review.

    Parameters
    ----------
    decisions : Decisions
    """

    def __init__(self, decisions: Decisions) -> None:
        self._decisions = decisions
        self._lock = threading.RLock()
        self._numbers: dict[tuple[int, str], int] = {}
        self._rows: dict[int, AuditedFrame] = {}
        self._frames: dict[int, Frame] = {}
        self._contents: dict[int, str | None] = {}
        self._words: dict[str, Decision] = {}
        self._report: Report | None = None
        self._total: int | None = None
        self._sets: tuple[int, tuple[FrameSet, ...]] = (-1, ())
        self._set_of: dict[int, FrameSet] = {}
        self._revision = 0
        self.failure: str | None = None
        """Why the audit ended without a report."""

    # ------------------------------------------------------------ told by the audit

    def start(self, total: int) -> None:
        """So many frames are still to be measured."""
        with self._lock:
            self._total = len(self._rows) + total

    def advance(self, name: str) -> None:
        """One more is done; `seen` has told of it."""

    def finish(self) -> None:
        """None will follow."""

    def read(self, frame: Frame, result: Reading | Unread) -> None:
        """Take in what was learnt of a frame."""
        content = result.content_hash if isinstance(result, Reading) else None
        content = content or _content_of(frame)
        with self._lock:
            number = self._numbers.setdefault((frame.folder, frame.file), len(self._numbers))
            self._frames[number], self._contents[number] = frame, content
            if content is not None:
                self._decisions.look_at([content])
                self._words.update(self._decisions.of([content]))

    def seen(self, row: AuditedFrame) -> None:
        """Take in a frame that was judged by itself."""
        with self._lock:
            self._rows[self._numbers[row.folder, row.file]] = row

    def finished(self, report: Report) -> None:
        """Take in the whole report."""
        with self._lock:
            self._report = report
            self._rows.update({self._numbers[row.folder, row.file]: row for row in report.frames})
            self._sets = (-1, ())

    # ------------------------------------------------------------ asked by the pages

    @property
    def report(self) -> Report | None:
        """The report, once there is one."""
        return self._report

    def sets(self) -> tuple[FrameSet, ...]:
        """All sets in order of time."""
        with self._lock:
            age = len(self._rows)
            if self._sets[0] != age:
                made = (
                    sets_so_far(self._rows)
                    if self._report is None
                    else sets_of(self._report, self._numbers)
                )
                self._sets = (age, made)
                self._set_of = {number: each for each in made for number in each.frames}
            return self._sets[1]

    def set_with(self, number: int) -> tuple[int, FrameSet] | None:
        """Place and set of a frame; ``None`` if there is no such frame."""
        with self._lock:
            sets = self.sets()
            found = self._set_of.get(number)
            return None if found is None else (sets.index(found), found)

    def frame(self, number: int) -> Seen | None:
        """A frame by its number."""
        with self._lock:
            row = self._rows.get(number)
            if row is None:
                return None
            content = self._contents[number]
            return Seen(
                number=number,
                row=row,
                frame=self._frames[number],
                content=content,
                decision=self._words.get(content or "", UNDECIDED),
            )

    def frames(self, numbers: Iterable[int]) -> list[Seen]:
        """Frames by their numbers; those that are not there are left out."""
        with self._lock:
            return [seen for number in numbers if (seen := self.frame(number)) is not None]

    def everything(self) -> list[Seen]:
        """All frames so far."""
        with self._lock:
            return self.frames(list(self._rows))

    def standing(self) -> Standing:
        """How far the review is."""
        with self._lock:
            self._look_elsewhere()
            frames = self.everything()
            undo, redo = self._decisions.can()
            return Standing(
                measured=len(frames),
                total=len(frames) if self._report is not None else self._total,
                is_final=self._report is not None,
                decided=sum(each.decision.word is not None for each in frames),
                words=Counter(each.word for each in frames),
                can_undo=undo,
                can_redo=redo,
                revision=self._revision,
            )

    # ------------------------------------------------------------ the person's words

    def decide(
        self, numbers: Sequence[int], *, word: Word | None, note: str | None = None
    ) -> list[Seen]:
        """Decide on frames in one step, which is on the disk when this returns.

        Parameters
        ----------
        numbers : sequence of int
        word : Word or None
            ``None``: back to the program's own word.
        note : str or None
            ``None``: the notes stay as they are.

        Raises
        ------
        StoreError
            If it cannot be kept.
        """
        with self._lock:
            frames = [each for each in self.frames(numbers) if each.content is not None]
            kept = {each.content or "": each.decision.note for each in frames}
            changes = {
                content: Decision(word=word, note=old if note is None else note)
                for content, old in kept.items()
            }
            return self._changed(changes)

    def note(self, number: int, note: str) -> list[Seen]:
        """Write a note on a frame; its word stays."""
        with self._lock:
            seen = self.frame(number)
            if seen is None or seen.content is None:
                return []
            return self._changed({seen.content: Decision(word=seen.decision.word, note=note)})

    def accept(self, numbers: Sequence[int]) -> list[Seen]:
        """Make the program's words of some frames the person's own, where there is none yet."""
        with self._lock:
            words: dict[Verdict, Word] = {
                "keeper": "keeper",
                "look-again": "look-again",
                "reject": "reject",
            }
            changes = {
                each.content: Decision(word=words[each.row.verdict], note=each.decision.note)
                for each in self.frames(numbers)
                if each.content is not None
                and each.decision.word is None
                and each.row.verdict in words
            }
            return self._changed(changes)

    def undo(self) -> list[Seen]:
        """Take the last step on any frame of this review back."""
        with self._lock:
            return self._told(self._decisions.undo())

    def redo(self) -> list[Seen]:
        """Take the step again that was taken back last."""
        with self._lock:
            return self._told(self._decisions.redo())

    def _changed(self, changes: Mapping[str, Decision]) -> list[Seen]:
        names: dict[str, str] = {}
        for number, content in self._contents.items():
            if content in changes:
                names.setdefault(content or "", self._frames[number].file)
        self._decisions.decide(changes, names)
        return self._told(tuple(changes))

    def _told(self, contents: Sequence[str]) -> list[Seen]:
        """Frames whose words have changed."""
        found = self._decisions.of(contents)
        self._words.update({content: found.get(content, UNDECIDED) for content in contents})
        self._revision += 1
        wanted = set(contents)
        return self.frames([n for n, content in self._contents.items() if content in wanted])

    def _look_elsewhere(self) -> None:
        """Take in what another review of the same frames has decided meanwhile."""
        if self._decisions.has_changed_elsewhere():
            contents = [each for each in self._contents.values() if each is not None]
            self._words = self._decisions.of(contents)
            self._revision += 1

    def decided_report(self) -> Report | None:
        """The report with the person's words in place of the program's; ``None`` before its end."""
        with self._lock:
            if self._report is None:
                return None
            rows = []
            for row in self._report.frames:
                seen = self.frame(self._numbers[row.folder, row.file])
                rows.append(row if seen is None else _with_word(seen))
            return msgspec.structs.replace(self._report, frames=tuple(rows))


def _with_word(seen: Seen) -> AuditedFrame:
    if seen.decision.word is None:
        return seen.row
    note = f": {seen.decision.note}" if seen.decision.note else ""
    return msgspec.structs.replace(
        seen.row, verdict=seen.decision.word, verdict_note=f"Decided by you{note}"
    )


def _content_of(frame: Frame) -> str | None:
    """Hash of a frame that has no reading; it can be decided on all the same."""
    try:
        return sha256_of(files_of(frame)[0])
    except OSError:
        return None
