"""Tests and intervals against worked examples and closed forms."""

import pytest

from audit.trip.statistics import (
    FALSE_ALARM,
    Tally,
    above_p,
    confidence_of,
    group_p,
    is_sure,
    median_interval,
    off_zero_p,
    oftener_p,
    share_high,
    share_low,
    wider_p,
)


def test_the_lady_tasting_tea() -> None:
    """Fisher, The Design of Experiments, 1935, chapter 2 (from memory): 1 of 70."""
    assert oftener_p(Tally(4, 4), Tally(0, 4)) == pytest.approx(1 / 70)
    assert oftener_p(Tally(3, 4), Tally(1, 4)) == pytest.approx(17 / 70)


def test_ranks_that_do_not_overlap_are_one_of_their_orders() -> None:
    """Three against three: 20 orders (6 over 3)."""
    assert wider_p([4.0, 5.0, 6.0], [1.0, 2.0, 3.0]) == pytest.approx(1 / 20)
    assert wider_p([1.0, 2.0, 3.0], [4.0, 5.0, 6.0]) == pytest.approx(1.0)


@pytest.mark.parametrize("of", [5, 11, 30])
def test_bounds_of_a_share_without_a_miss_have_a_closed_form(of: int) -> None:
    """Clopper and Pearson with all hits: (1 - level) ^ (1 / n)."""
    assert share_low(Tally(of, of), 0.95) == pytest.approx(0.05 ** (1 / of))
    assert share_high(Tally(0, of), 0.95) == pytest.approx(1 - 0.05 ** (1 / of))
    assert share_low(Tally(0, of), 0.95) == 0.0


def test_clopper_and_pearson_agree_with_a_printed_table() -> None:
    """10 of 20, 95 % two-sided: 0.272 to 0.728 (common tables, from memory)."""
    assert share_low(Tally(10, 20), 0.975) == pytest.approx(0.272, abs=5e-4)
    assert share_high(Tally(10, 20), 0.975) == pytest.approx(0.728, abs=5e-4)


def test_signs_all_alike_are_a_power_of_a_half() -> None:
    assert above_p([1.5] * 7, 1.0) == pytest.approx(1 / 128)
    assert above_p([0.5] * 7, 1.0) == pytest.approx(1.0)


def test_signed_ranks_all_alike_are_a_power_of_a_half() -> None:
    """Wilcoxon 1945, exact and two-sided: 2 / 2^8."""
    assert off_zero_p([0.1 * at for at in range(1, 9)]) == pytest.approx(2 / 256)


def test_six_values_are_the_fewest_with_an_interval_and_give_all_of_their_range() -> None:
    """1 - 2 / 2^6 is 96.9 %; five values reach 93.8 % only."""
    assert median_interval([3.0, 1.0, 2.0, 6.0, 5.0, 4.0]) == (1.0, 6.0)
    assert median_interval([1.0, 2.0, 3.0, 4.0, 5.0]) is None


def test_the_interval_of_the_median_of_thirty_is_that_of_the_tables() -> None:
    """Ranks 10 and 21 (David and Nagaraja 2003, from memory)."""
    assert median_interval([float(at) for at in range(1, 31)]) == (10.0, 21.0)


def test_places_are_dealt_out_whole() -> None:
    """Five places of ten frames in either group: 252 ways, so that 2 of 252 is the least chance."""
    groups = ["a"] * 5 + ["b"] * 5

    assert group_p([9] * 5 + [1] * 5, [10] * 10, groups, "a") == pytest.approx(2 / 252, abs=4e-3)
    assert group_p([5] * 10, [10] * 10, groups, "a") == pytest.approx(1.0)


def test_more_looks_ask_for_more() -> None:
    assert is_sure(FALSE_ALARM / 2, 2)
    assert not is_sure(FALSE_ALARM / 2, 3)
    assert confidence_of(0.004, 2) == pytest.approx(0.992)
    assert confidence_of(0.4, 5) == 0.0
