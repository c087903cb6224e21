"""The pages of a review, written on the server: words and figures first, the script only moves."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from http import HTTPStatus
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from audit.records import AuditedFrame, Record, Verdict
from audit.report.digest import VERDICT_WORDS, kind_words
from audit.report.text import inert
from audit.report.units import counted
from audit.review.agreement import agreement_of, proposals_of
from audit.review.decisions import MAX_NOTE
from audit.review.desk import Desk
from audit.review.figures import FrameFacts, Proposal, facts_of, proposal_of
from audit.review.security import Answer
from audit.review.sets import FrameSet
from audit.review.sitting import Seen, Sitting, Standing

SETS_A_PAGE = 60
"""Of the list (project's choice: the page stays light, whatever the trip)."""

MOST_LISTED = 500
"""Files of each kind that the list at the end spells out; the rest is counted."""

SHOWN = {"all": "all", "open": "with frames to decide", "overruled": "with a word of yours against"}


class FrameState(Record, frozen=True, kw_only=True):
    """What the pages are told of a frame when words change."""

    number: int
    name: str
    first: int
    """Of its set."""
    word: str | None
    """The person's; ``None``: the program's holds."""
    holds: Verdict
    note: str


class State(Record, frozen=True, kw_only=True):
    """What every change and every look at the state gives back."""

    frames: tuple[FrameState, ...]
    measured: int
    total: int | None
    is_final: bool
    decided: int
    words: dict[str, int]
    can_undo: bool
    can_redo: bool
    revision: int
    is_writing: bool
    done_bytes: float
    failure: str | None


class SetData(Record, frozen=True, kw_only=True):
    """Numbers that the script draws with."""

    frames: tuple[FrameFacts, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameView:
    """One frame of a set in words."""

    number: int
    name: str
    has_picture: bool
    decidable: bool
    proposal: Proposal
    word: str | None
    holds: Verdict
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetView:
    """One set in words."""

    first: int
    place: int
    title: str
    times: str
    notes: tuple[str, ...]
    thumbnail: int | None
    """Frame whose small picture stands for the set; ``None``: none has one."""
    decided: int
    count: int
    words: tuple[tuple[str, int], ...]


class Pages:
    """Writes the pages.

    Parameters
    ----------
    sitting : Sitting
    desk : Desk
    token : str
        Of our own pages, for their changes.
    """

    def __init__(self, sitting: Sitting, desk: Desk, token: str) -> None:
        self._sitting = sitting
        self._desk = desk
        self._token = token

    def entered(self, cookie: str) -> Answer:
        """The step from the ticket to the first page.

        The browser follows it by itself, and not by a redirect: the way in began in another place,
        and a cookie that is ours alone is not sent along such a way.
        """
        return Answer(body=_rendered("enter.html.jinja", {}), headers={"Set-Cookie": cookie})

    def refused(self, reason: str) -> Answer:
        """Say that somebody is not let in, and why."""
        body = _rendered("message.html.jinja", {"title": "Not let in", "reason": reason})
        return Answer(status=HTTPStatus.FORBIDDEN, body=body)

    def missing(self) -> Answer:
        """Say that there is nothing at an address."""
        reason = "there is nothing at this address"
        body = _rendered("message.html.jinja", {"title": "Nothing here", "reason": reason})
        return Answer(status=HTTPStatus.NOT_FOUND, body=body)

    def sets(self, show: str, page: str) -> Answer:
        """The list of sets."""
        show = show if show in SHOWN else "all"
        wanted = [
            (place, each)
            for place, each in enumerate(self._sitting.sets(), start=1)
            if show == "all" or _is_shown(show, self._sitting.frames(each.frames))
        ]
        pages = max(1, -(-len(wanted) // SETS_A_PAGE))
        number = min(max(int(page), 1), pages) if page.isascii() and page.isdecimal() else 1
        part = wanted[(number - 1) * SETS_A_PAGE : number * SETS_A_PAGE]
        return self._page(
            "sets.html.jinja",
            sets=[self._set_view(place, each) for place, each in part],
            number_of_sets=len(wanted),
            page=number,
            pages=pages,
            show=show,
            shown=SHOWN,
        )

    def one_set(self, number: int) -> Answer:
        """One set, its frames side by side."""
        found = self._sitting.set_with(number)
        if found is None:
            return self.missing()
        place, each = found
        sets = self._sitting.sets()
        before = sets[place - 1].frames[0] if place > 0 else None
        after = sets[place + 1].frames[0] if place + 1 < len(sets) else None
        return self._page(
            "set.html.jinja",
            set=self._set_view(place + 1, each),
            number_of_sets=len(sets),
            frames=[_frame_view(seen) for seen in self._sitting.frames(each.frames)],
            before=before,
            after=after,
            is_final=each.is_final,
            most_note=MAX_NOTE,
        )

    def set_data(self, number: int) -> SetData:
        """Numbers of a set's frames for the script."""
        found = self._sitting.set_with(number)
        frames = [] if found is None else self._sitting.frames(found[1].frames)
        return SetData(frames=tuple(facts_of(seen) for seen in frames))

    def end(self) -> Answer:
        """The list of what will be written."""
        there = self._desk.there
        standing = self._sitting.standing()
        return self._page(
            "end.html.jinja",
            there=there,
            is_stale=there is not None and there.revision != standing.revision,
            ending=self._desk.ending,
            most=MOST_LISTED,
            words=[(word, VERDICT_WORDS[word]) for word in ("keeper", "look-again", "reject")],
            changed=() if there is None else _worth_a_line(there.plan.sidecars),
        )

    def agreement(self) -> Answer:
        """Where the person overruled the program."""
        frames = self._sitting.everything()
        return self._page(
            "agreement.html.jinja",
            kinds=[(each, kind_words(each.kind)) for each in agreement_of(frames)],
            proposals=proposals_of(frames),
        )

    def help(self) -> Answer:
        """Keys and words."""
        return self._page("help.html.jinja")

    def _page(self, template: str, **values: Any) -> Answer:
        standing = self._sitting.standing()
        common = {
            "token": self._token,
            "standing": standing,
            "progress": progress_words(standing, self._sitting.failure),
            "verdict_words": VERDICT_WORDS,
        }
        return Answer(body=_rendered(template, common | values))

    def _set_view(self, place: int, each: FrameSet) -> SetView:
        frames = self._sitting.frames(each.frames)
        words = [seen.word for seen in frames]
        return SetView(
            first=each.frames[0],
            place=place,
            title=_title(each, frames),
            times=_times(frames),
            notes=() if each.series is None else tuple(map(inert, each.series.notes)),
            thumbnail=_best_of(each, frames),
            decided=sum(seen.decision.word is not None for seen in frames),
            count=len(frames),
            words=tuple((word, words.count(word)) for word in VERDICT_WORDS if word in words),
        )


def state_json(sitting: Sitting, frames: Sequence[Seen], desk: Desk) -> State:
    """State of a review, with the words of some frames."""
    standing = sitting.standing()
    there = desk.there
    return State(
        frames=tuple(_frame_state(sitting, seen) for seen in frames),
        measured=standing.measured,
        total=standing.total,
        is_final=standing.is_final,
        decided=standing.decided,
        words=dict(standing.words),
        can_undo=standing.can_undo,
        can_redo=standing.can_redo,
        revision=standing.revision,
        is_writing=there is not None and there.is_busy,
        done_bytes=desk.done_bytes,
        failure=sitting.failure,
    )


def progress_words(standing: Standing, failure: str | None) -> str:
    """Say how far measuring is; empty once all is measured."""
    if failure is not None:
        return f"Measuring stopped: {inert(failure)}. What is shown can be decided on."
    if standing.is_final:
        return ""
    if standing.total is None:
        return "Looking for frames."
    if standing.measured < standing.total:
        return (
            f"{standing.measured} of {counted(standing.total, 'frame')} are measured. Until all "
            "are, frames stand together by time alone; what you decide stays."
        )
    return "All frames are measured; the series are being looked for."


def _frame_state(sitting: Sitting, seen: Seen) -> FrameState:
    found = sitting.set_with(seen.number)
    return FrameState(
        number=seen.number,
        name=inert(seen.row.file),
        first=seen.number if found is None else found[1].frames[0],
        word=seen.decision.word,
        holds=seen.word,
        note=seen.decision.note,
    )


def _frame_view(seen: Seen) -> FrameView:
    return FrameView(
        number=seen.number,
        name=inert(seen.row.file),
        has_picture=seen.row.state == "measured",
        decidable=seen.content is not None,
        proposal=proposal_of(seen.row),
        word=seen.decision.word,
        holds=seen.word,
        note=seen.decision.note,
    )


def _title(each: FrameSet, frames: Sequence[Seen]) -> str:
    part = f", part {each.part} of {each.parts}" if each.parts > 1 else ""
    if each.series is not None:
        kind = kind_words(each.series.kind)
        return f"{kind[:1].upper()}{kind[1:]}, {counted(len(frames), 'frame')}{part}"
    if len(frames) == 1:
        return "Single frame"
    return f"{counted(len(frames), 'frame')} that follow each other{part}"


def _times(frames: Sequence[Seen]) -> str:
    """First and last time of a set by the camera's clock."""
    taken = [_taken(seen.row) for seen in frames]
    known = [each for each in taken if each]
    if not known:
        return "time not written"
    first, last = known[0], known[-1]
    if first == last:
        return first
    return f"{first} to {last[11:] if last[:10] == first[:10] else last}"


def _taken(row: AuditedFrame) -> str:
    taken = "" if row.exposure is None else row.exposure.taken_at or ""
    return inert(taken.replace("T", " "))[:19]


def _best_of(each: FrameSet, frames: Sequence[Seen]) -> int | None:
    best = None if each.series is None else each.series.best
    measured = [seen for seen in frames if seen.row.state == "measured"]
    first = measured[0].number if measured else None
    return next((seen.number for seen in measured if seen.row.file == best), first)


def _is_shown(show: str, frames: Iterable[Seen]) -> bool:
    if show == "open":
        return any(each.decision.word is None for each in frames)
    return any(each.decision.word not in (None, each.row.verdict) for each in frames)


def _worth_a_line(sidecars: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(s for s in sidecars if s.state != "unchanged" or s.kept_rating is not None)


def _rendered(template: str, values: dict[str, Any]) -> bytes:
    return _environment().get_template(template).render(values).encode()


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("audit.review"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters["inert"] = lambda value: inert(str(value))
    environment.filters["counted"] = counted
    environment.filters["megabytes"] = lambda value: f"{value / 1e6:.1f} MB"
    return environment
