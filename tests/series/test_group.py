"""Which frames make which series, on drawn pictures with planted settings."""

import random
from collections.abc import Sequence

import numpy as np
import pytest
from planted_shots import COLS, ROWS, picture, scene, shot

from audit.records import SeriesKind
from audit.series.found import FoundSeries, series_record
from audit.series.framing import BRACKET_IDLE_S, LONGEST_IDLE_S, Views, groups
from audit.series.group import find_series
from audit.series.shot import Shot
from audit.settings import Settings

LIGHT = scene(1)
SAME = picture(LIGHT)
OTHER = picture(scene(2))

Found = tuple[SeriesKind, list[int]]


def series(shots: Sequence[Shot]) -> tuple[FoundSeries, ...]:
    return find_series(shots, Settings())


def found_in(shots: Sequence[Shot]) -> list[Found]:
    return [(each.kind, [member.place for member in each.shots]) for each in series(shots)]


def bracket_shots(steps: Sequence[float], *, first: int = 0, second: float = 0.0) -> list[Shot]:
    """An automatic bracket, two frames a second, whose pictures follow the settings."""
    return [
        shot(
            first + i,
            picture(LIGHT, gain_ev=step),
            second=second + 0.5 * i,
            shutter_s=2.0**step / 64,
            auto_bracket=True,
        )
        for i, step in enumerate(steps)
    ]


# ---------------------------------------------------------------- one framing or not


def test_frames_that_look_the_same_way_are_repeats() -> None:
    shots = [
        shot(i, picture(LIGHT, down=i, right=-2 * i), second=1.25 * i, energy=0.2 + 0.02 * i)
        for i in range(3)
    ]

    assert found_in(shots) == [("repeat", [0, 1, 2])]


@pytest.mark.parametrize(
    "changes",
    [
        {"focal_mm": 70.0},
        {"second": LONGEST_IDLE_S + 5},
        {"body_serial": "other"},
        {"size_px": (4000, 6000)},
        {"composite": True},
        {"orientation": 6},
        {"file_format": "dng"},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_what_the_camera_wrote_keeps_frames_apart(changes: dict[str, object]) -> None:
    """Focal length, time, body, shape, in-camera composite, orientation, raw or developed."""
    settings: dict[str, object] = {"second": 2.0, **changes}

    assert found_in([shot(0, SAME), shot(1, SAME, **settings)]) == []  # type: ignore[arg-type]


def test_frames_of_other_places_are_no_series() -> None:
    assert found_in([shot(0, SAME), shot(1, OTHER, second=2), shot(2, SAME, second=4)]) == []


def test_a_blank_sky_proves_no_framing() -> None:
    sky = np.full((ROWS, COLS), 150, np.uint8)
    rng = np.random.default_rng(3)
    shots = [
        shot(i, (sky + rng.integers(-1, 2, sky.shape)).astype(np.uint8), second=3 * i)
        for i in range(4)
    ]

    assert found_in(shots) == []


def test_frames_without_a_picture_have_no_series() -> None:
    assert found_in([shot(0, None), shot(1, None, second=1)]) == []


def test_missing_times_and_missing_focal_length_do_not_hinder() -> None:
    shots = [
        shot(i, SAME, second=None, focal_mm=None, focal_35mm_mm=None, energy=0.2 + i / 10)
        for i in range(2)
    ]

    assert found_in(shots) == [("repeat", [0, 1])]


def test_a_repeat_goes_on_over_the_wrap_of_the_counter() -> None:
    shots = [
        shot(i, SAME, name=name, second=4)
        for i, name in enumerate(["QT3_9999.jpg", "QT3_0001.jpg"])
    ]

    assert found_in(shots) == [("repeat", [0, 1])]


def test_one_pair_a_frame_is_registered() -> None:
    """The cost must not grow with the square of a series' length."""
    views = Views()
    groups([shot(i, SAME, second=i) for i in range(8)], views)

    assert views.pairs <= 8


def test_series_do_not_depend_on_the_order_of_the_input() -> None:
    shots = [*bracket_shots((0, -2, 2)), shot(7, OTHER, second=60), shot(8, OTHER, second=62)]
    shuffled = random.Random(2).sample(shots, len(shots))

    def records(some: Sequence[Shot]) -> list[object]:
        return [series_record(each, n) for n, each in enumerate(series(some), start=1)]

    assert records(shuffled) == records(shots)
    assert [each.kind for each in series(shots)] == ["exposure-bracket", "repeat"]


# ---------------------------------------------------------------- brackets


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ((0, -2, 2), [3]),
        ((0, -1, 1, -2, 2), [5]),
        ((-3, -1.5, 0, 1.5, 3), [5]),
        ((0, -2, 2, 0, -2, 2), [3, 3]),
        ((0, 0, -2, -2, 2, 2), [6]),
        ((0, -2, 2, 0, -2), [3, 2]),
    ],
    ids=["three", "five", "halves", "doubled bracket", "doubled frames", "broken off"],
)
def test_brackets_are_found_and_cut_where_an_exposure_comes_again(
    steps: Sequence[float], expected: list[int]
) -> None:
    found = series(bracket_shots(steps))

    assert {each.kind for each in found} == {"exposure-bracket"}
    assert [len(each.shots) for each in found] == expected


