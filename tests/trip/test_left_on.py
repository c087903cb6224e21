"""Runs of a setting: what was meant is left alone."""

from itertools import chain

import msgspec
import pytest
from simulated_trip import trip_of

from audit.records import AuditedFrame, Exposure, Report
from audit.trip.left_on import left_on
from audit.trip.taken import taken

EVENING_EV, DAY_EV = 3.0, 12.0
MINUTES = (0, 1, 2, 3, 4, 25, 26, 27, 28, 29)


def frames(
    day: int, hour: int, count: int, *, iso: float = 64.0, ev100: float = DAY_EV, bias: float = 0.0
) -> list[Exposure]:
    """Ten frames an hour, at two places."""
    return [
        Exposure(
            model="VK-50",
            shutter_s=1 / 100,
            focal_35mm_mm=35.0,
            iso=iso,
            ev100=ev100,
            bias_ev=bias,
            taken_at=f"2031-05-{day:02d}T{hour + at // 10:02d}:{MINUTES[at % 10]:02d}:00",
        )
        for at in range(count)
    ]


def said(*exposures: list[Exposure]) -> list[str]:
    quiet = trip_of(None, 3)
    rows: tuple[AuditedFrame, ...] = tuple(
        msgspec.structs.replace(quiet.frames[0], file=f"{at:04d}.dng", exposure=each, series=None)
        for at, each in enumerate(chain(*exposures))
    )
    report: Report = msgspec.structs.replace(quiet, frames=rows)
    return [each.message for each in left_on(taken(report))]


def test_an_iso_of_the_evening_that_ran_into_the_day_is_a_question() -> None:
    (message,) = said(
        frames(3, 10, 30),
        frames(3, 21, 5, iso=1600.0, ev100=EVENING_EV),
        frames(4, 8, 20, iso=1600.0),
        frames(4, 12, 20),
    )

    assert message.startswith("ISO 1600 stayed on for 20 frames from 2031-05-04 08:00")
    assert "50 of 50 other frames used ISO 400 or less" in message
    assert message.endswith("was it left from before?")


@pytest.mark.parametrize(
    "run",
    [
        # Raised and lowered in one light: against wind.
        [frames(3, 10, 30), frames(4, 8, 20, iso=1600.0), frames(4, 12, 20)],
        # As dark in the morning as in the evening.
        [
            frames(3, 10, 30),
            frames(3, 21, 5, iso=1600.0, ev100=EVENING_EV),
            frames(4, 5, 20, iso=1600.0, ev100=EVENING_EV),
            frames(4, 12, 20),
        ],
        # Everything in that light was taken so.
        [frames(3, 21, 5, iso=1600.0, ev100=EVENING_EV), frames(4, 8, 20, iso=1600.0)],
        # Put back after a few frames.
        [
            frames(3, 10, 30),
            frames(3, 21, 5, iso=1600.0, ev100=EVENING_EV),
            frames(4, 8, 6, iso=1600.0),
            frames(4, 12, 20),
        ],
    ],
    ids=["wind", "dark morning", "own practice", "few"],
)
def test_an_iso_that_was_meant_is_none(run: list[list[Exposure]]) -> None:
    assert said(*run) == []


def test_a_compensation_that_ran_over_the_night_is_a_question() -> None:
    run = [frames(3, 10, 30), frames(3, 20, 5, bias=1.0), frames(4, 8, 20, bias=1.0)]

    assert len(said(*run, frames(4, 10, 10))) == 1
    assert said(*run) == []  # never put back: nobody noticed anything
    assert said(frames(3, 10, 30), frames(4, 8, 20, bias=1.0), frames(4, 10, 10)) == []
