"""The table for a spreadsheet: one row a frame, numbers as numbers, text that computes nothing."""

import csv
import io
import math
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from audit.records import Report
from audit.report import csv_table

DOCS = Path(__file__).parents[2] / "docs" / "csv-format.md"


def written(report: Report) -> str:
    out = io.StringIO(newline="")
    csv_table.write(report, out)
    return out.getvalue()


def rows(report: Report) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(written(report), newline="")))


def test_every_frame_is_one_row_in_the_order_of_the_report(made_report: Report) -> None:
    assert [row["file"] for row in rows(made_report)] == [
        frame.file for frame in made_report.frames
    ]


def test_the_columns_are_documented_in_their_order() -> None:
    documented = re.findall(
        r"^\| `([a-z0-9_]+)` \|", DOCS.read_text(encoding="utf-8"), re.MULTILINE
    )
    assert documented == list(csv_table.COLUMNS)


def test_numbers_are_numbers_and_unknown_is_empty(made_report: Report) -> None:
    first, *_, last = rows(made_report)
    assert float(first["bias_ev"]) == pytest.approx(-2 / 3)
    assert float(first["print_long_cm"]) == 111.2
    assert first["measurable"] == "true"
    assert last["print_long_cm"] == last["shutter_s"] == last["rank"] == ""
    assert (last["state"], last["error_message"]) == ("unreadable", "permission denied")


def test_the_main_finding_stands_beside_all_standing_ones(made_report: Report) -> None:
    reject = rows(made_report)[6]
    assert (reject["main_finding"], reject["main_severity"]) == ("clipped-highlights", "fault")
    assert reject["findings"] == "clipped-highlights camera-shake diffraction"
    soft = rows(made_report)[4]
    assert soft["main_finding"] == ""
    assert soft["main_message"].startswith("Softer")


def test_not_a_number_becomes_empty(made_report: Report) -> None:
    noise = msgspec.structs.replace(made_report.frames[0].noise, sigma_dn=math.nan)
    odd = msgspec.structs.replace(made_report.frames[0], noise=noise)
    assert rows(msgspec.structs.replace(made_report, frames=(odd,)))[0]["noise_sigma_dn"] == ""


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＠"])
def test_text_that_looks_like_a_formula_gets_an_apostrophe(
    renamed_report: Callable[[str], Report], start: str
) -> None:
    """CWE-1236, improper neutralisation of formula elements in a CSV file."""
    name = f"{start}cmd|' /C calc'!A0"
    assert rows(renamed_report(name))[0]["lens"] == f"'{name}"


def test_a_zero_byte_gets_an_apostrophe_too() -> None:
    assert csv_table.safe_cell("a\0=1") == "'a\0=1"


@settings(max_examples=200, deadline=None)
@example(name="'\0")
@example(name="\x1b]0;owned\x07 \u202e")
@given(
    name=st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=60)
    | st.sampled_from(['"', ",", '",\r\n=1+1', "\r", "a\nb", "'", ";"])
)
def test_hostile_text_comes_back_whole_in_its_own_cell(
    renamed_report: Callable[[str], Report], name: str
) -> None:
    first, second = rows(renamed_report(name))
    expected = csv_table.safe_cell(name)
    assert first["file"] == first["lens"] == first["companions"] == expected
    assert second["error_message"] == expected
    # Python's own codec for the numbers of what is not shown.
    shown = "".join(
        c if c.isprintable() or c in "\t\r\n\0" or unicodedata.category(c) == "Zs"
        else c.encode("unicode_escape").decode()
        for c in name
    )  # fmt: skip
    assert expected.replace("'", "") == shown.replace("'", "")
    assert None not in first


@settings(max_examples=300, deadline=None)
@example(text="a;=1+1")
@example(text="a\r\n@x")
@given(text=st.text(st.sampled_from("a;=+-@\t\r\n '\"＝＋－＠,")))
def test_no_part_of_a_text_computes_however_a_spreadsheet_splits_it(text: str) -> None:
    """A spreadsheet whose separator is ; or tab ignores quotes that open inside its cells."""
    written = csv_table.safe_cell(text)
    parts = re.split("[;\t\r\n]", written)
    assert not any(part.startswith(csv_table.FORMULA_STARTS) for part in parts)
    assert not written.startswith(csv_table.FORMULA_STARTS)
    marks = re.sub(r"(^|[;\t\r\n])'(?=[-=+@\t\r\n＝＋－＠])", r"\1", written)
    assert marks == text or "'" in text


def test_text_outside_utf8_can_be_written(renamed_report: Callable[[str], Report]) -> None:
    assert r"caf\xe9" in written(renamed_report("caf\udce9"))
