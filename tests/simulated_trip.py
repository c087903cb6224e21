"""Simulated trips: readings with realistic scatter, with habits planted and without.

What a lens, a hand and a light do is known here, so what a trip report may state is known too. Rows
are judged by the program's own rules; only what was measured is made up. All names are invented.

Scatter and where it comes from:

- edge width from scene to scene 15 %, from frame to frame 5 %: photographs against their known
  kernels, median 8 % and 90 % under 18 % (docs/methods/sharpness.md)
- slope over the frame 0.35 from scene to scene; sound lenses read up to 0.1 off zero
  (docs/methods/diagnosis.md: 0.18 to 0.42, medians 0.02 to 0.23)
- smears: 2.8 % of still frames are called smeared, 60 % of smears of 2 to 4 px and 85 % of
  longer ones are found (docs/methods/diagnosis.md and blur-shape.md, rounded)
- the hand: 0.5 degrees a second, log-normal with 0.6 (guess; a good holder, so that planted trouble
  is not everywhere), drawn anew for every frame
- windy places on a tripod, one in twenty, smear six scenes of ten in any direction (guess)
- focus missed in 6 % of frames, no edges in 8 % of scenes, the sun in 8 % (guesses)
- windy places again: one tripod place in ten at ISO 400 or 800 against the wind, one in ten with
  +2/3 EV on purpose (guesses)
- noise: 50 000 electrons at ISO 64, spread 5 % (from memory of current 36 x 24 mm sensors)
- headroom: 0.5 stops, spread 0.35, never below 0 (guess)
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache

import msgspec
import numpy as np
from numpy.typing import NDArray

from audit.optics.diffraction import ceiling_edge_width_px
from audit.rank import ranked
from audit.records import (
    AuditedFrame,
    ClippedShare,
    Clipping,
    Counts,
    DustSpot,
    Exposure,
    Frame,
    Noise,
    PerColour,
    Reading,
    Report,
    SensorFacts,
    Sharpness,
    Tone,
    Tool,
    Unread,
    UsedSettings,
)
from audit.rows import judged_together, row_of
from audit.settings import Settings
from audit.trip_records import TripReport, TripStatement

WIDTH_PX, HEIGHT_PX, PITCH_UM = 8256, 5504, 4.36
BASE_ISO = 64.0
APERTURES = (4.0, 5.6, 8.0, 11.0, 16.0)
DAY_START = datetime(2031, 5, 3, 5, 30)
HAND_MEDIAN_DEG_S, HAND_SPREAD = 0.5, 0.6
FALSE_SMEAR = 0.028
SMEAR_PX = 2.0


@dataclass(frozen=True, kw_only=True)
class Lens:
    """An invented lens: name, focal length, edge width over the physical limit by aperture."""

    name: str
    focal_mm: float
    softness: dict[float, float] = field(default_factory=dict)
    softer_right: float = 0.05

    def width_px(self, aperture_n: float) -> float:
        """What a well focused frame reads in the middle of the scatter."""
        return _ceiling_px(aperture_n) * self.softness.get(aperture_n, 1.08)

    @property
    def best_n(self) -> float:
        """The truth about its apertures."""
        return min(APERTURES, key=self.width_px)


_ceiling_px = lru_cache(lambda aperture_n: ceiling_edge_width_px(aperture_n, PITCH_UM))

SOUND = (
    Lens(name="Orrin 35 mm f/2.8", focal_mm=35.0),
    Lens(name="Halvard 90 mm f/2.8", focal_mm=90.0, softer_right=-0.1),
    Lens(name="Sund 180 mm f/4", focal_mm=180.0),
)
STOPPED_DOWN = {4.0: 1.75, 5.6: 1.08, 8.0: 1.08}
"""A lens that needs f/5.6: 1.94 px at f/4, 1.42 at f/5.6, 1.78 at f/8."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What is planted; by default nothing is."""

    lenses: tuple[Lens, ...] = SOUND
    days: int = 3
    places: int = 10
    """A day."""
    tripod_share: float = 0.6
    """Of the places."""
    slow_hand_from_mm: float = math.inf
    """Focal length from which half of the hand-held scenes are taken at 1/f to 4/f."""
    left_on_frames: int = 0
    """First frames of the second day that keep the ISO 1600 of the evening before."""
    vibration_s: tuple[float, float] | None = None
    """Times between which shutter and mirror shake the tripod."""
    dust: int = 0


