"""Highlights lost, and headroom left unused, by exposure compensation.

Frames of an exposure bracket are left out: over and under are meant there.
"""

from collections.abc import Iterator, Sequence
from statistics import median

from audit.trip.statistics import (
    FALSE_ALARM,
    Tally,
    above_p,
    confidence_of,
    is_sure,
    median_interval,
    share_high,
    share_low,
)
from audit.trip.taken import Taken, grouped, scene_count, scene_medians
from audit.trip_records import HighlightRow, TripStatement

LOST_SHARE = 0.25
"""Share of scenes with lost highlights that makes a habit: a sun in every fourth frame would be one
too (project's choice)."""

UNUSED_EV = 1.0
"""Median headroom that is worth a statement: one stop more light halves the noise variance
relative to the signal (project's choice)."""

Habit = tuple[str, int]


def highlight_rows(shots: Sequence[Taken]) -> list[HighlightRow]:
    """Count lost highlights and headroom by body and exposure compensation."""
    rows = []
    for (body, _), members in sorted(grouped(shots, _habit).items()):
        headroom_ev = _headrooms_ev(members)
        clipping = members[0].row.clipping
        assert clipping is not None
        rows.append(
            HighlightRow(
                body=body,
                basis=clipping.basis,
                bias_ev=members[0].exposure.bias_ev or 0.0,
                frames=len(members),
                scenes=scene_count(members),
                lost=_tally(members).hits,
                headroom_ev=median(headroom_ev) if headroom_ev else None,
            )
        )
    return rows


def highlights_told(shots: Sequence[Taken]) -> Iterator[TripStatement]:
    """Tell where a metering habit loses highlights, and where it leaves headroom unused.

    Parameters
    ----------
    shots : sequence of Taken

    Yields
    ------
    TripStatement
    """
    habits = grouped(shots, _habit)
    for (body, _), members in sorted(habits.items()):
        bias_ev = members[0].exposure.bias_ev or 0.0
        subject = f"{body}, exposure compensation {bias_ev:+.1f} EV"
        tally = _tally(members)
        low = share_low(tally, 1 - FALSE_ALARM / len(habits))
        if low > LOST_SHARE:
            yield _lost(subject, members, tally, low)
        headroom_ev = _headrooms_ev(members)
        p = above_p(headroom_ev, UNUSED_EV) if headroom_ev else 1.0
        if is_sure(p, len(habits)):
            yield _unused(subject, members, headroom_ev, confidence_of(p, len(habits)))


def _habit(shot: Taken) -> Habit | None:
    """Body, kind of file and compensation in thirds; a camera that wrote none used none."""
    clipping = shot.row.clipping
    if clipping is None or shot.in_bracket:
        return None
    return f"{shot.body} ({clipping.basis})", round(3 * (shot.exposure.bias_ev or 0.0))


def _tally(shots: Sequence[Taken]) -> Tally:
    lost = scene_medians(shots, lambda shot: float(shot.carries("clipped-highlights")))
    return Tally(sum(each >= 0.5 for each in lost), len(lost))


def _headrooms_ev(shots: Sequence[Taken]) -> tuple[float, ...]:
    return scene_medians(shots, _headroom_ev)


def _headroom_ev(shot: Taken) -> float | None:
    """Headroom of the brightest colour: it clips first."""
    clipping = shot.row.clipping
    if clipping is None:
        return None
    headroom = clipping.headroom_ev
    known = [ev for ev in (headroom.r, headroom.g, headroom.b) if ev is not None]
    return min(known, default=None)


def _lost(subject: str, shots: Sequence[Taken], tally: Tally, low: float) -> TripStatement:
    return TripStatement(
        question="lost-highlights",
        subject=subject,
        message=(
            f"With {subject} highlights are lost in {tally.hits} of {tally.of} scenes, so in "
            f"over {100 * low:.0f} % of such scenes."
        ),
        advice="Expose less there, or bracket where the highlights carry detail.",
        value=tally.share,
        unit="share",
        low=low,
        high=share_high(tally, 1 - FALSE_ALARM),
        frames=len(shots),
        scenes=tally.of,
        confidence=1 - FALSE_ALARM,
        is_habit=True,
    )


def _unused(
    subject: str, shots: Sequence[Taken], headroom_ev: Sequence[float], confidence: float
) -> TripStatement:
    middle = median(headroom_ev)
    low, high = median_interval(headroom_ev) or (None, None)
    interval = "" if low is None else f" (95 % interval {low:.1f} to {high:.1f})"
    return TripStatement(
        question="unused-headroom",
        subject=subject,
        message=(
            f"With {subject} half of {len(headroom_ev)} scenes leave {middle:.1f} stops or more "
            f"unused below saturation{interval}."
        ),
        advice=(
            f"Expose up to {max(low or 0.0, UNUSED_EV):.1f} stops more where nothing moves: "
            "shadows gain that much."
        ),
        value=middle,
        unit="EV",
        low=low,
        high=high,
        frames=len(shots),
        scenes=len(headroom_ev),
        confidence=confidence,
        is_habit=True,
    )
