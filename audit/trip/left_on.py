"""Settings that ran on: an ISO or an exposure compensation left from before.

One cannot see in a file what was meant. So a run is named only where the setting was made in other
conditions (dimmer light, or before a night), ran on where nothing asked for it, and the same
photographer used another one in that light everywhere else. It is put as a question. Whether a
stabiliser was left on cannot be told: Exif has no tag for it.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import dropwhile, groupby
from statistics import median

from audit.optics.exposure import iso_thirds
from audit.trip.statistics import FALSE_ALARM, Tally, share_low
from audit.trip.taken import Taken, grouped, scene_count
from audit.trip_records import TripStatement

CONFIDENCE = 0.8
"""A setting that was meant can look the same (guess)."""

LEAST_RUN = 8
"""Frames of a run (project's choice: a shorter one costs little)."""

LEAST_RAISED_EV = 3.0
"""Stops above the body's lowest ISO: two are a common choice against wind (project's choice)."""

USUALLY_LOWER_EV = 2.0
"""Stops by which the other frames' ISO must lie lower (project's choice)."""

NIGHT_S = 3 * 3600.0
"""A pause this long ends an outing (project's choice)."""

LEAST_PLACES = 2
"""Places that a run went on over (project's choice)."""

LEAST_BIAS_EV = 0.6
"""Exposure compensation that is worth a question: two thirds of a stop (project's choice)."""

LEAST_RISE_EV = 2.0
"""Stops by which the light rose since the setting was made (project's choice)."""

SAME_LIGHT_EV = 1.0
"""Light this near still compares (project's choice)."""

USUAL_SHARE = 0.5
"""The photographer's own practice in that light: surely over half of the other frames
(project's choice)."""


def left_on(shots: Sequence[Taken]) -> Iterator[TripStatement]:
    """Find runs of an ISO, and of an exposure compensation, that were probably not meant.

    Parameters
    ----------
    shots : sequence of Taken

    Yields
    ------
    TripStatement
    """
    timed = [shot for shot in shots if shot.at is not None and not shot.in_bracket]
    for body, members in sorted(grouped(timed, lambda shot: shot.body).items()):
        ordered = sorted(members, key=lambda shot: _clock_s(shot))
        yield from _iso_runs(body, ordered)
        yield from _bias_runs(body, ordered)


# ---------------------------------------------------------------- ISO


def _iso_runs(body: str, ordered: Sequence[Taken]) -> Iterator[TripStatement]:
    known = [shot for shot in ordered if shot.exposure.iso and shot.exposure.ev100 is not None]
    if not known:
        return
    base = min(shot.exposure.iso or math.inf for shot in known)
    for _, run in _runs(known, lambda shot: iso_thirds(shot.exposure.iso or 100)):
        iso = run[0].exposure.iso or base
        if math.log2(iso / base) < LEAST_RAISED_EV:
            continue
        ran_on = _after_the_light_rose(run)
        if not _is_long(ran_on):
            continue
        near = _in_same_light(ran_on, [shot for shot in known if shot not in run])
        lower = iso / 2**USUALLY_LOWER_EV
        usual = Tally(sum((shot.exposure.iso or iso) <= lower for shot in near), len(near))
        if usual.of and share_low(usual, 1 - FALSE_ALARM) > USUAL_SHARE:
            yield _iso_statement(body, ran_on, iso, base, usual)


def _after_the_light_rose(run: Sequence[Taken]) -> Sequence[Taken]:
    """Rest of a run from the first place that is clearly brighter than the one it was set at."""
    places = list(grouped(run, lambda shot: shot.place).values())
    set_at_ev = _light_ev(places[0]) + LEAST_RISE_EV
    rest = list(dropwhile(lambda members: _light_ev(members) < set_at_ev, places))
    ran_on = [shot for members in rest for shot in members]
    return ran_on if ran_on and _light_ev(ran_on) >= set_at_ev else ()


def _light_ev(shots: Sequence[Taken]) -> float:
    """Median light level."""
    return median(shot.exposure.ev100 or 0.0 for shot in shots)


def _is_long(run: Sequence[Taken]) -> bool:
    """Whether a run is long enough, and went on over several places: one place may ask for it."""
    return len(run) >= LEAST_RUN and len({shot.place for shot in run}) >= LEAST_PLACES


def _in_same_light(run: Sequence[Taken], others: Sequence[Taken]) -> list[Taken]:
    lights = [shot.exposure.ev100 or 0.0 for shot in run]
    low, high = min(lights) - SAME_LIGHT_EV, max(lights) + SAME_LIGHT_EV
    return [shot for shot in others if low <= (shot.exposure.ev100 or 0.0) <= high]


def _iso_statement(
    body: str, run: Sequence[Taken], iso: float, base: float, usual: Tally
) -> TripStatement:
    lights = [shot.exposure.ev100 or 0.0 for shot in run]
    cost_ev = math.log2(iso / base)
    return TripStatement(
        question="left-on",
        subject=f"{body}, ISO {iso:g}",
        message=(
            f"ISO {iso:g} stayed on for {len(run)} frames {_span(run)}, in light of EV "
            f"{min(lights):.0f} to {max(lights):.0f} where {usual.hits} of {usual.of} other frames "
            f"used ISO {iso / 4:g} or less, and cost {cost_ev:.1f} stops: was it left from before?"
        ),
        advice="Put ISO back when the light comes, and look at it before the first frame of a day.",
        value=float(len(run)),
        unit="frames",
        frames=len(run),
        scenes=scene_count(run),
        confidence=CONFIDENCE,
        is_habit=True,
    )


# ---------------------------------------------------------------- exposure compensation


def _bias_runs(body: str, ordered: Sequence[Taken]) -> Iterator[TripStatement]:
    """A compensation that was set on one outing, ran into the next, and was then put back."""
    known = [shot for shot in ordered if shot.exposure.bias_ev is not None]
    for first, run in _runs(known, lambda shot: round(3 * (shot.exposure.bias_ev or 0.0))):
        bias_ev = run[0].exposure.bias_ev or 0.0
        night = next((at for at in range(1, len(run)) if _is_night(run[at - 1], run[at])), None)
        if abs(bias_ev) < LEAST_BIAS_EV or night is None:
            continue
        ran_on = run[night:]
        end = first + len(run)
        was_put_back = end < len(known) and not _is_night(known[end - 1], known[end])
        others = [shot for shot in known if shot not in run]
        usual = Tally(
            sum(abs(shot.exposure.bias_ev or 0.0) < 1 / 6 for shot in others), len(others)
        )
        if not _is_long(ran_on) or not was_put_back or not usual.of:
            continue
        if share_low(usual, 1 - FALSE_ALARM) > USUAL_SHARE:
            yield TripStatement(
                question="left-on",
                subject=f"{body}, exposure compensation {bias_ev:+.1f} EV",
                message=(
                    f"Exposure compensation {bias_ev:+.1f} EV, set on the outing before, stayed on "
                    f"for {len(ran_on)} frames {_span(ran_on)}, where {usual.hits} of {usual.of} "
                    "other frames of the trip used none: was it left from before?"
                ),
                advice="Look at the compensation before the first frame of a day.",
                value=float(len(ran_on)),
                unit="frames",
                frames=len(ran_on),
                scenes=scene_count(ran_on),
                confidence=CONFIDENCE,
                is_habit=True,
            )


# ---------------------------------------------------------------- runs in time


def _runs(
    shots: Sequence[Taken], setting: Callable[[Taken], int]
) -> Iterator[tuple[int, list[Taken]]]:
    """Runs of one setting, each with its place among the shots."""
    first = 0
    for _, members in groupby(shots, key=setting):
        run = list(members)
        yield first, run
        first += len(run)


def _is_night(before: Taken, after: Taken) -> bool:
    return _clock_s(after) - _clock_s(before) >= NIGHT_S


def _clock_s(shot: Taken) -> float:
    assert shot.at is not None
    at = shot.at.replace(tzinfo=None)
    return (at - at.min).total_seconds()


def _span(run: Sequence[Taken]) -> str:
    first, last = run[0].at, run[-1].at
    assert first is not None
    assert last is not None
    return f"from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}"