QUIET = Plan()
PLANS: dict[str, Plan] = {
    "lens and side": Plan(
        places=15,
        lenses=(
            replace(SOUND[0], softness=STOPPED_DOWN),
            replace(SOUND[1], softer_right=0.6),
            SOUND[2],
        ),
    ),
    "hand and night": Plan(slow_hand_from_mm=80.0, left_on_frames=40, places=15, tripod_share=0.4),
    "tripod and dust": Plan(vibration_s=(1 / 33, 1 / 7), dust=2),
}
PLANTED: dict[str, set[tuple[str, str]]] = {
    "lens and side": {("soft-side", "Halvard 90 mm f/2.8")},
    "hand and night": {
        ("slow-shutter", "90 mm (35 mm equivalent)"),
        ("slow-shutter", "180 mm (35 mm equivalent)"),
        ("left-on", "Velmark VK-50 0042, ISO 1600"),
    },
    "tripod and dust": {("vibration", "tripod"), ("dust", "Velmark VK-50 0042")},
}
"""Habits that each plan bears, by question and subject; the best aperture is checked apart."""


def simulated_trip(plan: Plan, seed: int) -> Report:
    """Shoot a trip.

    Parameters
    ----------
    plan : Plan
    seed : int

    Returns
    -------
    Report
        As a run over the files would give it.
    """
    shoot = _Shoot(plan, np.random.default_rng(seed))
    settings = Settings()
    results: dict[int, Reading | Unread] = dict(enumerate(shoot.readings()))
    rows = {
        at: row_of(_frame(reading), reading, settings)
        for at, reading in results.items()
        if isinstance(reading, Reading)
    }
    judged_together(rows, results, settings)
    return _report(ranked(rows.values()), plan, settings)


def steady_share(shutter_s: float, focal_mm: float) -> float:
    """Share of hand-held frames that are called still: the truth behind a trusted time."""
    smears_px = _hand_px(np.random.default_rng(0), shutter_s, focal_mm, 20_000)
    called = np.where(smears_px < SMEAR_PX, FALSE_SMEAR, np.where(smears_px < 4, 0.6, 0.85))
    return float(1 - called.mean())


def _hand_px(
    rng: np.random.Generator, shutter_s: float, focal_mm: float, count: int = 1
) -> NDArray[np.float64]:
    rates = HAND_MEDIAN_DEG_S * rng.lognormal(0.0, HAND_SPREAD, count)
    return np.radians(rates) * shutter_s * focal_mm * 1000 / PITCH_UM


