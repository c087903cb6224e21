"""What the frames of a trip say together, so that the next hike is shot better.

A report goes in, a `TripReport` comes out; no file is read. Each question has its module.
"""

from collections.abc import Iterable

from audit.records import Report
from audit.trip.best_aperture import best_apertures
from audit.trip.days import day_rows, days_told
from audit.trip.dust import dust_told
from audit.trip.highlights import highlight_rows, highlights_told
from audit.trip.left_on import left_on
from audit.trip.noise import noise_rows, noise_told
from audit.trip.soft_side import soft_sides
from audit.trip.statistics import FALSE_ALARM
from audit.trip.taken import scene_count, taken
from audit.trip.trusted_shutter import shutter_rows, trusted_shutters
from audit.trip.vibration import vibrations
from audit.trip_records import TripReport, TripStatement, Untold

__all__ = ["trip_report"]

LEAST_UNTOLD = 6
"""Scenes from which it is worth saying that something cannot be told (project's choice): a lens
that was used twice need not be excused."""


def trip_report(report: Report) -> TripReport:
    """Ask every question of a trip.

    Parameters
    ----------
    report : Report
        Of one or several folders.

    Returns
    -------
    TripReport
        The same for the same report.
    """
    shots = taken(report)
    apertures, lenses = best_apertures(shots)
    shaken = list(vibrations(shots))
    is_shaken = any(isinstance(each, TripStatement) and each.is_habit for each in shaken)
    said: Iterable[TripStatement | Untold] = [
        *apertures,
        *trusted_shutters(shots, is_tripod_shaken=is_shaken),
        *shaken,
        *soft_sides(shots),
        *noise_told(shots, report.settings),
        *highlights_told(shots),
        *left_on(shots),
        *dust_told(report.dust),
        *days_told(shots, report.folders),
    ]
    statements = [each for each in said if isinstance(each, TripStatement)]
    return TripReport(
        tool=report.tool,
        settings=report.settings,
        folders=report.folders,
        frames=len(shots),
        unread=report.counts.unread,
        scenes=scene_count(shots),
        false_alarm_share=FALSE_ALARM,
        statements=tuple(sorted(statements, key=lambda each: not each.is_habit)),
        untold=tuple(
            each for each in said if isinstance(each, Untold) and each.scenes >= LEAST_UNTOLD
        ),
        lenses=tuple(lenses),
        shutters=shutter_rows(shots),
        noise=tuple(noise_rows(shots, report.settings)),
        highlights=tuple(highlight_rows(shots)),
        days=day_rows(shots),
        interrupted=report.interrupted,
    )
