"""A made report that covers every state; all names in it are invented."""

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from audit.records import (
    AuditedFrame,
    ClippedShare,
    Clipping,
    Counts,
    DustSpot,
    ErrorNote,
    Exposure,
    Finding,
    Limits,
    Noise,
    PerColour,
    Print,
    Report,
    Sensor,
    Series,
    Sharpness,
    SharpnessMap,
    Skipped,
    Tone,
    Tool,
    UsedSettings,
)
from audit.settings import Settings

EXPOSURE = Exposure(
    make="Velmark",
    model="VK-50",
    lens="Orrin 35 mm f/2.8",
    body_serial="0042",
    taken_at="2026-05-01T05:12:33.25",
    utc_offset="+02:00",
    shutter_s=1 / 60,
    aperture_n=8.0,
    iso=64.0,
    focal_mm=35.0,
    focal_35mm_mm=35.0,
    bias_ev=-2 / 3,
    ev100=12.55,
)
SENSOR = Sensor(
    width_px=8256,
    height_px=5504,
    pitch_um=4.36,
    pitch_source="focal-plane tags",
    basis="raw",
    pitch_error_share=0.005,
)
SHARPNESS = Sharpness(
    laplacian_variance=1.234e-5,
    energy=0.0421,
    edge_width_px=1.62,
    edge_width_low_px=1.55,
    edge_width_high_px=1.71,
    mtf50_cpp=0.318,
    mtf50_low_cpp=0.301,
    mtf50_high_cpp=0.332,
    edges=412,
    measurable=True,
    ceiling_mtf50_cpp=0.372,
    sharp_share=0.94,
    best_tile=(1, 2),
    map=SharpnessMap(
        rows=3, cols=4, edge_width_px=((None,) * 4, (1.8, 1.7, 1.62, None), (2.4, 1.9, 1.7, 12.3))
    ),
)
CLIPPING = Clipping(
    highlight_share=ClippedShare(r=0.0, g=0.0, b=0.0, any=0.0, all=0.0),
    shadow_share=ClippedShare(r=0.0001, g=0.0, b=0.0002, any=0.0002, all=0.0),
    headroom_ev=PerColour(r=0.81, g=0.42, b=0.66),
    basis="raw",
    saturation_dn=PerColour(r=15871, g=15871, b=15871),
)
NOISE = Noise(sigma_dn=18.2, snr_midtone=157.0, read_dn=2.1, gain_dn=0.11)
TONE = Tone(low_ev=-8.4, median_ev=-3.1, high_ev=-0.6)
LIMITS = Limits(
    airy_diameter_um=10.73,
    airy_diameter_px=2.46,
    diffraction_n=9.75,
    diffraction_criterion="airy-3px",
    handheld_shutter_s=1 / 80,
)
HOLDS = Print(
    long_cm=111.2,
    short_cm=74.1,
    viewing_cm=50.0,
    limited_by="softness",
    close_long_cm=55.6,
    target_long_cm=90.0,
    limiting_tile=(2, 3),
    limiting_place="lower right",
    limiting_px=12.3,
    wider_long_cm=118.0,
    steady_long_cm=111.2,
)


def _measured(file: str, rank: int, **changes: Any) -> AuditedFrame:
    frame = AuditedFrame(
        file=file,
        companions=(),
        format="dng",
        state="measured",
        error=None,
        measured_file=file,
        exposure=EXPOSURE,
        sensor=SENSOR,
        sharpness=SHARPNESS,
        clipping=CLIPPING,
        noise=NOISE,
        tone=TONE,
        limits=LIMITS,
        print=HOLDS,
        verdict="keeper",
        rank=rank,
    )
    return msgspec.structs.replace(frame, **changes)


def _unread(file: str, state: str, message: str) -> AuditedFrame:
    return msgspec.convert(
        {
            "file": file,
            "companions": [],
            "format": "jpeg",
            "state": state,
            "error": {"code": state, "message": message},
            "verdict": "unread",
            "rank": None,
        },
        AuditedFrame,
    )


def _changed(record: Any, **changes: Any) -> Any:
    return msgspec.structs.replace(record, **changes)


