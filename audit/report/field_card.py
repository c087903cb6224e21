"""A plan as a field card: one page in a browser, one sheet of paper when printed."""

from typing import TextIO

from markupsafe import Markup

from audit.plan_records import Plan
from audit.report.page.html import environment, part, policy
from audit.report.plan_view import TEST_PRINT, facts_of, sections_of
from audit.report.text import inert

GENERATOR = "frame-audit field card"
NO_BREAK_SPACE = "\u00a0"


def write(plan: Plan, out: TextIO) -> None:
    """Write the card as one HTML file that needs nothing else."""
    out.write(card_text(plan))


def card_text(plan: Plan) -> str:
    """Give the card as HTML."""
    style = part("card.css")
    return environment().get_template("card.html.jinja").render(
        policy=policy(style),
        generator=GENERATOR,
        version=plan.tool.version,
        style=Markup(style),  # noqa: S704  # our own file
        facts=[(label, inert(value)) for label, value in facts_of(plan)],
        sections=list(sections_of(plan)),
        cautions=[caution.text for caution in plan.cautions],
        test_print=TEST_PRINT,
        nbsp=NO_BREAK_SPACE,
    ) + "\n"  # fmt: skip
