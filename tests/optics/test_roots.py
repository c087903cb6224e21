"""The root finder finds what scipy finds, and refuses what has no crossing."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from audit.optics.roots import crossing


@given(st.floats(-3, 3), st.integers(1, 7))
def test_finds_the_root_that_scipy_finds(root: float, steepness: int) -> None:
    def curve(place: float) -> float:
        return math.expm1(steepness * (place - root)) + (place - root) ** 3

    assert crossing(curve, -4.0, 5.0) == pytest.approx(brentq(curve, -4.0, 5.0), abs=1e-8)


def test_falling_curves_and_roots_at_an_end() -> None:
    assert crossing(lambda place: 2 - place, 0.0, 10.0) == pytest.approx(2.0)
    assert crossing(lambda place: place, 0.0, 1.0) == pytest.approx(0.0, abs=1e-12)
    assert crossing(lambda place: place - 1, 0.0, 1.0) == pytest.approx(1.0)


def test_no_change_of_sign_is_refused() -> None:
    with pytest.raises(ValueError, match="no change of sign"):
        crossing(lambda place: place**2 + 1, -1.0, 1.0)
