"""The lens's own best aperture, from the edges of the trip, beside what diffraction allows.

Scenes scatter, so the apertures that might be the sharpest are kept as a set: an aperture leaves
it when another one is surely sharper (multiple comparisons with the best; Hsu 1984, with rank
tests). The set holds the truth with the confidence that is given.
"""

import math
from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

from audit.optics.exposure import av_thirds
from audit.records import Basis
from audit.trip.statistics import INTERVAL, median_interval, wider_p
from audit.trip.taken import Taken, grouped, scene_medians
from audit.trip_records import ApertureCurve, AperturePoint, TripStatement, Untold

LEAST_SCENES = 6
"""Scenes at one aperture: from six on a median has a 95 % interval (binomial)."""

FOCAL_STEPS = 2
"""Focal lengths are taken together by half octaves (project's choice)."""

SET_LEVEL = INTERVAL
"""Confidence that the sharpest aperture of every lens is in its set. It is an estimate, so the
level is that of an interval, not that of an alarm."""

MOST_UNSURE = 3
"""A set of more apertures than this names none (project's choice)."""


class LensKey(NamedTuple):
    """What is compared with itself only."""

    body: str
    lens: str
    basis: Basis
    focal_step: int | None


def best_apertures(
    shots: Sequence[Taken],
) -> tuple[list[TripStatement | Untold], list[ApertureCurve]]:
    """Compare the apertures of each lens at each range of focal lengths.

    Parameters
    ----------
    shots : sequence of Taken

    Returns
    -------
    said, curves : lists
        One entry a lens and range of focal lengths.
    """
    said: list[TripStatement | Untold] = []
    curves = []
    lenses = grouped(shots, _lens_key)
    for key, members in sorted(lenses.items(), key=lambda each: str(each[0])):
        by_aperture = grouped(members, _aperture_step)
        curves.append(_curve(key, members, by_aperture))
        said.append(_statement(curves[-1], by_aperture, looks=len(lenses)))
    return said, curves


def _lens_key(shot: Taken) -> LensKey | None:
    """Frames that moved tell of the hand, not of the lens."""
    exposure, sensor = shot.exposure, shot.row.sensor
    if exposure.lens is None or sensor is None or shot.edge_width_px is None:
        return None
    if not exposure.aperture_n or shot.carries("camera-shake"):
        return None
    focal_mm = exposure.focal_mm
    step = round(FOCAL_STEPS * math.log2(focal_mm)) if focal_mm else None
    return LensKey(shot.body, exposure.lens, sensor.basis, step)


def _aperture_step(shot: Taken) -> int | None:
    aperture_n = shot.exposure.aperture_n
    return None if not aperture_n else av_thirds(aperture_n)


def _curve(
    key: LensKey, members: Sequence[Taken], by_aperture: Mapping[int, list[Taken]]
) -> ApertureCurve:
    focal_mm = [shot.exposure.focal_mm for shot in members if shot.exposure.focal_mm]
    return ApertureCurve(
        body=key.body,
        lens=key.lens,
        basis=key.basis,
        focal_low_mm=min(focal_mm, default=None),
        focal_high_mm=max(focal_mm, default=None),
        points=tuple(_point(by_aperture[step]) for step in sorted(by_aperture)),
    )


def _point(shots: Sequence[Taken]) -> AperturePoint:
    widths_px = scene_medians(shots, lambda shot: shot.edge_width_px)
    mtf50 = scene_medians(shots, lambda shot: shot.mtf50_cpp)
    ceilings_px = [
        shot.row.limits.ceiling_edge_width_px
        for shot in shots
        if shot.row.limits is not None and shot.row.limits.ceiling_edge_width_px is not None
    ]
    low_px, high_px = median_interval(widths_px) or (None, None)
    return AperturePoint(
        aperture_n=median(shot.exposure.aperture_n or math.nan for shot in shots),
        frames=len(shots),
        scenes=len(widths_px),
        edge_width_px=median(widths_px),
        low_px=low_px,
        high_px=high_px,
        mtf50_cpp=median(mtf50) if mtf50 else None,
        ceiling_px=median(ceilings_px) if ceilings_px else None,
    )


