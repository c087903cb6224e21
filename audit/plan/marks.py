"""Apertures and times as cameras mark them, in third stops.

The marks are common practice, no source; a test holds each against the exact third stop that it
stands for. Figures are computed with the marked number, as the audit does with a recorded one.
"""

from audit.optics.exposure import tv_thirds

APERTURES_N = (
    *(2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0),
    *(11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0),
)
"""Apertures that a plan looks at: wider ones are rare in landscapes (project's choice)."""

TIMES_S = (
    *(30, 25, 20, 15, 13, 10, 8, 6, 5, 4, 3.2, 2.5, 2, 1.6, 1.3, 1, 0.8, 0.6, 0.5, 0.4, 0.3),
    *(1 / below for below in (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125)),
    *(1 / below for below in (160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000)),
    *(1 / below for below in (2500, 3200, 4000, 5000, 6400, 8000)),
)
"""Shutter times, longest first."""


def marked_time_s(shutter_s: float) -> float:
    """Longest marked time that is no longer than a computed one.

    Parameters
    ----------
    shutter_s : float
        Time in seconds, above 0.

    Returns
    -------
    float
        A mark; the time itself where it is shorter than the shortest mark, and whole seconds where
        it is longer than the longest.
    """
    if shutter_s > TIMES_S[0]:
        return float(int(shutter_s))
    return next((float(mark) for mark in TIMES_S if mark <= shutter_s), shutter_s)


def nearest_time_s(shutter_s: float) -> float:
    """Mark of the same third stop as a computed time; beyond the longest mark, whole seconds."""
    if shutter_s > TIMES_S[0]:
        return float(round(shutter_s))
    thirds = tv_thirds(shutter_s)
    return next((float(mark) for mark in TIMES_S if tv_thirds(mark) == thirds), shutter_s)
