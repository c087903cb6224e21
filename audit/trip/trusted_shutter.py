"""Shutter times against focal length: what held, and the time that a hand can be trusted with.

Exif does not say whether there was a tripod. A place with a time that is meant for a support counts
as tripod-like as a whole; the rest shows no sign of one. Whether a frame moved is told by the
shape of its blur alone, which knows nothing of the time. So a focus that missed, or a small
aperture that happens to go with long times, is not laid to the hand.
"""

import math
from collections.abc import Iterator, Sequence
from statistics import median
from typing import NamedTuple

from audit.diagnose.softness import seconds
from audit.optics.exposure import shutter_tv
from audit.optics.shake import reciprocal_shutter_s
from audit.trip.best_aperture import focal_words
from audit.trip.statistics import Tally, confidence_of, is_sure, oftener_p, share_high, share_low
from audit.trip.taken import Taken, grouped, scenes_words
from audit.trip_records import Held, ShutterRow, TripStatement, Untold

FOCAL_BOUNDS_MM = (24.0, 35.0, 70.0, 135.0)
"""Borders of the ranges, 35 mm equivalent (project's choice; those of common lenses)."""

TRUSTED_SHARE = 0.75
"""Share of scenes without movement at which a time is trusted (project's choice)."""

TRUST_LEVEL = 0.95
"""One-sided confidence that the share is really reached: 11 of 11 scenes, or 17 of 18
(project's choice). A time is no habit, so it may be less sure than a statement on one."""

WIDEST_BLOCK_EV = 2
"""Stops that are taken together where one has too few scenes (project's choice)."""

LOST_SHARE = 0.15
"""Share of scenes that longer times must surely cost before they are named: one in seven
(project's choice). A hand loses some frames at any time."""

FILM_RULES = (1.0, 1 / 4)
"""Borders that are tried, as parts of one over the 35 mm equivalent: fixed beforehand, so that each
is an honest test; the shorter one is for pixels finer than film (project's choice)."""

ROUNDING = 1.01
"""So that 1/50 s at 50 mm is no longer than 1/focal length."""

Row = tuple[Held, int, int]


class Scene(NamedTuple):
    """Frames of one scene at one time and range of focal lengths."""

    shutter_s: float
    is_smeared: bool
    frames: int
    film_rule_s: float


class Split(NamedTuple):
    """Scenes on both sides of a border, a part of the film rule's time, and the chance of it."""

    p: float
    border: float
    longer: list[Scene]
    shorter: list[Scene]


def shutter_rows(shots: Sequence[Taken]) -> tuple[ShutterRow, ...]:
    """Count what held and what moved, by how the camera was held, focal length and time."""
    return tuple(
        ShutterRow(
            held=held,
            focal_low_mm=min(shot.focal_35mm_mm or math.inf for shot in members),
            focal_high_mm=max(shot.focal_35mm_mm or 0.0 for shot in members),
            shutter_s=max(shot.exposure.shutter_s or 0.0 for shot in members),
            frames=len(members),
            kept=sum(bool(shot.holds) for shot in members),
            smeared=sum(bool(shot.is_smeared) for shot in members),
        )
        for (held, _, _), members in sorted(
            grouped((shot for shot in shots if shot.holds is not None), _row_key).items()
        )
    )


def trusted_shutters(
    shots: Sequence[Taken], *, is_tripod_shaken: bool = False
) -> Iterator[TripStatement | Untold]:
    """Tell what a hand can be trusted with, and whether longer times cost frames.

    Parameters
    ----------
    shots : sequence of Taken

    is_tripod_shaken : bool
        A vibration window was seen. A tripod that left no sign may then shake too, so that smears
        along the shutter's travel are no evidence against a hand.

    Yields
    ------
    TripStatement or Untold
        For each range of focal lengths with frames that show no sign of a tripod.
    """
    ranges = sorted(grouped(shots, _hand_range).items())
    subjects = [_subject(members) for _, members in ranges]
    for subject, (_, members) in zip(subjects, ranges, strict=True):
        scenes = _scenes(members)
        longest = _trusted(scenes)
        if longest is not None:
            yield _trust(subject, scenes, longest)
        else:
            yield Untold(
                question="trusted-shutter",
                subject=subject,
                scenes=len(scenes),
                reason=_why_not(scenes),
            )
    suspects = [
        _scenes([s for s in members if not (is_tripod_shaken and s.carries("vibration-window"))])
        for _, members in ranges
    ]
    yield from _slow_ranges(subjects, suspects)


