"""Exposure brackets: one framing, other exposures, for more light than one frame holds."""

from collections.abc import Sequence
from itertools import pairwise

from audit.optics.exposure import THIRDS_PER_EV
from audit.records import ClippedShare, FindingCode
from audit.series.found import FoundSeries, listed, named, sharpest_first
from audit.series.framing import Group, Placed
from audit.series.shot import Shot, stops
from audit.settings import Limits

LEAST_RANGE_THIRDS = 2
"""Smaller changes are a correction of the exposure (project's choice: brackets of a third of a
stop belong to slide film)."""

LEAST_BRIGHTNESS_EV = 0.4
LEAST_BRIGHTNESS_SHARE = 0.35
"""The picture itself must change by this much, and by this share of what the settings say: behind
a grey filter the settings change and the light does not (tuned on simulated trips)."""


def is_bracket(group: Sequence[Placed]) -> bool:
    """Whether the light in the pictures was changed on purpose.

    Parameters
    ----------
    group : sequence of Placed
        Frames of one framing.

    Returns
    -------
    bool
        By the settings and by the brightness that was measured; where nearly all is lost and
        nothing can be measured, by the settings of an automatic bracket.
    """
    thirds = [e for member in group if (e := member.shot.exposure_thirds) is not None]
    if len(thirds) < 2 or max(thirds) - min(thirds) < LEAST_RANGE_THIRDS:
        return False
    range_ev = (max(thirds) - min(thirds)) / THIRDS_PER_EV
    measured = [b for member in group if (b := member.brightness_ev) is not None]
    if len(measured) < 2:
        return all(member.shot.exposure.auto_bracket for member in group)
    brightness_ev = max(measured) - min(measured)
    return brightness_ev > LEAST_BRIGHTNESS_EV and (
        brightness_ev >= LEAST_BRIGHTNESS_SHARE * range_ev
        or all(member.shot.exposure.auto_bracket for member in group)
    )


def cycles(group: Sequence[Placed]) -> list[Group]:
    """Cut repeated brackets of one framing apart.

    Parameters
    ----------
    group : sequence of Placed
        In order of time.

    Returns
    -------
    list of tuple of Placed
        A new bracket starts where an exposure comes again. Where every exposure was taken the same
        number of times in a row, that is one bracket of doubled frames.
    """
    runs: list[list[Placed]] = []
    for member in group:
        if runs and _level(runs[-1][0]) == _level(member):
            runs[-1].append(member)
        else:
            runs.append([member])
    if len({len(run) for run in runs}) > 1:
        runs = [[member] for member in group]
    found: list[list[Placed]] = []
    seen: set[int | None] = set()
    for run in runs:
        level = _level(run[0])
        if not found or level in seen:
            found.append([])
            seen = set()
        found[-1].extend(run)
        seen.add(level)
    return [tuple(cycle) for cycle in found]


def bracket(group: Sequence[Placed], limits: Limits, *, expected: int | None = None) -> FoundSeries:
    """Judge one exposure bracket.

    Parameters
    ----------
    group : sequence of Placed
        Its frames, in order of time.
    limits : Limits
    expected : int, optional
        Different exposures that a whole bracket of this kind has, where that is known.

    Returns
    -------
    FoundSeries
        ``best`` is the one frame that holds both ends alone, if there is one.
    """
    shots = tuple(member.shot for member in group)
    alone = [shot for shot in shots if _holds_lights(shot, limits) and _holds_shadows(shot, limits)]
    order = sharpest_first(shots)
    best = next((shot for shot in order if shot in alone), None)
    notes = [steps_note(shots, expected), *_ends(shots, limits)]
    if best is not None:
        notes.append(f"{named(best)} alone holds both ends.")
    return FoundSeries(
        kind="exposure-bracket",
        shots=shots,
        order=order,
        best=best,
        notes=tuple(notes),
        excuses={
            shot.place: excuses for shot in shots if (excuses := _excuses(shot, shots, limits))
        },
    )


def steps_note(shots: Sequence[Shot], expected: int | None = None) -> str:
    """Say the steps in third stops, and whether they are even and complete.

    Parameters
    ----------
    shots : sequence of Shot
        Frames of one bracket.
    expected : int, optional
        Different exposures that a whole bracket has, where that is known.
    """
    counts, per_ev = _counted_steps(shots)
    if len(counts) < 2:
        return "The steps cannot be told: the camera wrote no exposure settings."
    steps = [high - low for low, high in pairwise(counts)]
    note = f"{len(counts)} exposures over {stops(counts[-1] - counts[0], per_ev)}"
    if len(set(steps)) == 1:
        note += f", in steps of {stops(steps[0], per_ev)}."
    else:
        words = listed([stops(step, per_ev) for step in steps])
        note += f", in uneven steps of {words}, darkest first."
        if missing := _missing(steps):
            note += f" Incomplete: by the usual step {missing} between them is missing."
    if expected is not None and len(counts) < expected:
        note += f" Incomplete: {len(counts)} of {expected} exposures are here."
    return note