def test_a_test_frame_before_an_automatic_bracket_is_none_of_it() -> None:
    shots = [shot(0, SAME), *bracket_shots((0, -2, 2), first=1, second=3.0)]

    assert found_in(shots) == [("exposure-bracket", [1, 2, 3])]


def test_repeats_before_a_bracket_by_hand_stay_repeats() -> None:
    steps = (0, 0, 0, 0, -2, 2)
    shots = [
        shot(i, picture(LIGHT, gain_ev=step), second=2.0 * i, shutter_s=2.0**step / 64)
        for i, step in enumerate(steps)
    ]

    assert found_in(shots) == [("repeat", [0, 1, 2]), ("exposure-bracket", [3, 4, 5])]


def test_a_frame_that_lost_all_detail_joins_its_automatic_bracket() -> None:
    white = np.full((ROWS, COLS), 255, np.uint8)
    shots = bracket_shots((0, -2))
    lost = {"second": 1.0, "shutter_s": 4 / 64}

    in_bracket = found_in([*shots, shot(2, white, **lost, auto_bracket=True)])
    by_hand = found_in([*shots, shot(2, white, **lost)])
    late = found_in([*shots, shot(2, white, second=2.5 + BRACKET_IDLE_S, auto_bracket=True)])

    assert in_bracket == [("exposure-bracket", [0, 1, 2])]
    assert by_hand == late == [("exposure-bracket", [0, 1])]


def test_a_plain_frame_goes_on_in_the_bracket_that_the_camera_tells_of() -> None:
    """A soft slope of light proves no place; ExposureMode 2 says what it is (CIPA DC-008)."""
    slope = np.linspace(0.05, 0.4, 296)[None, :] * np.ones((211, 1))
    taken = [(0.0, 1 / 60), (0.5, 1 / 480), (1.0, 1 / 8)]

    def grouped(**more: bool) -> int:
        shots = [
            shot(n, picture(slope, gain_ev=np.log2(60 * t)), second=s, shutter_s=t, **more)
            for n, (s, t) in enumerate(taken)
        ]
        return len(found_in(shots))

    assert grouped(auto_bracket=True) == 1
    assert grouped() == 0


def test_a_bracket_ends_where_an_exposure_comes_again_or_the_camera_is_turned() -> None:
    slope = picture(np.linspace(0.05, 0.4, 296)[None, :] * np.ones((211, 1)))
    wide = scene(5, COLS + 40, 2 * COLS)
    times = (1 / 60, 1 / 480, 1 / 60)
    again = [
        shot(n, slope, second=n / 2, shutter_s=t, auto_bracket=True) for n, t in enumerate(times)
    ]
    turned = [
        shot(n, picture(wide, right=right), second=n / 2, shutter_s=t, auto_bracket=True)
        for n, (t, right) in enumerate(zip(times[:2], (0, COLS // 2), strict=True))
    ]

    assert all(len(each.shots) < 3 for each in series(again))
    assert found_in(turned) == []


def test_settings_that_change_while_the_light_holds_are_no_bracket() -> None:
    """A grey filter of 3 stops: the time is eight times as long, the picture as bright."""
    shots = [shot(0, SAME), shot(1, SAME, second=20, shutter_s=8 / 60)]

    assert found_in(shots) == [("shutter-variants", [0, 1])]


# ---------------------------------------------------------------- told by the camera


def test_a_sequence_that_the_camera_declares_is_believed() -> None:
    """DNG 1.7.1, ImageSequenceInfo; nothing else would join these frames."""
    shots = [
        shot(i, grey, second=200 * i, sequence=f"A1B2C3D4/focus bracket/{i}/4")
        for i, grey in enumerate([SAME, OTHER, SAME])
    ]

    (found,) = series(shots)

    assert (found.kind, len(found.shots)) == ("focus-bracket", 3)
    assert "Incomplete: the camera counted 4 frames, 3 are here." in found.notes


def test_frames_of_a_time_lapse_are_kept_whole() -> None:
    shots = [shot(i, SAME, second=i, sequence=f"A1B2C3D4/time lapse/{i}/2") for i in range(2)]

    (found,) = series(shots)

    assert found.best is None
    assert not found.spare


def test_composites_of_the_camera_are_repeats_at_most() -> None:
    """Exif CompositeImage: one frame of several exposures, whose written time means nothing."""
    shots = [
        shot(i, SAME, second=3 * i, composite=True, shutter_s=4.0**i / 60, energy=0.1 + i / 10)
        for i in range(2)
    ]

    assert found_in(shots) == [("repeat", [0, 1])]