class _Shoot:
    """A photographer on the way: places, scenes at each, one or two frames a scene."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan = plan
        self.rng = rng
        self.number = 0
        self.left_on = 0

    def readings(self) -> list[Reading]:
        found = []
        for day in range(self.plan.days):
            clock = DAY_START + timedelta(days=day)
            self.left_on = self.plan.left_on_frames if day == 1 else 0
            for place in range(self.plan.places):
                clock += timedelta(minutes=float(self.rng.uniform(300, 1000)) / self.plan.places)
                is_last = place == self.plan.places - 1
                taken = list(self._place(clock, is_evening=is_last and day == 0))
                found += [reading for reading, _ in taken]
                clock = taken[-1][1]
        return found

    def _place(self, clock: datetime, *, is_evening: bool) -> Iterator[tuple[Reading, datetime]]:
        rng = self.rng
        light_ev = 5.0 + 9.0 * math.sin(math.pi * (clock.hour + clock.minute / 60 - 5) / 17)
        light_ev += rng.normal(0, 1.0)
        on_tripod = rng.random() < self.plan.tripod_share or is_evening
        is_windy = on_tripod and rng.random() < 0.05
        wish_iso = float(rng.choice([400, 800])) if on_tripod and rng.random() < 0.1 else BASE_ISO
        bias_ev = 2 / 3 if rng.random() < 0.1 else 0.0
        if is_evening and self.plan.left_on_frames:
            light_ev, wish_iso, on_tripod = 3.0, 1600.0, True
        mist = rng.lognormal(0, 0.05)
        for _ in range(int(rng.integers(4, 9))):
            clock += timedelta(seconds=float(rng.uniform(60, 240)))
            lens = self.plan.lenses[rng.integers(len(self.plan.lenses))]
            scene_ev = light_ev + rng.normal(0, 0.8) - (rng.random() < 0.3) * 3.0
            exposure = self._exposure(lens, scene_ev, wish_iso, bias_ev, on_tripod=on_tripod)
            scene = _Scene(
                softness=mist * rng.lognormal(0, 0.15),
                is_blank=rng.random() < 0.08,
                has_sun=rng.random() < 0.08,
                wind=is_windy and rng.random() < 0.6,
                slopes=(rng.normal(lens.softer_right, 0.35), rng.normal(-0.1, 0.35)),
                is_turned=rng.random() < 0.2,
            )
            for _ in range(int(rng.integers(1, 3))):
                clock += timedelta(seconds=5)
                yield self._reading(lens, exposure, scene, clock, on_tripod=on_tripod), clock

    def _exposure(
        self, lens: Lens, scene_ev: float, wish_iso: float, bias_ev: float, *, on_tripod: bool
    ) -> Exposure:
        rng = self.rng
        choice = APERTURES if on_tripod else APERTURES[:3]
        aperture_n = float(choice[rng.integers(len(choice))])
        iso = wish_iso
        is_left_on = self.left_on > 0
        if is_left_on:
            iso = 1600.0
        time_s = _time_s(aperture_n, iso, scene_ev)
        if not on_tripod:
            longest_s = 1 / (4 * lens.focal_mm)
            if lens.focal_mm >= self.plan.slow_hand_from_mm and rng.random() < 0.5:
                longest_s = float(rng.uniform(1, 4)) / lens.focal_mm
                # A bright place asks for no slow time: the shutter was set by hand, with a filter.
                scene_ev = min(scene_ev, math.log2(aperture_n**2 / longest_s))
                time_s = _time_s(aperture_n, iso, scene_ev)
            while time_s > longest_s and iso < 6400 and not is_left_on:
                iso *= 2
                time_s /= 2
            time_s = min(time_s, longest_s)
        time_s = 2.0 ** (round(3 * math.log2(time_s)) / 3)
        return Exposure(
            make="Velmark",
            model="VK-50",
            body_serial="0042",
            lens=lens.name,
            shutter_s=time_s,
            aperture_n=aperture_n,
            iso=iso,
            focal_mm=lens.focal_mm,
            focal_35mm_mm=lens.focal_mm,
            bias_ev=bias_ev,
            ev100=math.log2(aperture_n**2 / time_s) - math.log2(iso / 100),
        )

    def _reading(
        self, lens: Lens, exposure: Exposure, scene: "_Scene", clock: datetime, *, on_tripod: bool
    ) -> Reading:
        rng = self.rng
        self.number += 1
        self.left_on -= 1
        shutter_s, aperture_n = exposure.shutter_s or 1.0, exposure.aperture_n or 8.0
        smear_px, angle_deg = self._movement(shutter_s, lens, scene, on_tripod=on_tripod)
        width_px = lens.width_px(aperture_n) * scene.softness * rng.lognormal(0, 0.05)
        if rng.random() < 0.06:
            width_px *= rng.uniform(1.5, 3.0)
        width_px = math.hypot(width_px, 2.563 * smear_px / math.sqrt(24))
        turned = scene.is_turned
        return Reading(
            file=f"day-{clock:%d}/VK5_{self.number:05d}.DNG",
            format="dng",
            exposure=msgspec.structs.replace(
                exposure, taken_at=f"{clock:%Y-%m-%dT%H:%M:%S}", orientation=6 if turned else 1
            ),
            facts=SensorFacts(
                width_px=WIDTH_PX,
                height_px=HEIGHT_PX,
                basis="raw",
                focal_plane_x=10_000 / PITCH_UM,
                focal_plane_y=10_000 / PITCH_UM,
                focal_plane_unit=3,
            ),
            sharpness=self._sharpness(width_px, smear_px, angle_deg, scene),
            clipping=self._clipping(scene),
            noise=Noise(
                sigma_dn=10.0,
                snr_midtone=float(
                    math.sqrt(0.18 * 50_000 * BASE_ISO / (exposure.iso or BASE_ISO))
                    * rng.lognormal(0, 0.05)
                ),
            ),
            tone=Tone(low_ev=-8.0, median_ev=-3.0, high_ev=-0.5),
        )

    def _movement(
        self, shutter_s: float, lens: Lens, scene: "_Scene", *, on_tripod: bool
    ) -> tuple[float, float]:
        """Length and direction of the movement; vibration runs along the shutter's travel."""
        rng = self.rng
        any_way = float(rng.uniform(0, 180))
        if not on_tripod:
            return float(_hand_px(rng, shutter_s, lens.focal_mm)[0]), any_way
        window = self.plan.vibration_s
        if window is not None and window[0] <= shutter_s <= window[1] and rng.random() < 0.8:
            along = 0.0 if scene.is_turned else 90.0
            return float(rng.uniform(2.5, 5.0)), (along + rng.normal(0, 6.0)) % 180
        return (float(rng.uniform(2.0, 6.0)) if scene.wind else 0.0), any_way

    def _sharpness(
        self, width_px: float, smear_px: float, angle_deg: float, scene: "_Scene"
    ) -> Sharpness:
        rng = self.rng
        if scene.is_blank:
            return Sharpness(
                laplacian_variance=1e-7,
                energy=None,
                edge_width_px=None,
                edge_width_low_px=None,
                edge_width_high_px=None,
                mtf50_cpp=None,
                edges=4,
                measurable=False,
                reason="too few edges",
            )
        found = 0.85 if smear_px >= 4 else 0.6 if smear_px >= SMEAR_PX else FALSE_SMEAR
        is_called = rng.random() < found
        is_known = is_called or rng.random() < 0.9
        jitter = 0.05
        return Sharpness(
            laplacian_variance=1e-5,
            energy=0.04,
            edge_width_px=width_px,
            edge_width_low_px=width_px * 0.96,
            edge_width_high_px=width_px * 1.04,
            mtf50_cpp=0.48 / width_px,
            edges=400,
            measurable=True,
            smear_px=max(smear_px, 2.1) if is_called else None,
            smear_angle_deg=angle_deg if is_called else None,
            smear_confidence=0.85 if is_called else 0.2 if is_known else None,
            softer_right=scene.slopes[0] + rng.normal(0, jitter),
            softer_down=scene.slopes[1] + rng.normal(0, jitter),
        )

    def _clipping(self, scene: "_Scene") -> Clipping:
        rng = self.rng
        lost = float(rng.uniform(0.006, 0.05)) if scene.has_sun else 0.0
        room_ev = 0.0 if scene.has_sun else max(0.0, float(rng.normal(0.5, 0.35)))
        part = ClippedShare(r=lost, g=lost, b=lost / 2, any=lost, all=lost / 4)
        none = ClippedShare(r=0.0, g=0.0, b=0.0, any=0.0, all=0.0)
        return Clipping(
            highlight_share=part,
            shadow_share=none,
            headroom_ev=PerColour(r=room_ev, g=room_ev + 0.3, b=room_ev + 0.6),
            basis="raw",
        )


