"""Frames with known settings and drawn pictures, for the tests of series.

The pictures are invented: sums of noise at several scales, of which a frame shows a window.
"""

from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from audit.records import (
    AuditedFrame,
    ClippedShare,
    Clipping,
    DetailMap,
    Exposure,
    Finding,
    PerColour,
    Print,
    Sensor,
    Sharpness,
    SharpnessMap,
)
from audit.series.shot import Shot

ROWS, COLS = 171, 256
EXPOSURE = Exposure(
    make="Velmark",
    model="VK-50",
    shutter_s=1 / 60,
    aperture_n=8.0,
    iso=100.0,
    focal_mm=50.0,
    focal_35mm_mm=50.0,
)


def scene(seed: int, rows: int = ROWS + 40, cols: int = COLS + 40) -> NDArray[np.float64]:
    """Light of an invented scene, 0 to 1, with detail at every scale."""
    rng = np.random.default_rng(seed)
    light = sum(
        (size * gaussian_filter(rng.standard_normal((rows, cols)), size) for size in (1, 3, 8, 20)),
        start=np.zeros((rows, cols)),
    )
    low, high = np.quantile(light, [0.01, 0.99])
    return np.clip(0.08 + 0.3 * (light - low) / (high - low), 0.01, 1.0)


def picture(
    light: NDArray[np.float64], *, gain_ev: float = 0.0, down: int = 0, right: int = 0
) -> NDArray[np.uint8]:
    """Registration picture of a window of a scene, sRGB-encoded (IEC 61966-2-1), clipped."""
    shown = light[20 + down : 20 + down + ROWS, 20 + right : 20 + right + COLS] * 2.0**gain_ev
    coded = np.where(shown <= 0.0031308, 12.92 * shown, 1.055 * shown ** (1 / 2.4) - 0.055)
    return np.rint(255 * np.clip(coded, 0, 1)).astype(np.uint8)


def shares(part: float) -> ClippedShare:
    return ClippedShare(r=part, g=part, b=part, any=part, all=part)


def shot(
    place: int,
    grey: NDArray[np.uint8] | None,
    *,
    name: str | None = None,
    second: float | None = 0.0,
    energy: float | None = 0.2,
    edge_width_px: float | None = 1.5,
    lost_lights: float = 0.0,
    lost_shadows: float = 0.0,
    detail: NDArray[np.float64] | None = None,
    widths: tuple[tuple[float | None, ...], ...] | None = None,
    print_cm: float | None = 100.0,
    findings: tuple[Finding, ...] = (),
    size_px: tuple[int, int] = (6000, 4000),
    folder: int = 0,
    file_format: str = "jpeg",
    **exposure: Any,
) -> Shot:
    """A frame, taken so many seconds after ten o'clock; further keywords replace its settings."""
    taken_at = None if second is None else f"2026-09-12T10:{int(second) // 60:02d}:"
    if taken_at is not None and second is not None:
        taken_at += f"{second % 60:05.2f}" if second % 1 else f"{int(second) % 60:02d}"
    settings = {"taken_at": taken_at, **exposure}
    row = AuditedFrame(
        file=name or f"day-1/QT3_{place:04d}.jpg",
        folder=folder,
        companions=(),
        format=file_format,
        state="measured",
        error=None,
        exposure=msgspec.structs.replace(EXPOSURE, **settings),
        sensor=Sensor(
            width_px=size_px[0],
            height_px=size_px[1],
            pitch_um=None,
            pitch_source=None,
            basis="developed",
        ),
        sharpness=Sharpness(
            laplacian_variance=1e-4,
            energy=energy,
            edge_width_px=edge_width_px,
            edge_width_low_px=None,
            edge_width_high_px=None,
            mtf50_cpp=None,
            edges=200,
            measurable=edge_width_px is not None,
            map=None
            if widths is None
            else SharpnessMap(rows=len(widths), cols=len(widths[0]), edge_width_px=widths),
        ),
        clipping=Clipping(
            highlight_share=shares(lost_lights),
            shadow_share=shares(lost_shadows),
            headroom_ev=PerColour(r=None, g=None, b=None),
            basis="developed",
        ),
        print=None if print_cm is None else a_print(print_cm),
        findings=findings,
        verdict="keeper",
        rank=None,
    )
    return Shot(
        place=place,
        row=row,
        detail_source=lambda: None if detail is None else detail_map(detail),
        picture=lambda: grey,
    )


def a_print(long_cm: float) -> Print:
    return Print(
        long_cm=long_cm,
        short_cm=long_cm / 1.5,
        viewing_cm=50.0,
        limited_by="softness",
        close_long_cm=long_cm / 2,
        target_long_cm=60.0,
    )


def detail_map(log2_energy: NDArray[np.float64], log2_floor: float = -20.0) -> DetailMap:
    return DetailMap(
        rows=log2_energy.shape[0],
        cols=log2_energy.shape[1],
        log2_energy=tuple(tuple(float(value) for value in row) for row in log2_energy),
        log2_floor=log2_floor,
    )