DIFFRACTION = Finding(
    kind="diffraction",
    severity="warn",
    value=6.77,
    limit=3.0,
    unit="px",
    confidence=0.95,
    message="At f/22 the Airy disk is 6.8 px wide, over the limit of 3 px (airy-3px).",
    advice="Use f/9 or wider on these 4.4 µm pixels and focus twice if you need the depth.",
)
CLIPPED = Finding(
    kind="clipped-highlights",
    severity="fault",
    value=0.0811,
    limit=0.02,
    unit="share",
    confidence=1.0,
    message="8.1 % of the frame is clipped in every colour, mostly sky.",
    advice="Expose 1.3 stops less, or bracket.",
)
SHAKE = Finding(
    kind="camera-shake",
    severity="fault",
    value=6.4,
    limit=3.0,
    unit="px",
    confidence=0.82,
    message="The whole frame is smeared by 6.4 px along 88°, as a tripod that trembles does.",
    advice="Wait for the wind, weigh the tripod down, use a delay or a remote release.",
)
WATER = Finding(
    kind="subject-motion",
    severity="note",
    value=1.3,
    limit=0.25,
    unit="s",
    confidence=0.7,
    message="Moving water is smeared at 1.3 s while the rocks are sharp.",
    excused_by="Water drawn on purpose: 0.25 s or longer, and still parts are sharp.",
)
NO_EDGES = Finding(
    kind="no-edges",
    severity="note",
    value=3,
    limit=12,
    unit="edges",
    confidence=1.0,
    message="Only 3 clear edges were found, so sharpness cannot be told.",
    advice="Look at it at full size; mist and sand often hold no edge.",
)


def _frames() -> tuple[AuditedFrame, ...]:
    soft = _changed(HOLDS, long_cm=66.93, short_cm=44.6, close_long_cm=33.4)
    blind = _changed(
        SHARPNESS,
        edge_width_px=None,
        edge_width_low_px=None,
        edge_width_high_px=None,
        mtf50_cpp=None,
        mtf50_low_cpp=None,
        mtf50_high_cpp=None,
        edges=3,
        measurable=False,
        reason="3 clear edges, 12 are needed",
        sharp_share=None,
        best_tile=None,
        map=None,
    )
    smeared = _changed(
        SHARPNESS,
        edge_width_px=5.91,
        edge_width_low_px=5.2,
        edge_width_high_px=6.9,
        smear_px=6.4,
        smear_angle_deg=88.0,
        smear_confidence=0.82,
        moved_share=0.21,
        moved_px=4.2,
        moved_angle_deg=12.0,
        moved_confidence=0.64,
        softer_right=0.18,
        softer_down=-0.05,
    )
    lost = _changed(
        CLIPPING, highlight_share=ClippedShare(r=0.091, g=0.0831, b=0.0855, any=0.0914, all=0.0811)
    )
    glint = _changed(
        CLIPPING, highlight_share=ClippedShare(r=0.0, g=0.0003, b=0.0, any=0.0003, all=0.0)
    )
    wide_edge = _changed(
        SHARPNESS, edge_width_px=2.69, edge_width_low_px=2.5, edge_width_high_px=2.9
    )
    small_aperture = _changed(EXPOSURE, aperture_n=22.0, shutter_s=0.4)
    return (
        _measured("day1/VK50_0101.dng", 1, companions=("day1/VK50_0101.jpg",)),
        _measured(
            "day1/a long name of a folder by the Skarn falls/VK50_0102.dng",
            2,
            findings=(WATER,),
            clipping=glint,
            series="S01",
        ),
        _measured(
            "day1/VK50_0103.dng",
            3,
            companions=("day1/VK50_0103.jpg",),
            format="dng",
            measured_file="day1/VK50_0103.jpg",
            sensor=_changed(SENSOR, basis="developed"),
            clipping=_changed(CLIPPING, basis="developed", saturation_dn=None),
            notes=("VK50_0103.dng is damaged, so its twin VK50_0103.jpg was measured instead.",),
        ),
        _measured(
            "day2/VK50_0201.dng",
            4,
            verdict="look-again",
            exposure=small_aperture,
            sharpness=wide_edge,
            print=soft,
            findings=(DIFFRACTION,),
        ),
        _measured(
            "day2/VK50_0202.dng",
            5,
            verdict="look-again",
            sharpness=wide_edge,
            print=soft,
            exposure=Exposure(),
            limits=Limits(),
        ),
        _measured(
            "day2/VK50_0203.dng",
            6,
            verdict="look-again",
            sharpness=blind,
            print=None,
            findings=(NO_EDGES,),
            noise=Noise(sigma_dn=None, snr_midtone=None),
            tone=None,
        ),
        _measured(
            "day2/VK50_0204.dng",
            7,
            verdict="reject",
            sharpness=smeared,
            print=_changed(HOLDS, long_cm=30.4, short_cm=20.3, close_long_cm=15.2),
            clipping=lost,
            findings=(DIFFRACTION, CLIPPED, SHAKE),
            series="S01",
        ),
        _unread(
            "day3/VK50_0301.jpg",
            "damaged",
            "day3/VK50_0301.jpg: expected 8256 x 5504 pixels, "
            "found the end of the file after 61 % of them",
        ),
        _unread(
            "day3/VK50_0302.x3f",
            "unsupported",
            "layered colour: expected a mosaic of red, green and blue",
        ),
        _unread("day3/VK50_0303.tif", "too-large", "expected at most 300 megapixels, found 412"),
        _unread("day3/VK50_0304.jpg", "timed-out", "no answer within 60 s"),
        _unread("day3/VK50_0305.jpg", "crashed", "its reader crashed twice"),
        _unread("day3/VK50_0306.jpg", "unreadable", "permission denied"),
    )


