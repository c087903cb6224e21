"""What the frames of a trip say together, as the page shows it."""

from collections.abc import Sequence
from dataclasses import dataclass

from audit.report.text import inert
from audit.report.trip_words import (
    NOT_TOLD,
    QUESTION_WORDS,
    Table,
    basis_words,
    level_note,
    split,
    tables,
    title_of,
)
from audit.trip_records import TripReport, TripStatement


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One statement in words."""

    question: str
    message: str
    advice: str
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldView:
    """All statements of a trip, what cannot be told, and what was counted."""

    title: str
    habits: tuple[Told, ...]
    facts: tuple[Told, ...]
    untold: tuple[str, ...]
    tables: tuple[Table, ...]
    notes: tuple[str, ...]


def told_of(trip: TripReport) -> ToldView | None:
    """Put a trip report into words; ``None`` where no frame was measured."""
    if not trip.frames:
        return None
    habits, facts = split(trip)
    return ToldView(
        title=title_of(trip),
        habits=_told(habits),
        facts=_told(facts),
        untold=tuple(
            inert(f"{QUESTION_WORDS[each.question]}: {each.subject}: {each.reason}.")
            for each in trip.untold
        ),
        tables=tuple(_inert(table) for table in tables(trip, is_brief=True)),
        notes=(level_note(trip), NOT_TOLD),
    )


def _told(statements: Sequence[TripStatement]) -> tuple[Told, ...]:
    return tuple(
        Told(
            question=QUESTION_WORDS[each.question],
            message=inert(each.message),
            advice=inert(each.advice),
            basis=basis_words(each),
        )
        for each in statements
    )


def _inert(table: Table) -> Table:
    return Table(
        title=table.title,
        headings=table.headings,
        rows=tuple(tuple(inert(cell) for cell in row) for row in table.rows),
    )