def _statement(
    curve: ApertureCurve, by_aperture: Mapping[int, list[Taken]], *, looks: int
) -> TripStatement | Untold:
    subject = lens_words(curve)
    widths_px = {
        step: scene_medians(shots, lambda shot: shot.edge_width_px)
        for step, shots in sorted(by_aperture.items())
    }
    enough = {step: each for step, each in widths_px.items() if len(each) >= LEAST_SCENES}
    scenes = sum(len(each) for each in widths_px.values())
    if len(enough) < 2:
        has = ", ".join(f"f/{point.aperture_n:g}: {point.scenes}" for point in curve.points)
        return Untold(
            question="best-aperture",
            subject=subject,
            scenes=scenes,
            reason=(
                f"two apertures with {LEAST_SCENES} scenes each are needed to compare; "
                f"there are {has}"
            ),
        )
    possible = possible_best(enough, looks)
    if len(possible) == len(enough) or len(possible) > MOST_UNSURE:
        return Untold(
            question="best-aperture",
            subject=subject,
            scenes=scenes,
            reason=f"its apertures cannot be told apart over {scenes} scenes",
        )
    points = dict(zip(sorted(by_aperture), curve.points, strict=True))
    return _named(curve, [points[step] for step in enough], [points[step] for step in possible])


def possible_best(widths_px: Mapping[int, Sequence[float]], looks: int = 1) -> list[int]:
    """Apertures that may be the sharpest: no other one is surely sharper.

    Parameters
    ----------
    widths_px : mapping of int to sequence of float
        Edge widths by aperture, one a scene.
    looks : int
        Lenses that are looked at in the same way.
    """
    comparisons = looks * (len(widths_px) - 1)
    return [
        step
        for step, own in widths_px.items()
        if all(
            step == other or wider_p(own, theirs) * comparisons > 1.0 - SET_LEVEL
            for other, theirs in widths_px.items()
        )
    ]


def _named(
    curve: ApertureCurve, points: Sequence[AperturePoint], possible: Sequence[AperturePoint]
) -> TripStatement:
    best = min(possible, key=lambda point: point.edge_width_px)
    worst = max(points, key=lambda point: point.edge_width_px)
    names = " or ".join(f"f/{point.aperture_n:g}" for point in possible)
    ceiling = (
        "" if best.ceiling_px is None else f", where a perfect lens leaves {best.ceiling_px:.2f} px"
    )
    at_best = "" if len(possible) == 1 else f" (f/{best.aperture_n:g})"
    mtf50 = "" if best.mtf50_cpp is None else f", MTF50 {best.mtf50_cpp:.2f} cycles/px"
    frames, scenes = (
        sum(getattr(point, count) for point in points) for count in ("frames", "scenes")
    )
    return TripStatement(
        question="best-aperture",
        subject=lens_words(curve),
        message=(
            f"With {lens_words(curve)} edges are narrowest at {names}{at_best}: "
            f"{best.edge_width_px:.2f} px ({_interval(best)}{mtf50}) over {best.scenes} scenes"
            f"{ceiling}; at f/{worst.aperture_n:g} they are {worst.edge_width_px:.2f} px."
        ),
        advice=f"Use {names} where the depth of the scene allows it.{_untried(points, possible)}",
        value=best.aperture_n,
        unit="f-number",
        low=min(point.aperture_n for point in possible),
        high=max(point.aperture_n for point in possible),
        frames=frames,
        scenes=scenes,
        confidence=SET_LEVEL,
        is_habit=False,
    )


def _untried(points: Sequence[AperturePoint], possible: Sequence[AperturePoint]) -> str:
    """Say where the best one lies at the end of what was tried."""
    if possible[0] is points[0]:
        return f" Wider than f/{points[0].aperture_n:g} was too seldom used to tell."
    return ""


def _interval(point: AperturePoint) -> str:
    return f"95 % interval {point.low_px:.2f} to {point.high_px:.2f}"


def lens_words(curve: ApertureCurve) -> str:
    """Lens with the focal lengths that were used, and the kind of file."""
    low_mm, high_mm = curve.focal_low_mm, curve.focal_high_mm
    focal = "" if low_mm is None or high_mm is None else focal_words(low_mm, high_mm)
    at = f" at {focal}" if focal and f" {focal}" not in curve.lens else ""
    return f"{curve.lens}{at}{'' if curve.basis == 'raw' else ' (developed files)'}"


def focal_words(low_mm: float, high_mm: float) -> str:
    """A range of focal lengths, or the one."""
    low, high = f"{low_mm:.0f}", f"{high_mm:.0f}"
    return f"{low} mm" if low == high else f"{low} to {high} mm"