def _counted_steps(shots: Sequence[Shot]) -> tuple[list[int], int]:
    """Exposures in third stops, or in half stops where only those are even; darkest first."""
    thirds = sorted({e for shot in shots if (e := shot.exposure_thirds) is not None})
    halves = sorted({e for shot in shots if (e := shot.exposure_halves) is not None})
    even_in_thirds, even_in_halves = (
        len({high - low for low, high in pairwise(counts)}) == 1 for counts in (thirds, halves)
    )
    if even_in_halves and not even_in_thirds and len(halves) == len(thirds):
        return halves, 2
    return thirds, THIRDS_PER_EV


def _missing(steps: Sequence[int]) -> int:
    """Frames missing by the usual step: where another one is a multiple of it."""
    usual = min(steps)
    if sum(step == usual for step in steps) * 2 < len(steps):
        return 0
    return sum(step // usual - 1 for step in steps if step % usual == 0)


def _ends(shots: Sequence[Shot], limits: Limits) -> list[str]:
    """Say what the outer frames hold: measured on their samples, not assumed."""
    exposed = [shot for shot in shots if shot.exposure_thirds is not None]
    if not exposed:
        return []
    if any(shot.row.depth == "first-look" for shot in exposed):
        return ["What it holds at both ends a first look cannot tell."]
    darkest = min(exposed, key=lambda shot: (shot.exposure_thirds or 0, shot.place))
    brightest = max(exposed, key=lambda shot: (shot.exposure_thirds or 0, -shot.place))
    parts = []
    if (lights := _lights(darkest)) is not None:
        parts.append(
            f"the darkest, {named(darkest)}, holds the highlights"
            if _holds_lights(darkest, limits)
            else f"the darkest, {named(darkest)}, still clips {100 * lights.any:.1f} % of the "
            "highlights, so a darker frame is missing"
        )
    if (shadows := _shadows(brightest)) is not None:
        parts.append(
            f"the brightest, {named(brightest)}, holds the shadows"
            if _holds_shadows(brightest, limits)
            else f"the brightest, {named(brightest)}, still has {100 * shadows.any:.1f} % of the "
            "frame at the noise floor, so a brighter frame is missing"
        )
    sentence = "; ".join(parts)
    return [f"{sentence[0].upper()}{sentence[1:]}."] if sentence else []


def _excuses(shot: Shot, shots: Sequence[Shot], limits: Limits) -> dict[FindingCode, str]:
    """Excuse what this frame loses and another member holds."""
    if any(each.row.depth == "first-look" for each in shots):
        return {}  # what the others hold is not known
    lights = _first_that_holds(shot, shots, limits, lights=True)
    shadows = _first_that_holds(shot, shots, limits, lights=False)
    excuses: dict[FindingCode, str] = {}
    if lights is not None:
        excuses["clipped-highlights"] = f"{named(lights)} of the same bracket holds the highlights"
    if shadows is not None:
        excuses["blocked-shadows"] = f"{named(shadows)} of the same bracket holds the shadows"
    return excuses


def _first_that_holds(
    shot: Shot, shots: Sequence[Shot], limits: Limits, *, lights: bool
) -> Shot | None:
    """The member nearest in exposure that holds an end."""
    own = shot.exposure_thirds or 0
    holds = _holds_lights if lights else _holds_shadows
    others = [other for other in shots if other is not shot and holds(other, limits)]
    return min(others, key=lambda other: abs((other.exposure_thirds or 0) - own), default=None)


def _holds_lights(shot: Shot, limits: Limits) -> bool:
    lights = _lights(shot)
    return lights is not None and lights.any < limits.clipped_highlight_share


def _holds_shadows(shot: Shot, limits: Limits) -> bool:
    shadows = _shadows(shot)
    return shadows is not None and shadows.any < limits.blocked_shadow_share


def _lights(shot: Shot) -> ClippedShare | None:
    return None if shot.row.clipping is None else shot.row.clipping.highlight_share


def _shadows(shot: Shot) -> ClippedShare | None:
    return None if shot.row.clipping is None else shot.row.clipping.shadow_share


def _level(member: Placed) -> int | None:
    return member.shot.exposure_thirds
