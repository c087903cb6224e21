"""Scenes, places and supports, on frames with made times."""

import msgspec
from simulated_trip import trip_of

from audit.records import AuditedFrame, Exposure, Report, Series
from audit.trip.taken import taken

BASE = Exposure(
    model="VK-50", body_serial="0042", shutter_s=1 / 125, focal_mm=50.0, focal_35mm_mm=50.0
)


def report_of(*exposures: Exposure, series: str | None = None) -> Report:
    quiet = trip_of(None, 3)
    frames: tuple[AuditedFrame, ...] = tuple(
        msgspec.structs.replace(quiet.frames[0], file=f"{at}.dng", exposure=each, series=series)
        for at, each in enumerate(exposures)
    )
    kept = Series(id="S01", kind="exposure-bracket", files=(), best=None, order=(), notes=())
    return msgspec.structs.replace(quiet, frames=frames, series=(kept,))


def at(time: str | None, **changes: object) -> Exposure:
    day = None if time is None else f"2031-05-03T{time}"
    return msgspec.structs.replace(BASE, taken_at=day, **changes)


def test_frames_half_a_minute_apart_are_one_scene_and_ten_minutes_apart_one_place() -> None:
    shots = taken(
        report_of(
            at("10:00:00"), at("10:00:30"), at("10:01:01.5"), at("10:11:01.5"), at("10:22:00")
        )
    )

    assert [shot.scene for shot in shots] == [0, 0, 1, 2, 3]
    assert [shot.place for shot in shots] == [0, 0, 0, 0, 1]


def test_frames_of_a_series_are_one_scene_however_long_it_took() -> None:
    shots = taken(report_of(at("10:00:00"), at("10:05:00"), series="S01"))

    assert [shot.scene for shot in shots] == [0, 0]
    assert all(shot.in_bracket for shot in shots)


def test_bodies_are_kept_apart_and_frames_without_a_time_stand_alone() -> None:
    shots = taken(
        report_of(
            at("10:00:00"), at("10:00:01", body_serial="0043"), at(None), at(None), at("oops")
        )
    )

    assert len({shot.scene for shot in shots}) == 5
    assert len({shot.place for shot in shots}) == 5


def test_one_time_for_a_support_tells_of_its_whole_place() -> None:
    """Eight times one over 50 mm is 0.16 s."""
    shots = taken(
        report_of(at("10:00:00"), at("10:02:00", shutter_s=0.16), at("11:00:00", shutter_s=0.15))
    )

    assert [shot.held for shot in shots] == [
        "tripod-like",
        "tripod-like",
        "no sign of a tripod",
    ]


def test_a_make_that_the_model_repeats_is_named_once() -> None:
    (shot,) = taken(report_of(at(None, make="Velmark", model="VELMARK VK-50")))

    assert shot.body == "VELMARK VK-50 0042"
