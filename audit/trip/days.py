"""The days: their light, their places, and whether one kept more frames than the others."""

from collections.abc import Callable, Iterator, Sequence
from statistics import median

from audit.trip.statistics import confidence_of, group_p, is_sure
from audit.trip.taken import Taken, grouped, scene_count
from audit.trip_records import DayRow, PlaceRow, Question, TripStatement

LEAST_PLACES = 4
"""Places on either side of a comparison: with fewer, whole places cannot be dealt out in enough
ways to reach the level (project's choice)."""


def day_rows(shots: Sequence[Taken]) -> tuple[DayRow, ...]:
    """One row for each day and folder, in order of time."""
    groups = grouped(shots, lambda shot: (_day(shot) or "", shot.row.folder))
    return tuple(_day_row(*key, members) for key, members in sorted(groups.items()))


def days_told(shots: Sequence[Taken], folders: Sequence[str]) -> Iterator[TripStatement]:
    """Tell of days, and of folders where several were given, that kept more or fewer frames.

    Parameters
    ----------
    shots : sequence of Taken
    folders : sequence of str

    Yields
    ------
    TripStatement
    """
    yield from _compared(shots, "day", _day, str)
    days = {_day(shot) for shot in shots}
    pairs = {(_day(shot), shot.row.folder) for shot in shots}
    if len(folders) > 1 and len(pairs) > len(days):  # else the folders are the days
        yield from _compared(
            shots, "folder", lambda shot: shot.row.folder, lambda index: folders[int(index)]
        )


def _compared(
    shots: Sequence[Taken],
    question: Question,
    key: Callable[[Taken], str | int | None],
    name: Callable[[str | int], str],
) -> Iterator[TripStatement]:
    judged = [shot for shot in shots if shot.holds is not None and key(shot) is not None]
    places = grouped(judged, lambda shot: (key(shot), shot.place))
    groups = [group for group, _ in places]
    names = sorted({group for group in groups if group is not None}, key=str)
    hits = [sum(bool(shot.holds) for shot in members) for members in places.values()]
    totals = [len(members) for members in places.values()]
    for group in names:
        own = groups.count(group)
        if min(own, len(groups) - own) < LEAST_PLACES:
            continue
        p, looks = group_p(hits, totals, groups, group), len(names)
        if not is_sure(p, looks):
            continue
        held, of = (
            sum(n for n, each in zip(counts, groups, strict=True) if each == group)
            for counts in (hits, totals)
        )
        rest_held, rest_of = sum(hits) - held, sum(totals) - of
        members = [shot for shot in judged if key(shot) == group]
        yield TripStatement(
            question=question,
            subject=name(group),
            message=(
                f"On {name(group)} {held} of {of} frames from {own} places hold at the print, "
                f"{rest_held} of {rest_of} otherwise."
                if question == "day"
                else f"In {name(group)} {held} of {of} frames from {own} places hold at the print, "
                f"{rest_held} of {rest_of} in the rest."
            ),
            value=held / of,
            unit="share",
            frames=of,
            scenes=scene_count(members),
            confidence=confidence_of(p, looks),
            is_habit=False,
        )


def _day(shot: Taken) -> str | None:
    return None if shot.at is None else f"{shot.at:%Y-%m-%d}"


def _day_row(day: str, folder: int, shots: Sequence[Taken]) -> DayRow:
    lights = [shot.exposure.ev100 for shot in shots if shot.exposure.ev100 is not None]
    verdicts = [shot.row.verdict for shot in shots]
    timed = [shot for shot in shots if shot.at is not None]
    return DayRow(
        folder=folder,
        day=day or None,
        frames=len(shots),
        scenes=scene_count(shots),
        kept=verdicts.count("keeper"),
        look_again=verdicts.count("look-again"),
        reject=verdicts.count("reject"),
        ev100_low=min(lights, default=None),
        ev100_high=max(lights, default=None),
        places=tuple(
            sorted(
                (_place_row(members) for members in grouped(timed, lambda s: s.place).values()),
                key=lambda row: (row.first, row.body),
            )
        ),
    )


def _place_row(shots: Sequence[Taken]) -> PlaceRow:
    lights = [shot.exposure.ev100 for shot in shots if shot.exposure.ev100 is not None]
    times = sorted(shot.at for shot in shots if shot.at is not None)
    return PlaceRow(
        body=shots[0].body,
        first=f"{times[0]:%Y-%m-%dT%H:%M:%S}",
        last=f"{times[-1]:%Y-%m-%dT%H:%M:%S}",
        frames=len(shots),
        kept=sum(shot.row.verdict == "keeper" for shot in shots),
        ev100=median(lights) if lights else None,
        held=shots[0].held,
    )
