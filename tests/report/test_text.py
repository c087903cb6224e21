"""File text cannot steer a terminal, and always fits its encoding."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.report.text import encodable, inert, without_surrogates

ANY_TEXT = st.text(st.characters(exclude_categories=()))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31mred", r"\x1b[31mred"),
        ("a\u202egnp.exe", r"a\u202egnp.exe"),
        ("a\nb", r"a\x0ab"),
        ("caf\udce9", r"caf\xe9"),
        ("\U000e0041", r"\U000e0041"),
        ("Glencoe – früh.jpg", "Glencoe – früh.jpg"),
        ("a\xa0b", "a\xa0b"),
    ],
)
def test_what_could_steer_a_terminal_is_shown_by_its_number(text: str, shown: str) -> None:
    assert inert(text) == shown


@given(ANY_TEXT)
def test_inert_text_holds_no_control_format_or_surrogate_character(text: str) -> None:
    assert not {unicodedata.category(each) for each in inert(text)} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


@given(ANY_TEXT, st.sampled_from(["ascii", "latin-1", "cp1252", "utf-8"]))
def test_encodable_text_can_be_written(text: str, encoding: str) -> None:
    encodable(inert(text), encoding).encode(encoding)


def test_signs_of_the_trade_are_spelt_where_they_cannot_be_shown() -> None:
    assert encodable("90 × 60 ±0.1 µm ≤2", "ascii") == "90 x 60 +-0.1 um <=2"
    assert encodable("90 × 60 ±0.1 µm ≤2", "latin-1") == "90 × 60 ±0.1 µm <=2"


@given(ANY_TEXT)
def test_text_without_surrogates_is_utf8_and_else_unchanged(text: str) -> None:
    cleaned = without_surrogates(text)
    cleaned.encode()
    if not any("\ud800" <= each <= "\udfff" for each in text):
        assert cleaned == text
