"""Frames in the order in which they were taken, bound into scenes and places.

Frames are not independent: repeats of one framing share its edges, its light and its wind. So a
*scene* (frames of one series, or of one body within half a minute) counts once, and a *place* (no
pause of ten minutes) is what moves as a whole when days are compared.
"""

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median
from typing import TypeVar

from audit.optics.shake import reciprocal_shutter_s
from audit.records import AuditedFrame, Exposure, Report, Series
from audit.trip_records import Held

SAME_SCENE_S = 30.0
"""Frames this close together show one scene: a tripod is not moved faster (project's choice)."""

SAME_PLACE_S = 600.0
"""A pause this long ends the stay at a place (project's choice)."""

SUPPORTED_TIMES = 8.0
"""A time this many times one over the focal length is meant for a support: three stops beyond the
film rule, more than a stabiliser gives at the scale of a pixel (project's choice). It looks at the
time alone and never at the sharpness, which would judge the hand by its successes."""

FULL_FRAME_MM = math.hypot(36.0, 24.0)

Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One measured frame.

    Attributes
    ----------
    row : AuditedFrame
    exposure : Exposure
    at : datetime or None
        Local camera time.
    scene, place : int
        Numbers that frames of one scene, of one place, have in common.
    held : Held
    in_bracket : bool
        Member of an exposure bracket: over and under are meant.
    """

    row: AuditedFrame
    exposure: Exposure
    at: datetime | None
    scene: int
    place: int
    held: Held
    in_bracket: bool

    @property
    def body(self) -> str:
        """Make, model and serial number."""
        make, model = self.exposure.make, self.exposure.model
        if make and model and model.casefold().startswith(make.casefold()):
            make = None  # many cameras write their make into the model, too
        parts = (make, model, self.exposure.body_serial)
        return " ".join(part for part in parts if part) or "body not written"

    @property
    def edge_width_px(self) -> float | None:
        """10-90 % edge width."""
        return None if self.row.sharpness is None else self.row.sharpness.edge_width_px

    @property
    def mtf50_cpp(self) -> float | None:
        """Frequency at which half of the contrast is left."""
        return None if self.row.sharpness is None else self.row.sharpness.mtf50_cpp

    @property
    def snr(self) -> float | None:
        """Signal over noise of the mid-tones, per pixel."""
        return None if self.row.noise is None else self.row.noise.snr_midtone

    @property
    def slopes(self) -> tuple[float | None, float | None]:
        """Gain of ln(edge width) to the right and downwards, as stored."""
        sharpness = self.row.sharpness
        return (
            (None, None) if sharpness is None else (sharpness.softer_right, sharpness.softer_down)
        )

    @property
    def holds(self) -> bool | None:
        """Whether it holds at the print; ``None`` where its sharpness is not known."""
        size = self.row.print
        return None if size is None else size.long_cm >= size.target_long_cm

    @property
    def is_smeared(self) -> bool | None:
        """Whether the camera moved; ``None`` where the shape of the blur cannot be told."""
        sharpness = self.row.sharpness
        if sharpness is None or not sharpness.measurable or sharpness.smear_confidence is None:
            return None
        return self.carries("camera-shake")

    @property
    def focal_35mm_mm(self) -> float | None:
        """Focal length as a 36 x 24 mm frame would need it."""
        return focal_35mm_mm(self.row)

    def carries(self, kind: str) -> bool:
        """Whether a finding of this kind stands."""
        return any(each.kind == kind and each.excused_by is None for each in self.row.findings)


def taken(report: Report) -> tuple[Taken, ...]:
    """Frames of a report by body and time, with their scenes and places."""
    rows = [frame for frame in report.frames if frame.state == "measured"]
    timed = sorted(
        ((row, row.exposure, _time(row.exposure)) for row in rows if row.exposure is not None),
        key=lambda each: (_body(each[1]), each[2] is None, each[2] or datetime.min, each[0].file),
    )
    scenes = _numbered(timed, SAME_SCENE_S, by_series=True)
    places = _numbered(timed, SAME_PLACE_S, by_series=False)
    supported = {
        place
        for (row, exposure, _), place in zip(timed, places, strict=True)
        if _is_meant_for_a_support(row, exposure)
    }
    brackets = {one.id for one in report.series if _is_bracket(one)}
    return tuple(
        Taken(
            row=row,
            exposure=exposure,
            at=at,
            scene=scene,
            place=place,
            held="tripod-like" if place in supported else "no sign of a tripod",
            in_bracket=row.series in brackets or bool(exposure.auto_bracket),
        )
        for (row, exposure, at), scene, place in zip(timed, scenes, places, strict=True)
    )


def focal_35mm_mm(row: AuditedFrame) -> float | None:
    """35 mm equivalent: as written, else from the size of the sensor."""
    exposure, sensor = row.exposure, row.sensor
    if exposure is None:
        return None
    if exposure.focal_35mm_mm:
        return exposure.focal_35mm_mm
    if not exposure.focal_mm or sensor is None or not sensor.pitch_um:
        return None
    diagonal_mm = math.hypot(sensor.width_px, sensor.height_px) * sensor.pitch_um / 1000
    return exposure.focal_mm * FULL_FRAME_MM / diagonal_mm


def grouped(shots: Iterable[Taken], key: Callable[[Taken], Key | None]) -> dict[Key, list[Taken]]:
    """Frames by a key; those without it are left out."""
    groups: dict[Key, list[Taken]] = {}
    for shot in shots:
        if (name := key(shot)) is not None:
            groups.setdefault(name, []).append(shot)
    return groups


def scene_medians(
    shots: Sequence[Taken], value: Callable[[Taken], float | None]
) -> tuple[float, ...]:
    """One value a scene, in the order of the scenes; scenes without any are left out."""
    scenes: dict[int, list[float]] = {}
    for shot in shots:
        if (found := value(shot)) is not None:
            scenes.setdefault(shot.scene, []).append(found)
    return tuple(median(values) for values in scenes.values())


def scenes_words(number: int) -> str:
    """Give a number of scenes."""
    return f"{number} scene" if number == 1 else f"{number} scenes"


def scene_count(shots: Iterable[Taken]) -> int:
    """Number of scenes."""
    return len({shot.scene for shot in shots})


def _time(exposure: Exposure) -> datetime | None:
    try:
        return None if exposure.taken_at is None else datetime.fromisoformat(exposure.taken_at)
    except ValueError:
        return None


def _body(exposure: Exposure) -> tuple[str, ...]:
    return (exposure.make or "", exposure.model or "", exposure.body_serial or "")


def _numbered(
    timed: Sequence[tuple[AuditedFrame, Exposure, datetime | None]],
    pause_s: float,
    *,
    by_series: bool,
) -> list[int]:
    """Number of each frame's group; a longer pause, or another body, starts a new one."""
    numbers = [0] if timed else []
    for before, after in pairwise(timed):
        is_near = _body(before[1]) == _body(after[1]) and _gap_s(before[2], after[2]) <= pause_s
        numbers.append(numbers[-1] + (not is_near))
    if not by_series:
        return numbers
    firsts: dict[str, int] = {}
    return [
        number if row.series is None else firsts.setdefault(row.series, number)
        for (row, _, _), number in zip(timed, numbers, strict=True)
    ]


def _gap_s(before: datetime | None, after: datetime | None) -> float:
    """Seconds between two frames; without both times they are far apart."""
    if before is None or after is None:
        return math.inf
    return abs((after.replace(tzinfo=None) - before.replace(tzinfo=None)).total_seconds())


def _is_meant_for_a_support(row: AuditedFrame, exposure: Exposure) -> bool:
    focal_mm = focal_35mm_mm(row)
    if focal_mm is None or exposure.shutter_s is None:
        return False
    return exposure.shutter_s >= SUPPORTED_TIMES * reciprocal_shutter_s(focal_mm)


def _is_bracket(series: Series) -> bool:
    return series.kind == "exposure-bracket"
