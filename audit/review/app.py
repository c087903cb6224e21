"""From requests to answers: what each address of the review gives, and what each change does."""

import re
from collections.abc import Callable, Sequence
from http import HTTPStatus
from importlib import resources
from typing import Annotated, Any

import msgspec

from audit.errors import AuditError, StoreError
from audit.records import Record
from audit.review.agreement import limits_file, proposals_of
from audit.review.decisions import MAX_NOTE, Decisions, Word
from audit.review.decisions_file import decisions_json
from audit.review.desk import Desk
from audit.review.pages import Pages, state_json
from audit.review.security import JSON_TYPE, Answer, Gate, Request
from audit.review.shelf import Shelf
from audit.review.sitting import Seen, Sitting
from audit.review.tile_work import ClippedPlaces, NoTile
from audit.review.tiles import Tiles

STATIC = {
    "review.css": "text/css; charset=utf-8",
    "review.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}

MOST_BRIGHTENED_EV = 4

Number = Annotated[int, msgspec.Meta(ge=0, le=10_000_000)]


class _Decide(Record, frozen=True, kw_only=True, forbid_unknown_fields=True):
    frames: Annotated[tuple[Number, ...], msgspec.Meta(max_length=1000)]
    word: Word | None


class _Note(Record, frozen=True, kw_only=True, forbid_unknown_fields=True):
    frame: Number
    note: Annotated[str, msgspec.Meta(max_length=MAX_NOTE)]


class _Accept(Record, frozen=True, kw_only=True, forbid_unknown_fields=True):
    frame: Number
    """Any frame of the set."""


class _Nothing(Record, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pass


class _Wishes(Record, frozen=True, kw_only=True, forbid_unknown_fields=True):
    ratings: dict[Word, Annotated[int, msgspec.Meta(ge=-1, le=5)]]
    replaces_ratings: bool
    copies: bool
    whole_series: bool


class _Write(Record, frozen=True, kw_only=True, forbid_unknown_fields=True):
    plan: str


Handler = Callable[..., Answer]


class App:
    """Answers requests.

    Parameters
    ----------
    gate : Gate
    sitting : Sitting
    decisions : Decisions
    shelf, joins : Shelf
        For pictures, and for joins, which take longer.
    tiles : Tiles
    desk : Desk
        Where the end is written.
    """

    def __init__(
        self,
        gate: Gate,
        sitting: Sitting,
        decisions: Decisions,
        shelf: Shelf,
        joins: Shelf,
        tiles: Tiles,
        desk: Desk,
    ) -> None:
        self._gate = gate
        self._sitting = sitting
        self._decisions = decisions
        self._shelf = shelf
        self._joins = joins
        self._tiles = tiles
        self._desk = desk
        self._pages = Pages(sitting, desk, gate.token)
        self._routes: list[tuple[str, re.Pattern[str], Handler]] = [
            (method, re.compile(pattern, re.ASCII), handler)
            for method, pattern, handler in (
                ("GET", r"/", self._sets),
                ("GET", r"/set/(\d{1,8})", self._set),
                ("GET", r"/end", self._end),
                ("GET", r"/agreement", self._agreement),
                ("GET", r"/help", self._help),
                ("GET", r"/state", self._state),
                ("GET", r"/set-data/(\d{1,8})", self._set_data),
                ("GET", r"/turns/(\d{1,8})", self._turns),
                ("GET", r"/picture/(\d{1,8})", self._picture),
                ("GET", r"/tile/(\d{1,8})/(\d{1,4})/(\d{1,4})", self._tile),
                ("GET", r"/clipped/(\d{1,8})", self._clipped),
                ("GET", r"/decisions\.json", self._decisions_json),
                ("GET", r"/limits\.toml", self._limits),
                ("GET", r"/static/([a-z]+\.[a-z]+)", self._static),
                ("POST", r"/decide", self._decide),
                ("POST", r"/note", self._note),
                ("POST", r"/accept", self._accept),
                ("POST", r"/undo", self._undo),
                ("POST", r"/redo", self._redo),
                ("POST", r"/end/plan", self._plan),
                ("POST", r"/end/write", self._write),
            )
        ]

    def answer(self, request: Request) -> Answer:
        """Answer one request; whatever goes wrong in it ends no other."""
        refusal = self._gate.refusal(request)
        if refusal is not None:
            return self._pages.refused(refusal)
        if request.path == "/enter":
            return self._enter(request)
        found = [
            (method, match, handler)
            for method, pattern, handler in self._routes
            if (match := pattern.fullmatch(request.path))
        ]
        if not found:
            return self._pages.missing()
        for method, match, handler in found:
            if method == request.method:
                return self._handled(handler, request, match.groups())
        return _plain(HTTPStatus.METHOD_NOT_ALLOWED, "this address is asked in another way")

    def _handled(self, handler: Handler, request: Request, words: Sequence[str]) -> Answer:
        try:
            return handler(request, *words)
        except msgspec.MsgspecError as error:
            return _plain(HTTPStatus.BAD_REQUEST, f"the request makes no sense: {error}")
        except StoreError as error:
            return _plain(HTTPStatus.SERVICE_UNAVAILABLE, f"not kept: {error}")
        except AuditError as error:
            return _plain(HTTPStatus.CONFLICT, str(error))
        except Exception as error:
            # One answer, never the review: the decisions are on the disk whatever happens here.
            return _plain(
                HTTPStatus.INTERNAL_SERVER_ERROR,
                f"this could not be answered: {type(error).__name__}",
            )

    def _enter(self, request: Request) -> Answer:
        cookie = self._gate.let_in(request.query.get("ticket", ""))
        if cookie is None:
            return self._pages.refused("the address that lets in is good once, and was used")
        return self._pages.entered(cookie)

    # ------------------------------------------------------------ pages

    def _sets(self, request: Request) -> Answer:
        return self._pages.sets(request.query.get("show", "all"), request.query.get("page", "1"))

    def _set(self, _: Request, number: str) -> Answer:
        return self._pages.one_set(int(number))

    def _end(self, _: Request) -> Answer:
        return self._pages.end()

    def _agreement(self, _: Request) -> Answer:
        return self._pages.agreement()

    def _help(self, _: Request) -> Answer:
        return self._pages.help()

    def _static(self, _: Request, name: str) -> Answer:
        kind = STATIC.get(name)
        if kind is None:
            return self._pages.missing()
        return Answer(kind=kind, body=_static_file(name))

    # ------------------------------------------------------------ data

    def _state(self, request: Request) -> Answer:
        number = request.query.get("frame", "")
        frames = self._of_set(int(number)) if re.fullmatch(r"\d{1,8}", number) else []
        return self._told(frames)

    def _set_data(self, _: Request, number: str) -> Answer:
        return _json(self._pages.set_data(int(number)))

    def _turns(self, _: Request, number: str) -> Answer:
        found = self._sitting.set_with(int(number))
        if found is None:
            return self._pages.missing()
        frames = self._sitting.frames(found[1].frames)
        series = found[1].series
        measured = [each for each in frames if each.row.state == "measured"]
        turns = self._joins.turns(
            [each.row for each in measured],
            [each.frame for each in measured],
            is_one_framing=series is not None and series.kind != "panorama",
        )
        return _json({str(e.number): turn for e, turn in zip(measured, turns, strict=True)})

    def _picture(self, _: Request, number: str) -> Answer:
        seen = self._sitting.frame(int(number))
        data = b"" if seen is None else self._shelf.picture(seen.frame, "thumbnail")
        if not data:
            return _plain(HTTPStatus.NOT_FOUND, "no small picture was kept")
        return Answer(kind="image/webp", body=data)

    def _tile(self, request: Request, number: str, row: str, col: str) -> Answer:
        seen = self._sitting.frame(int(number))
        if seen is None or seen.content is None:
            return self._pages.missing()
        lift = request.query.get("ev", "0")
        if lift not in map(str, range(MOST_BRIGHTENED_EV + 1)):
            return self._pages.missing()
        order = self._tiles.order(
            seen.row,
            seen.frame,
            row=int(row),
            col=int(col),
            brightened_ev=float(lift),
            marks_lost=request.query.get("lost") == "1",
        )
        found = self._tiles.cut(seen.number, seen.content, order)
        if isinstance(found, bytes):
            return Answer(kind="image/jpeg", body=found)
        return _plain(HTTPStatus.NOT_FOUND, getattr(found, "message", "no tile"))

    def _clipped(self, _: Request, number: str) -> Answer:
        seen = self._sitting.frame(int(number))
        if seen is None or seen.content is None:
            return self._pages.missing()
        order = self._tiles.order(seen.row, seen.frame, want="clipped-places")
        found = self._tiles.cut(seen.number, seen.content, order)
        if isinstance(found, ClippedPlaces):
            return _json(found)
        message = found.message if isinstance(found, NoTile) else "no answer"
        return _plain(HTTPStatus.NOT_FOUND, message)

    def _decisions_json(self, _: Request) -> Answer:
        here = {each.content for each in self._sitting.everything()}
        kept = [each for each in self._decisions.all().values() if each.content_hash in here]
        return _download("decisions.json", JSON_TYPE, decisions_json(kept))

    def _limits(self, _: Request) -> Answer:
        text = limits_file(proposals_of(self._sitting.everything()))
        return _download("limits.toml", "application/toml", text.encode())

    # ------------------------------------------------------------ changes

    def _decide(self, request: Request) -> Answer:
        words = msgspec.json.decode(request.body, type=_Decide)
        return self._told(self._sitting.decide(words.frames, word=words.word))

    def _note(self, request: Request) -> Answer:
        words = msgspec.json.decode(request.body, type=_Note)
        return self._told(self._sitting.note(words.frame, words.note))

    def _accept(self, request: Request) -> Answer:
        words = msgspec.json.decode(request.body, type=_Accept)
        found = self._sitting.set_with(words.frame)
        return self._told([] if found is None else self._sitting.accept(found[1].frames))

    def _undo(self, request: Request) -> Answer:
        msgspec.json.decode(request.body, type=_Nothing)
        return self._told(self._sitting.undo())

    def _redo(self, request: Request) -> Answer:
        msgspec.json.decode(request.body, type=_Nothing)
        return self._told(self._sitting.redo())

    def _plan(self, request: Request) -> Answer:
        words = msgspec.json.decode(request.body, type=_Wishes)
        self._desk.plan(
            ratings=dict(words.ratings),
            replaces_ratings=words.replaces_ratings,
            copies=words.copies,
            whole_series=words.whole_series,
        )
        return _json({})

    def _write(self, request: Request) -> Answer:
        words = msgspec.json.decode(request.body, type=_Write)
        self._desk.write(words.plan)
        return _json({})

    def _of_set(self, number: int) -> list[Seen]:
        found = self._sitting.set_with(number)
        return [] if found is None else self._sitting.frames(found[1].frames)

    def _told(self, frames: Sequence[Seen]) -> Answer:
        return _json(state_json(self._sitting, frames, self._desk))


def _static_file(name: str) -> bytes:
    return (resources.files("audit.review") / "static" / name).read_bytes()


def _json(value: Any) -> Answer:
    return Answer(kind=JSON_TYPE, body=msgspec.json.encode(value))


def _plain(status: HTTPStatus, text: str) -> Answer:
    return Answer(status=status, kind="text/plain; charset=utf-8", body=f"{text}\n".encode())


def _download(name: str, kind: str, body: bytes) -> Answer:
    return Answer(
        kind=kind, body=body, headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )
