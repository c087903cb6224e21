"""Levels in stops below saturation."""

import numpy as np
import pytest

from audit.measure.tone import tone


def test_an_even_ramp_has_its_levels_where_they_are() -> None:
    """Median of 0 to 1 is one stop below saturation, the 1 % level log2(0.01) = -6.644."""
    found = tone(np.linspace(0, 1, 10001, dtype=np.float32).reshape(1, -1))

    assert found.low_ev == pytest.approx(-6.644, abs=0.001)
    assert found.median_ev == pytest.approx(-1.0, abs=0.001)
    assert found.high_ev == pytest.approx(-0.0145, abs=0.001)


def test_black_has_no_level() -> None:
    assert tone(np.zeros((4, 4), dtype=np.float32)) == (None, None, None)


def test_levels_above_saturation_count_as_saturation() -> None:
    assert tone(np.full((4, 4), 1.02, dtype=np.float32)).high_ev == 0.0
