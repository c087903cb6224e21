"""Where a print fails first, and what a stop or a steadier camera would have bought."""

from collections.abc import Callable

import pytest

from audit.diagnose import judge
from audit.diagnose.printing import place_of
from audit.records import Print, Reading, SharpnessMap
from audit.settings import Settings

MakeReading = Callable[..., Reading]


def print_of(reading: Reading) -> Print:
    found = judge(reading, Settings()).print
    assert found is not None
    return found


def tiles(rows: int, cols: int) -> SharpnessMap:
    return SharpnessMap(rows=rows, cols=cols, edge_width_px=((None,) * cols,) * rows)


def test_the_softest_measurable_tile_is_named(make_reading: MakeReading) -> None:
    softest = SharpnessMap(rows=2, cols=3, edge_width_px=((1.6, None, 1.7), (1.5, 2.0, 3.4)))

    found = print_of(make_reading(map=softest))

    assert (found.limiting_tile, found.limiting_px) == ((1, 2), 3.4)
    assert found.limiting_place == "lower right"


@pytest.mark.parametrize(
    ("tile", "words"),
    [((0, 0), "upper left"), ((4, 7), "middle"), ((8, 14), "lower right"), ((4, 0), "middle left")],
)
def test_places_are_thirds_of_the_viewed_frame(tile: tuple[int, int], words: str) -> None:
    assert place_of(tile, tiles(9, 15)) == words


def test_a_stop_wider_buys_what_diffraction_takes(make_reading: MakeReading) -> None:
    """A perfect lens on 4.36 um reads 3.65 px at f/22 and 2.71 px at f/15.6 (computed curve).

    So a frame at its limit at f/22 would hold about a third more at f/16.
    """
    found = print_of(make_reading(aperture_n=22.0, edge_width_px=3.7))

    assert found.wider_long_cm is not None
    assert found.wider_long_cm / found.long_cm == pytest.approx(1.35, abs=0.06)


def test_a_stop_wider_buys_little_where_focus_was_missed(make_reading: MakeReading) -> None:
    found = print_of(make_reading(aperture_n=8.0, edge_width_px=8.0))

    assert found.wider_long_cm is not None
    assert found.wider_long_cm < 1.02 * found.long_cm


def test_nothing_is_claimed_for_an_unknown_aperture(make_reading: MakeReading) -> None:
    assert print_of(make_reading(aperture_n=None)).wider_long_cm is None


def test_a_steady_camera_buys_the_smear_back(make_reading: MakeReading) -> None:
    """A smear of 6 px has a variance of 3 px^2 along it, half of that over all directions."""
    shaken = make_reading(
        edge_width_px=(1.74**2 + 2.563**2 * 1.5) ** 0.5,
        smear_px=6.0,
        smear_angle_deg=30.0,
        smear_confidence=0.9,
    )

    found = print_of(shaken)

    assert found.steady_long_cm == pytest.approx(120.1 * 1.5 / 1.74, rel=0.03)
    assert print_of(make_reading()).steady_long_cm is None


def test_a_doubtful_smear_buys_nothing(make_reading: MakeReading) -> None:
    doubtful = make_reading(
        edge_width_px=5.0, smear_px=2.7, smear_angle_deg=30.0, smear_confidence=0.1
    )

    assert print_of(doubtful).steady_long_cm is None
