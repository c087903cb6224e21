"""A vibration window on the tripod: times at which shutter or mirror smear frames.

Each range of whole stops inside the window that practice knows is compared with all other times of
tripod-like places. Wind smears too, so the smears must come from several places and run along the
shutter's travel.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from audit.diagnose.softness import seconds
from audit.optics.exposure import shutter_tv
from audit.optics.shake import VibrationWindow, vibration_window
from audit.trip.statistics import (
    Tally,
    confidence_of,
    is_sure,
    oftener_p,
    share_high,
    share_low,
)
from audit.trip.taken import Taken, grouped
from audit.trip_records import TripStatement, Untold

LEAST_INSIDE = 10
"""Scenes in the window before it is called quiet: if none of ten moved, the share is under 26 %
with the confidence of `QUIET_LEVEL` (binomial)."""

QUIET_LEVEL = 0.95
"""One-sided confidence that no more than that moved (common practice)."""

LEAST_PLACES = 3
"""Places that the smears must come from: wind at one place is no vibration (project's choice)."""

QUIET_SHARE = 0.35
"""Upper bound of the share that moved up to which the window is called quiet: of ten scenes none,
of 13 one (project's choice)."""

ALONG_SHARE = 0.6
"""Share of the smears along the shutter's travel; directions at random would give 0.28 within the
25 degrees of the rule (project's choice, halfway to all)."""

SUBJECT = "tripod"


class Scene(NamedTuple):
    """Frames of one scene at one stop of time, on a tripod."""

    stop: int
    shutter_s: float
    place: int
    is_smeared: bool
    is_along: bool
    is_inside: bool
    frames: int


def vibrations(shots: Sequence[Taken]) -> Iterator[TripStatement | Untold]:
    """Tell whether times inside the window smear frames of tripod-like places.

    Parameters
    ----------
    shots : sequence of Taken

    Yields
    ------
    TripStatement or Untold
        One of both, where there are tripod-like places at all.
    """
    scenes = list(_scenes(shots))
    if not scenes:
        return
    inside = [scene for scene in scenes if scene.is_inside]
    ranges = list(_ranges(inside))
    worst = min(ranges, key=lambda each: _p(each, scenes), default=None)
    if worst is not None and _is_vibration(worst, _p(worst, scenes), len(ranges)):
        yield _seen(worst, scenes, _p(worst, scenes), len(ranges))
    elif len(inside) >= LEAST_INSIDE and _high(inside) <= QUIET_SHARE:
        yield _quiet(inside)
    else:
        yield Untold(
            question="vibration",
            subject=SUBJECT,
            scenes=len(inside),
            reason=(
                f"the camera moved in {_tally(inside).hits} of {len(inside)} scenes of tripod-like "
                "places between 1/160 s and 1/4 s: neither quiet nor clearly worse than other times"
            ),
        )


def _scenes(shots: Sequence[Taken]) -> Iterator[Scene]:
    def key(shot: Taken) -> tuple[int, int] | None:
        shutter_s = shot.exposure.shutter_s
        if shot.held != "tripod-like" or not shutter_s or shot.is_smeared is None:
            return None
        return shot.scene, -round(shutter_tv(shutter_s))

    for (_, stop), members in grouped(shots, key).items():
        moved = [shot for shot in members if shot.is_smeared]
        shutter_s = max(shot.exposure.shutter_s or 0.0 for shot in members)
        yield Scene(
            stop=stop,
            shutter_s=shutter_s,
            place=members[0].place,
            is_smeared=len(moved) * 2 >= len(members),
            is_along=any(shot.carries("vibration-window") for shot in moved),
            is_inside=vibration_window(shutter_s) is not VibrationWindow.OUTSIDE,
            frames=len(members),
        )


def _ranges(inside: Sequence[Scene]) -> Iterator[list[Scene]]:
    """Every run of neighbouring stops inside the window."""
    stops = sorted({scene.stop for scene in inside})
    for first in stops:
        for last in (stop for stop in stops if stop >= first):
            yield [scene for scene in inside if first <= scene.stop <= last]


def _p(chosen: Sequence[Scene], scenes: Sequence[Scene]) -> float:
    within = _tally(chosen)
    total = _tally(scenes)
    rest = Tally(total.hits - within.hits, total.of - within.of)
    return oftener_p(within, rest) if rest.of else 1.0


def _tally(scenes: Sequence[Scene]) -> Tally:
    return Tally(sum(scene.is_smeared for scene in scenes), len(scenes))


def _high(inside: Sequence[Scene]) -> float:
    return share_high(_tally(inside), QUIET_LEVEL)


def _is_vibration(chosen: Sequence[Scene], p: float, looks: int) -> bool:
    moved = [scene for scene in chosen if scene.is_smeared]
    along = sum(scene.is_along for scene in moved)
    return (
        is_sure(p, looks)
        and len({scene.place for scene in moved}) >= LEAST_PLACES
        and along >= ALONG_SHARE * len(moved)
    )


def _seen(chosen: Sequence[Scene], scenes: Sequence[Scene], p: float, looks: int) -> TripStatement:
    tally, total = _tally(chosen), _tally(scenes)
    places = len({scene.place for scene in chosen if scene.is_smeared})
    short_s, long_s = (end(scene.shutter_s for scene in chosen) for end in (min, max))
    return TripStatement(
        question="vibration",
        subject=SUBJECT,
        message=(
            f"On a tripod the camera shook in {tally.hits} of {tally.of} scenes at "
            f"{_between(short_s, long_s)}, at {places} places and mostly along the shutter's "
            f"travel, and in {total.hits - tally.hits} of {total.of - tally.of} at other times."
        ),
        advice=(
            "Use an electronic first curtain, or mirror lock-up with a delay, or a time outside "
            f"{_between(short_s, long_s)}."
        ),
        value=tally.share,
        unit="share",
        low=share_low(tally, 0.975),
        high=share_high(tally, 0.975),
        frames=sum(scene.frames for scene in scenes),
        scenes=total.of,
        confidence=confidence_of(p, looks),
        is_habit=True,
    )


def _quiet(inside: Sequence[Scene]) -> TripStatement | Untold:
    tally, high = _tally(inside), _high(inside)
    return TripStatement(
        question="vibration",
        subject=SUBJECT,
        message=(
            f"On a tripod no vibration stands out between 1/160 s and 1/4 s: the camera moved in "
            f"{tally.hits} of {tally.of} scenes there, so in at most {100 * high:.0f} %."
        ),
        value=tally.share,
        unit="share",
        low=share_low(tally, QUIET_LEVEL),
        high=high,
        frames=sum(scene.frames for scene in inside),
        scenes=tally.of,
        confidence=QUIET_LEVEL,
        is_habit=False,
    )


def _between(short_s: float, long_s: float) -> str:
    first, last = seconds(short_s), seconds(long_s)
    return first if first == last else f"{first} to {last}"
