"""A soft side of the lens: what only many frames of one body and lens can tell.

In one frame a slope of the edge width is the scene's: near ground below, a far ridge above. Over
many scenes these slopes scatter round nothing sideways, and the median with its standard error
tells the lens. Up and down they do not: ground and sky keep their places, so an axis that stood
upright has to show more.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from statistics import median
from typing import NamedTuple

from audit.diagnose.case import Case, finding
from audit.records import Finding

LEAST_FRAMES = 8
"""Frames with a slope that are needed (the trial's figures are for eight)."""

LEAST_SLOPE = 0.30
"""Median gain of ln width across the frame that counts: edges 1.35 times as wide. Sound lenses
read up to 0.23 over a dozen scenes (measured)."""

UPRIGHT_SLOPE = 0.30
"""Spread of the slope that landscapes have of themselves from top to bottom (measured)."""

SURE_SES = 3.0
"""The median must lie this many standard errors from nothing (common practice: 3 sigma)."""

MEDIAN_SE = 1.2533
"""Standard error of a median over that of a mean, normal spread: sqrt(pi / 2)."""

SD_PER_MAD = 1.4826
"""Standard deviation over median absolute deviation, normal spread."""

TURNED = frozenset({5, 6, 7, 8})
"""Exif orientations whose stored rows stood upright (CIPA DC-008, tag 0112)."""


class SoftSide(NamedTuple):
    """One side of a lens that is softer than the opposite one, over many frames.

    Attributes
    ----------
    side : str
        ``left``, ``right``, ``top`` or ``bottom`` of the sensor as it reads out, camera level.
    slope : float
        Median gain of ln(edge width) towards that side.
    slope_se : float
        Its standard error.
    frames : int
    evidence : tuple of float
        Slope towards that side in each frame, less what landscapes have of themselves.
    """

    side: str
    slope: float
    slope_se: float
    frames: int
    evidence: tuple[float, ...] = ()


class Slopes(NamedTuple):
    """Slopes of ln(edge width) over one frame, or over one scene, as stored.

    Attributes
    ----------
    right, down : float or None
    is_turned : bool
        Whether the stored rows stood upright.
    """

    right: float | None
    down: float | None
    is_turned: bool


def soft_side(cases: Sequence[Case]) -> tuple[Finding | None, ...]:
    """Find lenses with a soft side.

    Parameters
    ----------
    cases : sequence of Case
        All frames of a run, of whatever bodies and lenses.

    Returns
    -------
    tuple of Finding or None
        One entry a case: the finding on its lens, if there is one. Lenses that Exif does not name
        are left out.
    """
    found = {
        lens: _finding(frames[0], side)
        for lens, frames in _by_lens(cases).items()
        if (side := softest_side(frames)) is not None
    }
    return tuple(found.get(_lens(case)) for case in cases)


def softest_side(cases: Sequence[Case]) -> SoftSide | None:
    """The soft side of one lens, if its frames agree on one.

    Parameters
    ----------
    cases : sequence of Case
        Frames of one body and lens.
    """
    sharpness = [(case.reading.sharpness, _is_turned(case)) for case in cases]
    return softest_end([Slopes(s.softer_right, s.softer_down, turned) for s, turned in sharpness])


def softest_end(slopes: Sequence[Slopes]) -> SoftSide | None:
    """The soft side that the slopes of one lens agree on, if they do.

    Parameters
    ----------
    slopes : sequence of Slopes
        Of one body and lens.
    """
    across = [(each.right, each.is_turned) for each in slopes]
    along = [(each.down, not each.is_turned) for each in slopes]
    sides = (_softer_end(across, "left", "right"), _softer_end(along, "top", "bottom"))
    return max(
        (side for side in sides if side is not None), key=lambda side: side.slope, default=None
    )


def _softer_end(
    axis: Sequence[tuple[float | None, bool]], first: str, last: str
) -> SoftSide | None:
    """Softer end of one axis of the sensor; frames in which it lay level are trusted first.

    ``axis`` holds the slope of each frame, and whether the axis stood upright in it.
    """
    level = [slope for slope, upright in axis if slope is not None and not upright]
    slopes = level if len(level) >= LEAST_FRAMES else [s for s, _ in axis if s is not None]
    if len(slopes) < LEAST_FRAMES:
        return None
    own = 0.0 if slopes is level else UPRIGHT_SLOPE
    middle = median(slopes)
    spread = SD_PER_MAD * median(abs(slope - middle) for slope in slopes)
    error = MEDIAN_SE * spread / math.sqrt(len(slopes))
    if abs(middle) < max(LEAST_SLOPE + own, SURE_SES * error + own):
        return None
    sign = 1.0 if middle > 0 else -1.0
    evidence = tuple(sign * slope - own for slope in slopes)
    return SoftSide(last if middle > 0 else first, abs(middle), error, len(slopes), evidence)


def _finding(case: Case, side: SoftSide) -> Finding:
    ratio = math.exp(side.slope)
    low, high = (math.exp(side.slope + sign * 1.96 * side.slope_se) for sign in (-1, 1))
    return finding(
        "soft-side",
        "note",
        ratio,
        math.exp(LEAST_SLOPE),
        confidence=0.9 if side.side in ("left", "right") else 0.6,
        message=(
            f"Over {side.frames} frames with {case.reading.exposure.lens} edges at the {side.side} "
            f"of the frame are {ratio:.2f} times as wide as at the opposite side "
            f"(95 % interval {low:.2f} to {high:.2f})."
        ),
        advice=(
            "Photograph a flat, distant scene squarely and again with the camera upside down: "
            "if the soft side stays with the camera, have the lens and its mount looked at."
        ),
    )


def _by_lens(cases: Sequence[Case]) -> Mapping[tuple[str | None, ...], list[Case]]:
    groups: dict[tuple[str | None, ...], list[Case]] = {}
    for case in _with_lens(cases):
        groups.setdefault(_lens(case), []).append(case)
    return groups


def _with_lens(cases: Sequence[Case]) -> Iterator[Case]:
    return (case for case in cases if case.reading.exposure.lens is not None)


def _lens(case: Case) -> tuple[str | None, ...]:
    exposure = case.reading.exposure
    return exposure.make, exposure.model, exposure.body_serial, exposure.lens


def _is_turned(case: Case) -> bool:
    return case.reading.exposure.orientation in TURNED
