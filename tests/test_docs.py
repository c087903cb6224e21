"""The docs are whole: findings, errors, limits and commands are explained, links lead somewhere.

Run as a script it prints ``docs/limits.md``::

    python tests/test_docs.py > docs/limits.md
"""

import ast
import io
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from audit import cli, errors
from audit.diagnose import KINDS
from audit.records import FindingCode, State
from audit.report import limit_list
from audit.report.why import LimitSource
from audit.settings import limit_notes

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted([*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])

FINDING_HEADINGS = [
    "What it checks",
    "What it costs in print",
    "How it is measured",
    "Example",
    "What to do",
    "When it is wrong",
]

LIMITS_HEAD = """\
# Limits

What a frame is held against. This page is the output of `frame-audit limits`, made by

    python tests/test_docs.py > docs/limits.md

The same text is a settings file. Save it, change what you need, and hand it back:

    frame-audit limits > limits.toml
    frame-audit check ~/trip --limits limits.toml

Where each limit works: the pages of the [findings](README.md#what-a-finding-means), and
[printing](methods/printing.md) for the verdict.

```toml
"""


def limits_page() -> str:
    """The page on limits, from the program's own list."""
    out = io.StringIO()
    limit_list.write((LimitSource(*note) for note in limit_notes()), out)
    return f"{LIMITS_HEAD}{out.getvalue().rstrip()}\n```\n"


def prose(page: Path) -> str:
    """A page without its blocks of code."""
    text = re.sub(r"^```.*?^```$", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    return re.sub(r"^ {4}.*$", "", text, flags=re.M)


def headings(page: Path) -> list[str]:
    """Headings of every depth, as written."""
    return re.findall(r"^#{1,6} (.+?) *$", prose(page), flags=re.M)


def anchors(page: Path) -> set[str]:
    """What a link may name behind ``#``: headings, lower case, hyphens for spaces."""
    return {
        re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings(page)
    }


def links(page: Path) -> Iterator[str]:
    """Targets of links inside the project."""
    for target in re.findall(r"\]\(([^)\s]+)\)", prose(page)):
        if not re.match(r"[a-z]+:", target):
            yield target


def error_classes(base: type[errors.AuditError]) -> Iterator[type[errors.AuditError]]:
    yield base
    for child in base.__subclasses__():
        yield from error_classes(child)


def raised_codes() -> Iterator[str]:
    """More precise codes that the sources give to an error where it is made."""
    frame_errors = {found.__name__ for found in error_classes(errors.FrameError)}
    for path in sorted((ROOT / "audit").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", None) in frame_errors:
                for word in node.keywords:
                    if word.arg == "code":
                        yield ast.literal_eval(word.value)


@pytest.mark.parametrize("kind", get_args(FindingCode))
def test_every_finding_has_its_page_with_the_fixed_headings(kind: str) -> None:
    assert headings(DOCS / "findings" / f"{kind}.md") == [kind, *FINDING_HEADINGS]


def test_no_page_is_left_of_a_finding_that_is_gone() -> None:
    assert {page.stem for page in (DOCS / "findings").glob("*.md")} == set(KINDS)


@pytest.mark.parametrize("found", sorted({*raised_codes()}))
def test_every_precise_code_of_a_frame_is_explained(found: str) -> None:
    assert f"`{found}`" in headings(DOCS / "errors.md")


@pytest.mark.parametrize("found", sorted({each.code for each in error_classes(errors.AuditError)}))
def test_every_error_class_is_explained(found: str) -> None:
    assert f"`{found}`" in headings(DOCS / "errors.md")


@pytest.mark.parametrize("state", get_args(State))
def test_every_state_of_a_frame_is_explained(state: str) -> None:
    assert f"`{state}`" in headings(DOCS / "errors.md")


def test_errors_explains_nothing_that_does_not_exist() -> None:
    coded = {each.strip("`") for each in headings(DOCS / "errors.md") if each.startswith("`")}
    classes = {each.code for each in error_classes(errors.AuditError)}

    assert coded == {*raised_codes(), *classes, *get_args(State)}


def test_the_page_of_limits_is_current() -> None:
    assert (DOCS / "limits.md").read_text(encoding="utf-8") == limits_page()


@pytest.mark.parametrize("name", [note.name for note in limit_notes()])
def test_every_limit_is_explained_where_it_works(name: str) -> None:
    """Beside the list itself, a page of a finding or of a method uses it by name."""
    pages = [*(DOCS / "findings").glob("*.md"), *(DOCS / "methods").glob("*.md")]

    assert any(re.search(rf"\b{name}\b", page.read_text(encoding="utf-8")) for page in pages)


@pytest.mark.parametrize("command", sorted(cli.COMMANDS))
def test_every_command_has_its_heading(command: str) -> None:
    found = headings(DOCS / "command-line.md")

    assert any(re.match(rf"`frame-audit {command}\b", heading) for heading in found)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    """Files exist, and so do the headings that a link names."""
    for target in links(page):
        file, _, anchor = target.partition("#")
        aim = (page.parent / file).resolve() if file else page
        assert aim.exists(), f"{target}: no such file"
        assert not anchor or anchor in anchors(aim), f"{target}: no such heading"


def test_every_page_is_reached_from_the_index() -> None:
    reached = {(DOCS / target.partition("#")[0]).resolve() for target in links(DOCS / "README.md")}

    assert {page.resolve() for page in DOCS.rglob("*.md")} - reached == {DOCS / "README.md"}


if __name__ == "__main__":
    sys.stdout.write(limits_page())
