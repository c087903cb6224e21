"""Figures in words say no more, and promise no more, than was measured."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.report.units import (
    edge_width,
    figure,
    length,
    number,
    percent,
    shutter,
    sides_cm,
    sides_in,
    wished_print,
)


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "0 %"),
        (1e-9, "<0.1 %"),
        (0.0009, "<0.1 %"),
        (0.001, "0.1 %"),
        (0.02, "2 %"),
        (0.0831, "8.3 %"),
        (0.0999, "10 %"),
        (0.5, "50 %"),
        (0.99999, ">99 %"),
        (1.0, "100 %"),
    ],
)
def test_percent_is_zero_or_hundred_only_where_exact(share: float, text: str) -> None:
    assert percent(share) == text


@given(st.floats(min_value=0, max_value=1, exclude_min=True, exclude_max=True))
def test_no_part_reads_as_nothing_or_all(share: float) -> None:
    assert percent(share) not in {"0 %", "100 %"}


@given(st.floats(min_value=1, max_value=1000), st.floats(min_value=0.1, max_value=1))
def test_a_print_is_never_promised_larger_than_it_holds(long_cm: float, ratio: float) -> None:
    long_side, short_side = (
        float(side) for side in sides_cm(long_cm, long_cm * ratio).split(" × ")
    )
    assert long_side <= long_cm + 1e-5
    assert short_side <= long_cm * ratio + 1e-5


def test_rounding_down_spares_a_side_that_was_computed_a_hair_short() -> None:
    assert sides_cm(90 - 1e-9, 60.0) == "90 × 60"
    assert sides_cm(89.99, 59.99) == "89 × 59"
    assert sides_in(36 * 2.54, 24 * 2.54) == "36 × 24"


def test_small_prints_keep_a_decimal_on_both_sides() -> None:
    assert sides_cm(14.27, 9.51) == "14.2 × 9.5"


def test_an_asked_print_and_distance_are_given_in_cm_and_inches() -> None:
    """1 inch = 2.54 cm, exact by definition (international yard and pound agreement, 1959)."""
    assert wished_print(90, 60) == "90 × 60 cm (35.4 × 23.6 in)"
    assert wished_print(36 * 2.54, 24 * 2.54) == "91.4 × 61 cm (36 × 24 in)"
    assert length(50) == "50 cm (19.7 in)"


def test_edge_width_gives_the_wider_half_of_its_interval_rounded_up() -> None:
    assert edge_width(1.62, 1.55, 1.81) == "1.6 ±0.2"
    assert edge_width(1.62, None, None) == "1.6"
    assert edge_width(1.62, 1.61, 1.63) == "1.6 ±0.1"


@pytest.mark.parametrize(
    ("time_s", "text"),
    [
        (1 / 8000, "1/8000 s"),
        (1 / 60, "1/60 s"),
        (0.0166, "1/60 s"),
        (0.25, "1/4 s"),
        (0.1538, "1/6.5 s"),
        (0.4, "0.4 s"),
        (30.0, "30 s"),
        (0.0, "0 s"),
    ],
)
def test_shutter_times_read_as_on_a_camera(time_s: float, text: str) -> None:
    """How cameras show times: common practice, no source."""
    assert shutter(time_s) == text


@given(st.floats(min_value=1e-5, max_value=3600))
def test_a_written_shutter_time_is_within_a_hundredth_of_the_true_one(time_s: float) -> None:
    """1 % is a 24th of the third stop (26 %) in which cameras set the shutter."""
    match = re.fullmatch(r"(?:(1)/)?([\d.e+-]+) s", shutter(time_s))
    assert match is not None
    written = 1 / float(match[2]) if match[1] else float(match[2])
    assert written == pytest.approx(time_s, rel=0.016)


def test_figures_carry_their_unit() -> None:
    assert figure(0.0811, "share") == "8.1 %"
    assert figure(1.25, "share") == "125 %"
    assert figure(1 / 80, "s") == "1/80 s"
    assert figure(6.77, "px") == "6.77 px"
    assert figure(1.4, "ratio") == "1.4 times"
    assert number(15871.4) == "15871"
    assert number(123.04) == "123"