def _subject(shots: Sequence[Taken]) -> str:
    focal_mm = [shot.focal_35mm_mm or 0.0 for shot in shots]
    return f"{focal_words(min(focal_mm), max(focal_mm))} (35 mm equivalent)"


def _row_key(shot: Taken) -> Row | None:
    focal_mm, shutter_s = shot.focal_35mm_mm, shot.exposure.shutter_s
    if focal_mm is None or not shutter_s:
        return None
    return shot.held, _range_of(focal_mm), -round(shutter_tv(shutter_s))


def _hand_range(shot: Taken) -> int | None:
    focal_mm = shot.focal_35mm_mm
    if shot.held == "tripod-like" or focal_mm is None or not shot.exposure.shutter_s:
        return None
    return None if shot.is_smeared is None else _range_of(focal_mm)


def _range_of(focal_mm: float) -> int:
    return sum(focal_mm >= bound for bound in FOCAL_BOUNDS_MM)


def _scenes(shots: Sequence[Taken]) -> list[Scene]:
    """One entry a scene and stop of time, shortest time first."""
    stops = grouped(
        shots, lambda shot: (shot.scene, round(shutter_tv(shot.exposure.shutter_s or 1)))
    )
    found = [
        Scene(
            shutter_s=max(shot.exposure.shutter_s or 0.0 for shot in members),
            is_smeared=sum(bool(shot.is_smeared) for shot in members) * 2 >= len(members),
            frames=len(members),
            film_rule_s=median(reciprocal_shutter_s(shot.focal_35mm_mm or 1) for shot in members),
        )
        for members in stops.values()
    ]
    return sorted(found, key=lambda scene: scene.shutter_s)


def _trusted(scenes: Sequence[Scene]) -> list[Scene] | None:
    """Scenes of the longest trusted times; the first times that fail end the search.

    Tested in a fixed order, short to long, each block keeps the whole level. Blocks are made from
    counts alone, never from what moved.
    """
    trusted = None
    for block in _blocks(_within_film_rule(scenes)):
        steady = sum(not scene.is_smeared for scene in block)
        if share_low(Tally(steady, len(block)), TRUST_LEVEL) < TRUSTED_SHARE:
            break
        trusted = block
    return trusted


def _within_film_rule(scenes: Sequence[Scene]) -> list[Scene]:
    """Scenes that one over the focal length allows a hand.

    A longer time that is sharp is more likely to be a tripod that left no sign, and must not be
    trusted from the hand.
    """
    return [scene for scene in scenes if scene.shutter_s <= ROUNDING * scene.film_rule_s]


def _blocks(scenes: Sequence[Scene]) -> Iterator[list[Scene]]:
    """Neighbouring stops with enough scenes; those too far apart are not taken together."""
    least = next(n for n in range(1, 100) if share_low(Tally(n, n), TRUST_LEVEL) >= TRUSTED_SHARE)
    by_stop: dict[int, list[Scene]] = {}
    for scene in scenes:
        by_stop.setdefault(-round(shutter_tv(scene.shutter_s)), []).append(scene)
    waiting: list[tuple[int, list[Scene]]] = []
    for stop, members in sorted(by_stop.items()):
        waiting = [each for each in waiting if stop - each[0] < WIDEST_BLOCK_EV]
        waiting.append((stop, members))
        block = [scene for _, each in waiting for scene in each]
        if len(block) >= least and len(members) * 3 >= least:
            yield block
            waiting = []


