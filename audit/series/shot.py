"""A measured frame as the grouping sees it: its row, its body, its place in time, its exposure."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from audit.optics.exposure import ISO_BASE, THIRDS_PER_EV, av_thirds, iso_thirds, tv_thirds
from audit.records import AuditedFrame, DetailMap, Exposure
from audit.series.view import View, equivalent_focal_mm, view_of

Picture = NDArray[np.uint8]

COUNTER = re.compile(r"(\d+)\D*$")
"""The camera's counter: the last digits of a name (DCF, JEITA CP-3461: four of them)."""

TURNED = frozenset({5, 6, 7, 8})
"""Exif orientations whose stored rows stand upright (CIPA DC-008, tag 0112)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One measured frame.

    Attributes
    ----------
    place : int
        The caller's number for it.
    row : AuditedFrame
    detail_source : callable
        Gives the map of its detail, or ``None``: maps of thousands of frames are kept packed.
    picture : callable
        Gives the registration picture, or ``None`` where there is none.
    picture_digest : bytes or None
        Stands for what ``picture`` gives; ``None`` where that is not known.
    """

    place: int
    row: AuditedFrame
    detail_source: Callable[[], DetailMap | None] = field(repr=False, default=lambda: None)
    picture: Callable[[], Picture | None] = field(repr=False)
    picture_digest: bytes | None = None

    @property
    def exposure(self) -> Exposure:
        """What the camera wrote."""
        return self.row.exposure or Exposure()

    @property
    def detail(self) -> DetailMap | None:
        """Map of its fine detail."""
        return self.detail_source()

    @property
    def name(self) -> str:
        """Path below the folder that was named."""
        return self.row.file

    @property
    def body(self) -> tuple[str | None, ...]:
        """Which camera it was: two bodies are never mixed."""
        return self.exposure.make, self.exposure.model, self.exposure.body_serial

    @property
    def start_s(self) -> float | None:
        """Start of the exposure by the camera's clock, in seconds; ``None`` where not written."""
        return clock_s(self.exposure.taken_at)

    @property
    def offset_s(self) -> float | None:
        """How far the clock is ahead of UTC, as the camera says."""
        return utc_offset_s(self.exposure.utc_offset)

    @property
    def size_px(self) -> tuple[int, int] | None:
        """Columns and rows as the frame is viewed."""
        sensor = self.row.sensor
        if sensor is None:
            return None
        size = (sensor.width_px, sensor.height_px)
        return size[::-1] if self.exposure.orientation in TURNED else size

    @property
    def energy(self) -> float | None:
        """Energy of fine detail, for the order inside one series."""
        return None if self.row.sharpness is None else self.row.sharpness.energy

    @property
    def edge_width_px(self) -> float | None:
        """10-90 % edge width."""
        return None if self.row.sharpness is None else self.row.sharpness.edge_width_px

    @property
    def shutter_thirds(self) -> int | None:
        """Exposure time in third stops; larger is longer."""
        time_s = _positive(self.exposure.shutter_s)
        return None if time_s is None else -tv_thirds(time_s)

    @property
    def exposure_thirds(self) -> int | None:
        """Recorded brightness of one scene in third stops, larger is brighter.

        A lens without contacts writes no aperture: it then counts as unchanged. ``None`` where
        time or sensitivity are unknown.
        """
        iso, aperture_n = _positive(self.exposure.iso), _positive(self.exposure.aperture_n)
        if self.shutter_thirds is None or iso is None:
            return None
        opening = 0 if aperture_n is None else av_thirds(aperture_n)
        return self.shutter_thirds + iso_thirds(iso) - opening

    @property
    def exposure_halves(self) -> int | None:
        """The same in half stops, in which some cameras count."""
        time_s, iso = _positive(self.exposure.shutter_s), _positive(self.exposure.iso)
        if time_s is None or iso is None:
            return None
        aperture_n = _positive(self.exposure.aperture_n) or 1.0
        parts = (time_s, iso / ISO_BASE, aperture_n**-2)
        return sum(round(2 * math.log2(part)) for part in parts)

    def view(self) -> View | None:
        """Its registration picture, prepared; ``None`` where there is none."""
        grey = self.picture()
        if grey is None:
            return None
        return view_of(grey, equivalent_focal_mm(self.exposure, self.row.sensor), self.size_px)


def clock_s(taken_at: str | None) -> float | None:
    """Seconds since 1970 of a camera's clock, as if it stood at UTC.

    >>> clock_s("1970-01-02T00:00:00.25")
    86400.25
    """
    if taken_at is None:
        return None
    try:
        read = datetime.fromisoformat(taken_at)
    except ValueError:
        return None
    return read.replace(tzinfo=UTC).timestamp()


def utc_offset_s(offset: str | None) -> float | None:
    """Seconds ahead of UTC.

    >>> utc_offset_s("-02:30")
    -9000.0
    """
    match = re.fullmatch(r"([+-])(\d\d):(\d\d)", offset or "")
    if match is None:
        return None
    ahead_s = 3600.0 * int(match[2]) + 60.0 * int(match[3])
    return -ahead_s if match[1] == "-" else ahead_s


def counter_of(name: str) -> tuple[int, int] | None:
    """The camera's counter in a file name, and the number after which it starts anew.

    >>> counter_of("100/IMG_9999.JPG")
    (9999, 10000)
    """
    stem = name.rpartition("/")[2].rpartition(".")[0] or name
    match = COUNTER.search(stem)
    return None if match is None else (int(match[1]), 10 ** len(match[1]))


def steps_apart(first: Shot, second: Shot) -> int:
    """Third stops between two exposures; 0 where one of them is unknown."""
    one, two = first.exposure_thirds, second.exposure_thirds
    return 0 if one is None or two is None else abs(one - two)


def stops(count: int, per_ev: int = THIRDS_PER_EV) -> str:
    """A difference of exposure as the trade writes it, from a count of third (or half) stops.

    >>> stops(5), stops(3), stops(3, 2)
    ('1 2/3 EV', '1 EV', '1 1/2 EV')
    """
    whole, part = divmod(abs(count), per_ev)
    parts = ([str(whole)] if whole or not part else []) + ([f"{part}/{per_ev}"] if part else [])
    return f"{'-' if count < 0 else ''}{' '.join(parts)} EV"


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 and math.isfinite(value) else None
