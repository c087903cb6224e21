"""The trip: which scene, camera setting and planted fault makes each file.

Places, camera and lenses are invented. Three days: a lake in the morning, a moor up to nightfall,
a waterfall under an overcast sky.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from fractions import Fraction
from typing import Any, Literal

from maker.camera import Blur
from maker.files import Settings
from maker.scenes import MARGIN_PX, Scene

Cause = Literal[
    "sharp",
    "missed-focus",
    "camera-shake",
    "diffraction",
    "clipped-highlights",
    "blocked-shadows",
    "noise",
    "no-edges",
    "subject-motion",
    "damaged",
]
SeriesKind = Literal["repeat", "exposure-bracket", "shutter-variants", "panorama"]

DAY_1, DAY_2, DAY_3 = "day-1-veldra-lake", "day-2-skarrow-moor", "day-3-ostrel-falls"
LONG_PX, SHORT_PX = 3240, 2160
RAW_LONG_PX, RAW_SHORT_PX = 1632, 1088
PANORAMA_LONG_PX, PANORAMA_SHORT_PX = 1620, 1080
PITCH_UM = 4.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One press of the shutter and what it is meant to show."""

    name: str
    scene: Scene
    settings: Settings
    blur: Blur
    cause: Cause
    formats: tuple[Literal["JPG", "DNG"], ...] = ("JPG",)
    expected: tuple[str, ...] = ()
    acceptable: tuple[str, ...] = ()
    light_ev: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    yaw: float | None = None
    quality: int = 87
    kept_share: float = 1.0
    series: str | None = None
    best: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A series that the frames naming it form."""

    name: str
    kind: SeriesKind
    overlap: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """Movement of the camera during the exposure, in pixels."""

    shake_px: float = 0.0
    angle_deg: float = 0.0
    tremor_px: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dial:
    """Camera settings as a photographer says them."""

    time: str
    shutter: str = "1/250"
    aperture_n: float = 8.0
    iso: int = 100
    focal_mm: float = 24.0
    bias_ev: float = 0.0
    auto_bracket: bool = False
    orientation: int = 1
    lens_sigma_px: float = 0.22
    disc_radius_px: float = 0.0
    hand: Hand = field(default_factory=Hand)
    compact: bool = False
    pitch_um: float = PITCH_UM


DATES = {DAY_1: "2031-05-14", DAY_2: "2031-05-15", DAY_3: "2031-05-16"}
PANORAMA_PITCH_UM = PITCH_UM * LONG_PX / PANORAMA_LONG_PX
PANORAMA_FOCAL_MM = 18.0
PANORAMA_FOCAL_PX = PANORAMA_FOCAL_MM * 1000 / PANORAMA_PITCH_UM
PANORAMA_STEP = 0.545
"""Radians between frames: 30 % of each frame's width overlaps, measured at the horizon."""


def shot(name: str, scene: Scene, dial: Dial, cause: Cause, **meant: Any) -> Shot:
    """Put a shot together from the scene and the dial."""
    day = name.split("/")[0]
    moment, _, subsec = dial.time.partition(".")
    body = (
        ("Quillhaven Mote", "QM-000731", "Wexmoor 8 mm f/4")
        if dial.compact
        else ("Quillhaven T3", "QT3-004417", "Wexmoor 10-60 mm f/4")
    )
    settings = Settings(
        make="Quillhaven",
        model=body[0],
        body_serial=body[1],
        lens=body[2],
        shutter_s=Fraction(dial.shutter),
        aperture_n=dial.aperture_n,
        iso=dial.iso,
        focal_mm=8.0 if dial.compact else dial.focal_mm,
        pitch_um=dial.pitch_um,
        taken_at=datetime.fromisoformat(f"{DATES[day]}T{moment}"),
        subsec=subsec or "00",
        orientation=dial.orientation,
        bias_ev=dial.bias_ev,
        auto_bracket=dial.auto_bracket,
    )
    blur = Blur(
        aperture_n=dial.aperture_n,
        pitch_um=dial.pitch_um,
        lens_sigma_px=dial.lens_sigma_px,
        disc_radius_px=dial.disc_radius_px,
        shake_px=dial.hand.shake_px,
        shake_angle_deg=dial.hand.angle_deg,
        tremor_sigma_px=dial.hand.tremor_px,
    )
    return replace(Shot(name=name, scene=scene, settings=settings, blur=blur, cause=cause), **meant)


def view(kind: str, seed: int, mood: str, **more: Any) -> Scene:
    """A scene for a full frame, or for another size where `more` says so."""
    fields: dict[str, Any] = {
        "kind": kind,
        "seed": seed,
        "mood": mood,
        "width_px": LONG_PX,
        "height_px": SHORT_PX,
    }
    return Scene(**(fields | more))


