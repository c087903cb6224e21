"""What is kept between runs gives what finding it anew gives, and is found anew after any change.

Truth: the same functions without a memory.
"""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace

import msgspec
import numpy as np
import planted_sweep
import pytest
from numpy.typing import NDArray
from planted_shots import picture, scene, shot
from planted_sweep import Pose

from audit.records import Series
from audit.series.found import FoundSeries, series_record
from audit.series.framing import LONGEST_IDLE_S, Group, Views, groups
from audit.series.group import find_series
from audit.series.remembered import Remembered
from audit.series.shot import Shot
from audit.series.sweep import sweeps
from audit.settings import Limits, Settings

LIGHT, OTHER = scene(1), scene(2)
WORLD = planted_sweep.world(5)


class Memory:
    """Keeps in a dictionary."""

    def __init__(self) -> None:
        self.values: dict[tuple[str, bytes], bytes] = {}

    def found(self, name: str, inputs: bytes) -> bytes | None:
        return self.values.get((name, inputs))

    def keep(self, name: str, inputs: bytes, value: bytes) -> None:
        self.values[name, inputs] = value


def known(one: Shot) -> Shot:
    """A frame whose picture has its digest, as from the store."""
    grey = one.picture()
    assert grey is not None
    return replace(one, picture_digest=hashlib.blake2b(grey.tobytes()).digest())


def card() -> list[Shot]:
    """Repeats, a bracket of three, a frame alone and a sweep of three, minutes apart."""
    repeats = [shot(i, picture(LIGHT, down=i), second=2.0 * i, energy=0.2 + i / 9) for i in (0, 1)]
    bracket = [
        shot(
            2 + i,
            picture(OTHER, gain_ev=ev),
            second=300 + 0.5 * i,
            shutter_s=2.0**ev / 64,
            auto_bracket=True,
        )
        for i, ev in enumerate((0, -2, 2))
    ]
    alone = shot(5, picture(scene(3)), second=500)
    poses = [Pose(yaw_deg=19.0 * i, upright=True) for i in range(3)]
    sweep = [
        planted_sweep.shot(6 + i, planted_sweep.picture(WORLD, pose, i), pose, 900 + 5.0 * i)
        for i, pose in enumerate(poses)
    ]
    return [known(each) for each in (*repeats, *bracket, alone, *sweep)]


def unasked(one: Shot) -> Shot:
    """The same frame, whose picture must not be asked for."""

    def fail() -> NDArray[np.uint8] | None:
        raise AssertionError(f"the picture of {one.name} was asked for")

    return replace(one, picture=fail)


Told = list[tuple[Series, dict[int, dict[str, str]], dict[int, str]]]


def told(found: Sequence[FoundSeries]) -> Told:
    """All that a report takes from series."""
    return [
        (
            series_record(each, 1),
            {at: dict(excuses) for at, excuses in each.excuses.items()},
            dict(each.spare),
        )
        for each in found
    ]


def found(
    shots: Sequence[Shot], memory: Memory | None = None, settings: Settings | None = None
) -> Told:
    return told(find_series(shots, settings or Settings(), memory))


def test_a_second_run_finds_the_same_and_looks_at_no_picture() -> None:
    memory = Memory()

    anew = found(card())
    first = found(card(), memory)
    second = found([unasked(each) for each in card()], memory)

    assert [series.kind for series, *_ in anew] == ["repeat", "exposure-bracket", "panorama"]
    assert first == anew
    assert second == anew


def with_exposure(one: Shot, **changes: object) -> Shot:
    exposure = msgspec.structs.replace(one.exposure, **changes)
    return replace(one, row=msgspec.structs.replace(one.row, exposure=exposure))


def other_picture(one: Shot) -> Shot:
    grey = picture(scene(9))
    return known(replace(one, picture=lambda: grey))


@pytest.mark.parametrize(
    ("place", "change"),
    [
        (1, other_picture),
        (1, lambda one: with_exposure(one, focal_mm=70.0)),
        (1, lambda one: with_exposure(one, taken_at="2026-09-12T10:02:30")),
        (7, lambda one: with_exposure(one, taken_at="2026-09-12T10:40:00")),
        (7, lambda one: with_exposure(one, aperture_n=16.0)),
    ],
    ids=["picture", "zoom", "time", "time in a sweep", "aperture in a sweep"],
)
def test_a_changed_frame_is_registered_anew(place: int, change: Callable[[Shot], Shot]) -> None:
    memory = Memory()
    before = found(card(), memory)
    changed = [change(each) if each.place == place else each for each in card()]

    after = found(changed, memory)

    assert after == found(changed)
    assert after != before


