"""A soft side of a lens, over many frames."""

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from audit.diagnose import judge_together
from audit.diagnose.batch import LEAST_FRAMES, soft_side, softest_side
from audit.diagnose.case import Case
from audit.diagnose.sensor import sensor_of
from audit.records import Reading
from audit.settings import Settings

MakeReading = Callable[..., Reading]


@pytest.fixture(name="cases")
def cases_fixture(make_reading: MakeReading) -> Callable[..., list[Case]]:
    """Frames of one lens with given slopes to the right and down; other keywords as usual."""

    def make(right: Sequence[float], down: Sequence[float], **changes: object) -> list[Case]:
        readings = [
            make_reading(**{"lens": "VK 24-70", **changes}, softer_right=x, softer_down=y)
            for x, y in zip(right, down, strict=True)
        ]
        return [
            Case(reading=r, sensor=sensor_of(r, Settings()), settings=Settings()) for r in readings
        ]

    return make


MakeCases = Callable[..., list[Case]]


def scattered(middle: float, spread: float, count: int) -> list[float]:
    """Slopes of scenes: exact normal quantiles, so that the median is the middle."""
    rng = np.random.default_rng(4)
    return [middle + spread * float(z) for z in rng.permutation(np.linspace(-1.5, 1.5, count))]


@pytest.mark.parametrize(("slope", "side"), [(0.5, "right"), (-0.5, "left")])
def test_a_side_is_named_with_its_ratio(cases: MakeCases, slope: float, side: str) -> None:
    """Slopes of faulted lenses were 0.43 to 0.77 over eight frames (trial measurements)."""
    lens = cases(scattered(slope, 0.2, 13), scattered(0.0, 0.2, 13))
    soft = softest_side(lens)
    findings = soft_side(lens)

    assert soft is not None
    assert (soft.side, soft.frames) == (side, 13)
    assert all(each is not None and each.kind == "soft-side" for each in findings)
    assert findings[0] is not None
    assert findings[0].value == pytest.approx(math.exp(0.5), rel=1e-6)
    assert f"edges at the {side}" in findings[0].message
    assert "VK 24-70" in findings[0].message


def test_a_sound_lens_has_none(cases: MakeCases) -> None:
    """Without fault the trial read -0.11 +- 0.22 sideways, -0.25 +- 0.30 from top to bottom."""
    assert softest_side(cases(scattered(-0.11, 0.22, 20), scattered(-0.25, 0.30, 20))) is None


def test_few_frames_tell_nothing(cases: MakeCases) -> None:
    few = LEAST_FRAMES - 1

    assert softest_side(cases([0.6] * few, [0.0] * few)) is None


def test_scatter_takes_the_claim_back(cases: MakeCases) -> None:
    assert softest_side(cases(scattered(0.4, 0.8, 9), [0.0] * 9)) is None


def test_up_and_down_must_show_more_than_landscapes_do(cases: MakeCases) -> None:
    sideways = softest_side(cases(scattered(0.45, 0.1, 12), [0.0] * 12))
    upright = softest_side(cases([0.0] * 12, scattered(0.45, 0.1, 12)))

    assert sideways is not None
    assert upright is None


def test_in_portrait_frames_the_long_axis_stood_upright(cases: MakeCases) -> None:
    """Orientation 6: the stored columns run from the sky to the ground."""
    assert softest_side(cases(scattered(0.45, 0.1, 12), [0.0] * 12, orientation=6)) is None
    level = softest_side(cases([0.0] * 12, scattered(0.45, 0.1, 12), orientation=6))

    assert level is not None
    assert level.side == "bottom"


def test_lenses_are_kept_apart_and_the_order_is_kept(cases: MakeCases) -> None:
    soft = cases([0.6] * 10, [0.0] * 10, lens="soft one")
    sound = cases([0.0] * 10, [0.0] * 10, lens="sound one")
    unnamed = cases([0.6] * 10, [0.0] * 10, lens=None)
    mixed = [case for trio in zip(soft, sound, unnamed, strict=True) for case in trio]
    findings = soft_side(mixed)

    assert [each is not None for each in findings] == [True, False, False] * 10


def test_what_many_frames_tell_is_added_to_each_of_them(make_reading: MakeReading) -> None:
    soft = [make_reading(lens="Orrin 35 mm", softer_right=0.6 + 0.01 * i) for i in range(9)]
    other = make_reading(lens="Orrin 85 mm", softer_right=0.6)

    together = judge_together([*soft, other], Settings())

    assert [[each.kind for each in found] for found in together] == [["soft-side"]] * 9 + [[]]