def _report() -> Report:
    frames = _frames()
    defaults = Settings()
    return Report(
        tool=Tool(name="frame-audit", version="0.0.0"),
        settings=UsedSettings(
            viewing_cm=50.0,
            print_long_cm=90.0,
            print_short_cm=60.0,
            limits=msgspec.to_builtins(defaults.limits),
        ),
        folders=("trip",),
        frames=frames,
        series=(
            Series(
                id="S01",
                kind="shutter-variants",
                files=(frames[1].file, frames[6].file),
                best=frames[1].file,
                order=(frames[1].file, frames[6].file),
                notes=("Two shutter times of one framing.",),
            ),
        ),
        dust=(
            DustSpot(
                body="0042",
                x_share=0.31,
                y_share=0.12,
                diameter_share=0.004,
                contrast=0.06,
                frames=5,
            ),
        ),
        skipped=(Skipped(file="notes.txt", reason="not a picture"),),
        counts=Counts(
            frames=13,
            measured=7,
            unread=6,
            keeper=3,
            look_again=3,
            reject=1,
            from_store=2,
            skipped=1,
            findings={"diffraction": 2, "clipped-highlights": 1, "camera-shake": 1},
        ),
    )


@pytest.fixture(scope="session")
def made_report() -> Report:
    """Every state, every verdict, raw and developed, excused and standing findings."""
    return _report()


@pytest.fixture(scope="session")
def renamed_report() -> Callable[[str], Report]:
    """Make a report in which every text that comes from files is the given one."""

    def renamed(name: str) -> Report:
        report = _report()
        exposure = _changed(EXPOSURE, make=name, model=name, lens=name, body_serial=name)
        hostile = _measured(
            name,
            1,
            companions=(name,),
            exposure=exposure,
            notes=(name,),
            verdict="look-again",
            findings=(_changed(SHAKE, message=f"{name} is smeared.", advice=name),),
        )
        broken = _changed(
            _unread(name, "damaged", name), error=ErrorNote(code="damaged", message=name)
        )
        return _changed(
            report,
            folders=(name,),
            frames=(hostile, broken),
            skipped=(Skipped(file=name, reason=name),),
            series=(_changed(report.series[0], best=name, notes=(name,)),),
            dust=(_changed(report.dust[0], body=name),),
        )

    return renamed