def _trust(subject: str, scenes: Sequence[Scene], block: Sequence[Scene]) -> TripStatement:
    longest_s = max(scene.shutter_s for scene in block)
    covered = [scene for scene in scenes if scene.shutter_s <= longest_s]
    steady = sum(not scene.is_smeared for scene in block)
    return TripStatement(
        question="trusted-shutter",
        subject=subject,
        message=(
            f"At {subject}, without sign of a tripod, {seconds(longest_s)} can be trusted: at "
            f"{_times(block)} {steady} of {len(block)} scenes did not move."
        ),
        value=longest_s,
        unit="s",
        low=share_low(Tally(steady, len(block)), TRUST_LEVEL),
        frames=sum(scene.frames for scene in covered),
        scenes=len(covered),
        confidence=TRUST_LEVEL,
        is_habit=False,
    )


def _slow_ranges(
    subjects: Sequence[str], suspects: Sequence[Sequence[Scene]]
) -> Iterator[TripStatement]:
    """Ranges whose longer times cost frames, clearest first; the first that is unsure ends it.

    Step-down test of Holm (1979): the level holds for all ranges together.
    """
    found = [
        (min((_split(scenes, border) for border in FILM_RULES), key=lambda each: each.p), at)
        for at, scenes in enumerate(suspects)
    ]
    for done, (split, at) in enumerate(sorted(found, key=lambda each: each[0].p)):
        looks = len(FILM_RULES) * (len(found) - done)
        if not is_sure(split.p, looks):
            return
        if share_low(_moved(split.longer), TRUST_LEVEL) > LOST_SHARE:
            yield _slow(subjects[at], suspects[at], split, looks)


def _slow(subject: str, scenes: Sequence[Scene], split: Split, looks: int) -> TripStatement:
    """Say that longer times cost frames, at that border of the film rule where it is clearest."""
    lost, lost_short = _moved(split.longer), _moved(split.shorter)
    part = 1 / split.border
    rule = "1/focal length" if part == 1 else f"1/({part:.0f} x focal length)"
    border_s = split.border * median(scene.film_rule_s for scene in scenes)
    return TripStatement(
        question="slow-shutter",
        subject=subject,
        message=(
            f"At {subject}, without sign of a tripod, the camera moved in {lost.hits} of "
            f"{lost.of} scenes at times longer than {rule}, and in {lost_short.hits} of "
            f"{lost_short.of} at shorter ones."
        ),
        advice=f"Keep to {seconds(border_s)} or shorter: raise ISO, open up, or use a tripod.",
        value=lost.share,
        unit="share",
        low=share_low(lost, 0.975),
        high=share_high(lost, 0.975),
        frames=sum(scene.frames for scene in scenes),
        scenes=len(scenes),
        confidence=confidence_of(split.p, looks),
        is_habit=True,
    )


def _split(scenes: Sequence[Scene], border: float) -> Split:
    longer, shorter = (
        [
            scene
            for scene in scenes
            if (scene.shutter_s > ROUNDING * border * scene.film_rule_s) is side
        ]
        for side in (True, False)
    )
    p = oftener_p(_moved(longer), _moved(shorter)) if longer and shorter else 1.0
    return Split(p, border, longer, shorter)


def _moved(scenes: Sequence[Scene]) -> Tally:
    return Tally(sum(scene.is_smeared for scene in scenes), len(scenes))


def _why_not(scenes: Sequence[Scene]) -> str:
    block = next(_blocks(_within_film_rule(scenes)), None)
    if block is None:
        return (
            f"{scenes_words(len(scenes))} without sign of a tripod, too few of them at shutter "
            "times up to 1/focal length to trust one"
        )
    moved = sum(scene.is_smeared for scene in block)
    return (
        f"the camera moved in {moved} of {len(block)} scenes at {_times(block)}: "
        f"too few scenes, or too many of them, to be sure that {100 * TRUSTED_SHARE:.0f} % hold"
    )


def _times(scenes: Sequence[Scene]) -> str:
    short_s, long_s = (end(scene.shutter_s for scene in scenes) for end in (min, max))
    first, last = seconds(short_s), seconds(long_s)
    return first if first == last else f"{first} to {last}"