@dataclass(frozen=True, kw_only=True)
class _Scene:
    """What the frames of one scene share."""

    softness: float
    is_blank: bool
    has_sun: bool
    wind: bool
    slopes: tuple[float, float]
    is_turned: bool


def _time_s(aperture_n: float, iso: float, light_ev: float) -> float:
    return float(aperture_n**2 / (2.0**light_ev * iso / 100))


def _frame(reading: Reading) -> Frame:
    return Frame(
        file=reading.file,
        path=reading.file.encode(),
        format=reading.format,
        size_bytes=60_000_000,
        mtime_ns=0,
    )


def _report(rows: tuple[AuditedFrame, ...], plan: Plan, settings: Settings) -> Report:
    verdicts = [row.verdict for row in rows]
    return Report(
        tool=Tool(name="frame-audit", version="0.0.0"),
        settings=UsedSettings(
            viewing_cm=settings.viewing_cm,
            print_long_cm=None,
            print_short_cm=None,
            limits=msgspec.structs.asdict(settings.limits),
        ),
        folders=("trip",),
        frames=rows,
        dust=tuple(_spot(at, rows) for at in range(plan.dust)),
        counts=Counts(
            frames=len(rows),
            measured=len(rows),
            unread=0,
            keeper=verdicts.count("keeper"),
            look_again=verdicts.count("look-again"),
            reject=verdicts.count("reject"),
            from_store=0,
            skipped=0,
            findings={},
        ),
    )


