"""The order of the frames: bodies apart, clocks, equal seconds, counters, missing times."""

import random

from planted_shots import shot

from audit.series.shot import Shot
from audit.series.timeline import streams


def names(stream: list[Shot]) -> list[str]:
    return [each.name for each in stream]


def test_two_bodies_are_kept_apart_whatever_their_clocks_say() -> None:
    one = [shot(i, None, name=f"a{i}.jpg", second=2.0 * i, body_serial="1") for i in range(3)]
    two = [shot(9 + i, None, name=f"b{i}.jpg", second=2.0 * i, body_serial="2") for i in range(3)]

    found = streams([*two, *one])

    assert [names(stream) for stream in found] == [
        ["a0.jpg", "a1.jpg", "a2.jpg"],
        ["b0.jpg", "b1.jpg", "b2.jpg"],
    ]


def test_the_order_does_not_depend_on_that_of_the_input() -> None:
    shots = [shot(i, None, second=(7 * i) % 10 + 0.25) for i in range(10)]
    shuffled = random.Random(4).sample(shots, len(shots))

    assert streams(shuffled) == streams(shots)


def test_sub_seconds_come_before_names() -> None:
    late = shot(0, None, name="QT3_0001.jpg", second=1.75)
    early = shot(1, None, name="QT3_0002.jpg", second=1.25)

    assert names(streams([late, early])[0]) == ["QT3_0002.jpg", "QT3_0001.jpg"]


def test_frames_of_one_second_follow_the_counter_over_its_wrap() -> None:
    """DCF file names count to 9999 and go on with 0001 (JEITA CP-3461, from memory)."""
    files = ["QT3_0001.jpg", "QT3_9998.jpg", "QT3_0002.jpg", "QT3_9999.jpg"]
    shots = [shot(i, None, name=name, second=5) for i, name in enumerate(files)]

    assert names(streams(shots)[0]) == [
        "QT3_9998.jpg",
        "QT3_9999.jpg",
        "QT3_0001.jpg",
        "QT3_0002.jpg",
    ]


def test_counters_of_other_lengths_are_compared_as_numbers() -> None:
    shots = [
        shot(i, None, name=name, second=None) for i, name in enumerate(["f-10.jpg", "f-9.jpg"])
    ]

    assert names(streams(shots)[0]) == ["f-9.jpg", "f-10.jpg"]


def test_frames_without_a_time_make_a_stream_of_their_own() -> None:
    shots = [
        shot(0, None, name="b.jpg", second=None),
        shot(1, None, name="timed.jpg", second=3),
        shot(2, None, name="a.jpg", second=None),
    ]

    assert [names(stream) for stream in streams(shots)] == [["a.jpg", "b.jpg"], ["timed.jpg"]]


def test_a_clock_moved_to_another_zone_stays_in_order() -> None:
    """10:00 at +02:00 is 08:00 UTC, before 09:30 at +01:00, which is 08:30 UTC."""
    before = shot(0, None, name="a.jpg", taken_at="2026-09-12T10:00:00", utc_offset="+02:00")
    after = shot(1, None, name="b.jpg", taken_at="2026-09-12T09:30:00", utc_offset="+01:00")

    assert names(streams([after, before])[0]) == ["a.jpg", "b.jpg"]


def test_half_a_card_without_zones_is_ordered_by_local_time() -> None:
    one = shot(0, None, name="a.jpg", taken_at="2026-09-12T10:00:00", utc_offset="+02:00")
    two = shot(1, None, name="b.jpg", taken_at="2026-09-12T09:30:00")

    assert names(streams([one, two])[0]) == ["b.jpg", "a.jpg"]
