"""A plan on a terminal."""

from typing import TextIO

from audit.plan_records import Plan
from audit.report.plan_view import TEST_PRINT, Table, facts_of, sections_of
from audit.report.screen import PLAIN, QUIET, Screen

GAP = 2
LABEL_WIDTH = 8


def write(plan: Plan, out: TextIO, *, width: int | None = None, colour: bool = True) -> None:
    """Write every answer with its figures.

    Parameters
    ----------
    plan : Plan
    out : TextIO
    width : int, optional
        Columns; by default what the terminal has.
    colour : bool
        Whether a terminal gets colours.
    """
    screen = Screen(out, width=width, colour=colour)
    for label, value in facts_of(plan):
        screen.paragraph(value, label=screen.fitted(label, LABEL_WIDTH))
    for section in sections_of(plan):
        screen.heading(section.title)
        for sentence in section.sentences:
            screen.paragraph(sentence, indent=2)
        if section.table is not None:
            _write_table(section.table, screen)
    screen.heading("Take care")
    for caution in plan.cautions:
        screen.paragraph(caution.text, indent=2)
    screen.blank()
    screen.paragraph(TEST_PRINT, style=QUIET)


def _write_table(table: Table, screen: Screen) -> None:
    """Columns as wide as their texts; what a narrow terminal has no room for goes, from the right.

    Every left-out column stands in the JSON and on the card.
    """
    widths = [
        max(screen.cells(row[column]) for row in (table.head, *table.rows))
        for column in range(len(table.head))
    ]
    shown = len(widths)
    while shown > 1 and 2 + sum(widths[:shown]) + GAP * (shown - 1) > screen.width:
        shown -= 1
    for row, style in ((table.head, QUIET), *((row, PLAIN) for row in table.rows)):
        texts = [
            screen.fitted(text, width, right=column > 0)
            for column, (text, width) in enumerate(zip(row[:shown], widths, strict=False))
        ]
        screen.line(("  " + (" " * GAP).join(texts), style))