UPRIGHT: dict[str, Any] = {"width_px": SHORT_PX, "height_px": LONG_PX}
COMPACT: dict[str, Any] = {"width_px": RAW_LONG_PX, "height_px": RAW_SHORT_PX, "scale": 3}


def lake_day() -> list[Shot]:
    """Day 1: single frames with one fault each, and a burst held in the hand."""
    burst = view("moor", 15, "morning", horizon=0.46, sun=0.7)
    hands = (
        (Hand(shake_px=6, angle_deg=20, tremor_px=0.8), (0.0, 0.0)),
        (Hand(shake_px=0.6, angle_deg=75, tremor_px=0.2), (3.5, -2.0)),
        (Hand(shake_px=9, angle_deg=130, tremor_px=1.0), (-6.0, 4.5)),
        (Hand(shake_px=5, angle_deg=65, tremor_px=0.9), (1.0, 7.0)),
    )
    shots = [
        shot(
            f"{DAY_1}/QT3_0101",
            view("lake", 11, "morning", sun=0.25, mirror_blur_px=1.5),
            Dial(time="06:41:07.12"),
            "sharp",
        ),
        shot(
            f"{DAY_1}/QT3_0102",
            view("moor", 12, "noon", horizon=0.38, **UPRIGHT),
            Dial(
                time="06:55:31.40",
                aperture_n=5.6,
                shutter="1/500",
                orientation=6,
                lens_sigma_px=0.33,
            ),
            "sharp",
        ),
        shot(
            f"{DAY_1}/QT3_0103",
            view("lake", 13, "morning", sun=0.6, horizon=0.45),
            Dial(time="07:02:44.08", disc_radius_px=3.5),
            "missed-focus",
            expected=("missed-focus",),
        ),
        shot(
            f"{DAY_1}/QT3_0104",
            view("moor", 14, "overcast", horizon=0.4, **UPRIGHT),
            Dial(
                time="07:19:02.77",
                shutter="1/15",
                focal_mm=50,
                orientation=8,
                hand=Hand(shake_px=7, angle_deg=35, tremor_px=0.9),
            ),
            "camera-shake",
            expected=("camera-shake",),
            acceptable=("slow-shutter", "vibration-window"),
        ),
    ]
    for i, (hand, shift) in enumerate(hands):
        best = hand.shake_px < 1
        shots.append(
            shot(
                f"{DAY_1}/QT3_{105 + i:04d}",
                burst,
                Dial(time=f"07:30:10.{15 + 20 * i}", shutter="1/25", focal_mm=35, hand=hand),
                "sharp" if best else "camera-shake",
                expected=() if best else ("camera-shake",),
                acceptable=("slow-shutter", "vibration-window"),
                shift_px=shift,
                series="hand-held burst",
                best=best,
            )
        )
    return [
        *shots,
        shot(
            f"{DAY_1}/QT3_0109",
            view("lake", 16, "noon", sun=0.5, sky_gain=3.0),
            Dial(time="07:48:55.31"),
            "clipped-highlights",
            expected=("clipped-highlights",),
        ),
        shot(
            f"{DAY_1}/QT3_0110",
            view("mist", 17, "overcast"),
            Dial(time="08:20:19.64"),
            "no-edges",
            expected=("no-edges",),
            acceptable=("haze",),
        ),
    ]