def _spot(number: int, rows: tuple[AuditedFrame, ...]) -> DustSpot:
    files = tuple(row.file for row in rows[number::7])
    return DustSpot(
        body="Velmark VK-50 0042",
        x_share=0.2 + 0.4 * number,
        y_share=0.3,
        diameter_share=0.006,
        contrast=0.08 + 0.04 * number,
        frames=len(files),
        aperture_n=16.0,
        z=9.0,
        files=files,
    )


# ---------------------------------------------------------------- what a report may say


def untrue(report: TripReport, name: str | None) -> list[str]:
    """Statements that the plan makes false.

    Parameters
    ----------
    report : TripReport
    name : str or None
        Name of the plan; ``None`` for a quiet trip.
    """
    plan, planted = (QUIET, set()) if name is None else (PLANS[name], PLANTED[name])
    return [
        each.message
        for each in report.statements
        if not (
            (each.question, each.subject) in planted
            if each.is_habit
            else _is_true(each, plan, name or "")
        )
    ]


def _is_true(each: TripStatement, plan: Plan, name: str) -> bool:
    if each.question == "best-aperture":
        lens = next(lens for lens in plan.lenses if each.subject.startswith(lens.name))
        return (each.low or 0.0) <= lens.best_n <= (each.high or 0.0)
    if each.question == "trusted-shutter":
        focal_mm = float(each.subject.split()[0])
        return steady_share(each.value, focal_mm) >= 0.75
    if each.question == "vibration":
        return plan.vibration_s is None
    # Days differ only where a habit of one day loses frames.
    return each.question == "noise" or (each.question == "day" and name == "hand and night")


def missed(report: TripReport, name: str) -> set[tuple[str, str]]:
    """Planted habits that the report does not state, and the lens's best aperture."""
    said = {(each.question, each.subject) for each in report.statements if each.is_habit}
    lost = PLANTED[name] - said
    if name == "lens and side" and not any(
        each.question == "best-aperture"
        and each.value == each.low == 5.6
        and each.high in (5.6, 8.0)
        for each in report.statements
        if each.subject.startswith("Orrin")
    ):
        lost = lost | {("best-aperture", "Orrin 35 mm f/2.8")}
    return lost


@lru_cache
def trip_of(name: str | None, seed: int) -> Report:
    """Trip of a plan, or a quiet one; made once for all tests of a process."""
    return simulated_trip(QUIET if name is None else PLANS[name], seed)