def test_a_change_costs_the_pictures_near_in_time_alone() -> None:
    memory = Memory()
    found(card(), memory)
    changed = [
        other_picture(each) if each.place == 1 else each if each.place == 0 else unasked(each)
        for each in card()
    ]

    assert [series.kind for series, *_ in found(changed, memory)] == [
        "exposure-bracket",
        "panorama",
    ]


def test_a_changed_limit_judges_a_kept_sweep_anew() -> None:
    memory = Memory()
    found(card(), memory)
    strict = Settings(limits=Limits(thin_overlap_share=0.5))

    (panorama,) = (s for s, *_ in found(card(), memory, strict) if s.kind == "panorama")

    assert panorama.panorama is not None
    assert len(panorama.panorama.thin_pairs) == 2
    assert (panorama,) == tuple(s for s, *_ in found(card(), None, strict) if s.kind == "panorama")


def test_options_that_judge_nothing_cost_nothing() -> None:
    memory = Memory()
    first = found(card(), memory)

    second = found([unasked(each) for each in card()], memory, Settings(jobs=3, fresh=True))

    assert second == first


def lost(one: Shot) -> Shot:
    return replace(one, picture=lambda: None)


def undigested(one: Shot) -> Shot:
    return replace(one, picture_digest=None)


@pytest.mark.parametrize("fault", [lost, undigested])
@pytest.mark.parametrize("place", [1, 7])
def test_what_was_found_without_a_picture_is_not_kept(
    place: int, fault: Callable[[Shot], Shot]
) -> None:
    """A store that cannot be read for a moment must not spoil later runs."""
    memory = Memory()
    broken = [fault(each) if each.place == place else each for each in card()]

    found(broken, memory)

    assert found(card(), memory) == found(card())
    missing = [undigested(lost(each)) if each.place == place else each for each in card()]
    assert found(missing, memory) == found(missing)


def places(parts: Sequence[Group]) -> list[list[int]]:
    return [[member.shot.place for member in group] for group in parts]


@pytest.mark.parametrize("pause_s", [LONGEST_IDLE_S - 1, LONGEST_IDLE_S + 1])
def test_cutting_at_long_pauses_changes_nothing(pause_s: float) -> None:
    """Groups and sweeps of the pieces are those of the whole."""
    grey = picture(LIGHT)
    pauses = [shot(i, grey, second=i * (pause_s + 0.02), shutter_s=0.02) for i in range(3)]
    stream = [known(each) for each in pauses]
    views = Views()
    parts = groups(stream, views)

    layouts = list(Remembered(Views(), None).layouts(stream))

    assert places(parts) == [group for each in layouts for group in places(each.groups)]
    assert len(layouts) == (1 if pause_s < LONGEST_IDLE_S else 3)


def test_cutting_a_whole_card_changes_nothing() -> None:
    shots, views = card(), Views()
    parts = groups(shots, views)

    layouts = list(Remembered(Views(), None).layouts(shots))

    assert places(parts) == [group for each in layouts for group in places(each.groups)]
    assert [places(each.positions) for each in sweeps(parts, views)] == [[[6], [7], [8]]]
    assert [places(s.positions) for each in layouts for s in each.sweeps] == [[[6], [7], [8]]]


def test_a_layout_comes_back_to_the_last_bit() -> None:
    views = Views()
    shots = card()[6:]
    parts = groups(shots, views)
    (sweep,) = sweeps(parts, views)

    (layout,) = Remembered(Views(), None).layouts(shots)
    (kept,) = layout.sweeps

    for one, two in zip(sweep.joints, kept.joints, strict=True):
        assert np.array_equal(one.link.rotation, two.link.rotation)
        assert one.link._replace(rotation=None) == two.link._replace(rotation=None)  # type: ignore[arg-type]
    for i, rotation in sweep.rotations.items():
        assert np.array_equal(rotation, kept.rotations[i])
    assert (sweep.bend, sweep.breaks, sweep.layout) == (kept.bend, kept.breaks, kept.layout)
    assert [each.place for each in kept.shots] == [6, 7, 8]
    assert all(mine in layout.groups for mine in kept.positions)
