"""A soft side of a lens over the scenes of a trip.

The rule is that of `audit.diagnose.batch`. A trip adds two things: frames of one scene count once,
and the scenes must agree by a rank test at the report's level.
"""

import math
from collections.abc import Iterator, Sequence
from statistics import median

from audit.diagnose.batch import LEAST_FRAMES, TURNED, Slopes, SoftSide, softest_end
from audit.trip.statistics import confidence_of, is_sure, off_zero_p
from audit.trip.taken import Taken, grouped, scene_count, scenes_words
from audit.trip_records import TripStatement, Untold

SOUND_SLOPE = 0.1
"""Slope that the scenes must surely exceed: sound lenses read up to 0.23 over a dozen scenes, most
under 0.1 (docs/methods/diagnosis.md; the value is the project's choice)."""

SIDES = 4
"""Sides that are looked at, so that two axes of a two-sided test."""


def soft_sides(shots: Sequence[Taken]) -> Iterator[TripStatement | Untold]:
    """Tell of each lens whether one side is softer than the opposite one.

    Parameters
    ----------
    shots : sequence of Taken

    Yields
    ------
    TripStatement or Untold
        Nothing for a lens whose scenes are enough and show no side.
    """
    lenses = grouped(shots, _lens)
    enough = {
        lens: slopes
        for lens, members in sorted(lenses.items())
        if len(slopes := _slopes(members)) >= LEAST_FRAMES
    }
    for lens in sorted(set(lenses) - set(enough)):
        yield Untold(
            question="soft-side",
            subject=lens[1],
            scenes=scene_count(lenses[lens]),
            reason=(
                f"{scenes_words(scene_count(lenses[lens]))} with a slope over the frame; "
                f"{LEAST_FRAMES} are needed"
            ),
        )
    for lens, slopes in enough.items():
        side = softest_end(slopes)
        if side is None:
            continue
        beyond = [slope - SOUND_SLOPE for slope in side.evidence]
        p, looks = off_zero_p(beyond), len(enough) * SIDES // 2
        if is_sure(p, looks):
            yield _statement(lens[1], lenses[lens], side, confidence_of(p, looks))


def _lens(shot: Taken) -> tuple[str, str] | None:
    if shot.exposure.lens is None or shot.slopes[0] is None:
        return None
    return shot.body, shot.exposure.lens


def _slopes(shots: Sequence[Taken]) -> list[Slopes]:
    """Median slopes of each scene and way of holding the camera."""
    scenes = grouped(shots, lambda shot: (shot.scene, shot.exposure.orientation in TURNED))
    return [
        Slopes(
            _median(shot.slopes[0] for shot in members),
            _median(shot.slopes[1] for shot in members),
            is_turned,
        )
        for (_, is_turned), members in scenes.items()
    ]


def _median(values: Iterator[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None


def _statement(
    lens: str, shots: Sequence[Taken], side: SoftSide, confidence: float
) -> TripStatement:
    ratio = math.exp(side.slope)
    low, high = (math.exp(side.slope + sign * 1.96 * side.slope_se) for sign in (-1, 1))
    return TripStatement(
        question="soft-side",
        subject=lens,
        message=(
            f"With {lens} edges at the {side.side} of the frame are {ratio:.2f} times as wide as "
            f"at the opposite side (95 % interval {low:.2f} to {high:.2f}) over {side.frames} "
            "scenes."
        ),
        advice=(
            "Photograph a flat, distant scene squarely and again with the camera upside down: "
            "if the soft side stays with the camera, have the lens and its mount looked at."
        ),
        value=ratio,
        unit="ratio",
        low=low,
        high=high,
        frames=len(shots),
        scenes=side.frames,
        confidence=confidence,
        is_habit=True,
    )
