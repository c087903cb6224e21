"""The trip report on the terminal: what to change, what the frames show, what cannot be told."""

from collections.abc import Sequence
from typing import TextIO

from audit.report.screen import QUIET, STRONG, Screen
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
from audit.report.units import counted
from audit.trip_records import TripReport, TripStatement

GAP = "  "
NARROWEST_NAME = 12
ROWS_SHOWN = 15
"""Rows of a table in the short form (project's choice: a screen holds three such tables)."""
NOTHING_TO_CHANGE = "Nothing that these frames are enough to tell."
FIELD_NOTE = (
    "In the field keep away from cliff and water edges and wet rock, never look at the sun through "
    "a long lens, and follow local rules."
)


def write(
    trip: TripReport,
    out: TextIO,
    *,
    width: int | None = None,
    colour: bool = True,
    everything: bool = False,
) -> None:
    """Write the trip report.

    Parameters
    ----------
    trip : TripReport
    out : TextIO
        A terminal, or a file that stands for one.
    width : int, optional
        Columns; by default what the terminal has.
    colour : bool
        Whether a terminal gets colours.
    everything : bool
        Every row of every table.
    """
    screen = Screen(out, width=width, colour=colour)
    if not trip.frames:
        screen.paragraph("No frame was measured, so nothing can be said about the trip.")
        return
    screen.line((title_of(trip), STRONG))
    habits, facts = split(trip)
    screen.heading("Change on the next hike")
    if not habits:
        screen.paragraph(NOTHING_TO_CHANGE, indent=2)
    _write_statements(screen, habits)
    if facts:
        screen.heading("Good to know")
        _write_statements(screen, facts)
    if trip.untold:
        screen.heading("Not enough to tell")
    for each in trip.untold:
        screen.paragraph(
            f"{each.subject}: {each.reason}", indent=2, label=f"{QUESTION_WORDS[each.question]}: "
        )
    for table in tables(trip):
        _write_table(screen, table, everything=everything)
    if trip.interrupted:
        screen.blank()
        screen.paragraph("Stopped early: only the frames that were measured are counted.")
    screen.blank()
    for note in (level_note(trip), NOT_TOLD, FIELD_NOTE):
        screen.paragraph(note, style=QUIET)


def _write_statements(screen: Screen, statements: Sequence[TripStatement]) -> None:
    for each in statements:
        screen.paragraph(each.message, indent=2, label=f"{QUESTION_WORDS[each.question]}: ")
        if each.advice:
            screen.paragraph(each.advice, indent=6)
        screen.paragraph(basis_words(each), indent=6, style=QUIET)


def _write_table(screen: Screen, table: Table, *, everything: bool) -> None:
    screen.heading(table.title)
    shown = table.rows if everything else table.rows[:ROWS_SHOWN]
    widths = [
        max(screen.cells(row[at]) for row in (table.headings, *shown))
        for at in range(len(table.headings))
    ]
    rest = sum(widths[1:]) + len(GAP) * len(widths)
    widths[0] = max(min(widths[0], screen.width - rest), NARROWEST_NAME)

    def line(row: Sequence[str]) -> str:
        name = screen.fitted(screen.shortened(row[0], widths[0]), widths[0])
        figures = (
            screen.fitted(cell, size, right=True)
            for cell, size in zip(row[1:], widths[1:], strict=True)
        )
        return GAP + GAP.join((name, *figures))

    screen.line((line(table.headings), QUIET))
    for row in shown:
        screen.line(line(row))
    if len(shown) < len(table.rows):
        more = counted(len(table.rows) - len(shown), "row")
        screen.line((f"      ... and {more} (--all)", QUIET))