def moor_day() -> list[Shot]:
    """Day 2: a bracket, a panorama, raw frames of a second camera, and night coming on."""
    bracket = view("lake", 21, "evening", horizon=0.55, sun=0.35, sky_gain=1.25)
    members: tuple[tuple[float, str, Cause, tuple[str, ...], tuple[str, ...]], ...] = (
        (0.0, "1/250", "sharp", (), ("clipped-highlights",)),
        (-2.0, "1/1000", "sharp", (), ("blocked-shadows",)),
        (2.0, "1/60", "clipped-highlights", ("clipped-highlights",), ("slow-shutter",)),
    )
    shots = [
        shot(
            f"{DAY_2}/QT3_{201 + i:04d}",
            bracket,
            Dial(time=f"17:10:0{4 + i}.{30 + i}", shutter=shutter, bias_ev=ev, auto_bracket=True),
            cause,
            light_ev=ev,
            expected=expected,
            acceptable=acceptable,
            series="evening bracket",
        )
        for i, (ev, shutter, cause, expected, acceptable) in enumerate(members)
    ]
    shots.append(
        shot(
            f"{DAY_2}/QT3_0204",
            view("moor", 22, "evening", horizon=0.4, sun=0.2),
            Dial(time="17:25:40.91", aperture_n=22, shutter="1/60", focal_mm=12),
            "diffraction",
            expected=("diffraction",),
            acceptable=("slow-shutter",),
        )
    )
    wide = view(
        "lake",
        23,
        "evening",
        width_px=round(PANORAMA_FOCAL_PX * 2.5),
        height_px=PANORAMA_SHORT_PX,
        scale=3,
        sun=0.4,
        horizon=0.5,
        frame_long_px=2200,
    )
    first_yaw = MARGIN_PX / PANORAMA_FOCAL_PX + 0.42
    shots += [
        shot(
            f"{DAY_2}/QT3_{205 + i:04d}",
            wide,
            Dial(
                time=f"17:40:{12 + 4 * i}.5{i}",
                focal_mm=PANORAMA_FOCAL_MM,
                pitch_um=PANORAMA_PITCH_UM,
                lens_sigma_px=0.42,
            ),
            "sharp",
            yaw=first_yaw + i * PANORAMA_STEP,
            series="lake panorama",
        )
        for i in range(4)
    ]
    return [
        *shots,
        shot(
            f"{DAY_2}/QT3_0209",
            view("dusk", 25, "evening", horizon=0.62),
            Dial(time="18:31:09.55"),
            "blocked-shadows",
            expected=("blocked-shadows",),
        ),
        shot(
            f"{DAY_2}/QT3_0210",
            view("lake", 26, "evening", sun=0.8),
            Dial(time="18:40:47.29"),
            "damaged",
            expected=("damaged",),
            kept_share=0.6,
        ),
        *compact_shots(),
    ]


def compact_shots() -> list[Shot]:
    """The raw frames: a small second camera carried on day 2."""
    folder = f"{DAY_2}/compact"
    return [
        shot(
            f"{folder}/QM_0031",
            view("moor", 31, "noon", horizon=0.36, **COMPACT),
            Dial(time="12:04:16.07", compact=True),
            "sharp",
            formats=("DNG", "JPG"),
        ),
        shot(
            f"{folder}/QM_0032",
            view("moor", 32, "noon", horizon=0.42, sun=0.7, **COMPACT),
            Dial(time="12:21:38.82", compact=True, disc_radius_px=3.5),
            "missed-focus",
            formats=("DNG",),
            expected=("missed-focus",),
        ),
        shot(
            f"{folder}/QM_0033",
            view("lake", 33, "noon", horizon=0.5, sun=0.4, sky_gain=7.0, **COMPACT),
            Dial(time="12:44:51.36", compact=True),
            "clipped-highlights",
            formats=("DNG",),
            expected=("clipped-highlights",),
        ),
        shot(
            f"{folder}/QM_0034",
            view("dusk", 34, "evening", horizon=0.66, **COMPACT),
            Dial(time="18:52:03.44", compact=True),
            "blocked-shadows",
            formats=("DNG",),
            expected=("blocked-shadows",),
            light_ev=-1.7,
        ),
        shot(
            f"{folder}/QM_0035",
            view("moor", 24, "overcast", horizon=0.35, **COMPACT),
            Dial(time="19:05:22.18", compact=True, iso=12800, shutter="1/500"),
            "noise",
            formats=("DNG",),
            expected=("noise",),
        ),
    ]


def falls_day() -> list[Shot]:
    """Day 3: one waterfall from a tripod, with three shutter times through a grey filter."""
    times = (("1/500", 400, 0.0), ("1/4", 100, 120.0), ("2", 100, 900.0))
    return [
        shot(
            f"{DAY_3}/QT3_{301 + i:04d}",
            view("falls", 41, "overcast", water_smear_px=smear),
            Dial(time=f"10:1{2 + i}:30.0{i}", shutter=shutter, iso=iso),
            "subject-motion" if smear else "sharp",
            acceptable=("subject-motion", "slow-shutter", "vibration-window") if smear else (),
            series="waterfall shutter times",
        )
        for i, (shutter, iso, smear) in enumerate(times)
    ]


GROUPS = (
    Group(name="hand-held burst", kind="repeat"),
    Group(name="evening bracket", kind="exposure-bracket"),
    Group(name="lake panorama", kind="panorama", overlap=0.30),
    Group(name="waterfall shutter times", kind="shutter-variants"),
)


def trip() -> list[Shot]:
    """Every shot in the order of its file name."""
    return sorted([*lake_day(), *moor_day(), *falls_day()], key=lambda s: s.name)
