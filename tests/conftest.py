"""Makers of records, so that a test names only what it is about."""

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from audit.records import (
    ClippedShare,
    Clipping,
    Exposure,
    Noise,
    PerColour,
    Reading,
    SensorFacts,
    Sharpness,
    SharpnessMap,
    Tone,
)

NOTHING_LOST = ClippedShare(r=0.0, g=0.0, b=0.0, any=0.0, all=0.0)

MakeReading = Callable[..., Reading]


@pytest.fixture(name="make_reading")
def make_reading_fixture() -> MakeReading:
    """Build the reading of a sound 8256 x 5504 raw frame at f/8 on 4.36 um pixels.

    Keywords replace fields of the part they belong to: ``make_reading(aperture_n=22)``,
    ``make_reading(edge_width_px=4.0)``, or a whole part: ``make_reading(clipping=...)``.
    """
    parts: dict[str, msgspec.Struct] = {
        "exposure": Exposure(
            make="Velmark",
            model="VK-50",
            shutter_s=1 / 125,
            aperture_n=8.0,
            iso=100.0,
            focal_mm=35.0,
            focal_35mm_mm=35.0,
            ev100=12.97,
        ),
        "facts": SensorFacts(
            width_px=8256,
            height_px=5504,
            basis="raw",
            focal_plane_x=8256 / 3.6,
            focal_plane_y=5504 / 2.4,
            focal_plane_unit=3,
        ),
        "sharpness": Sharpness(
            laplacian_variance=1e-4,
            energy=0.2,
            edge_width_px=1.5,
            edge_width_low_px=1.45,
            edge_width_high_px=1.55,
            mtf50_cpp=0.32,
            edges=400,
            measurable=True,
            best_tile=(0, 1),
            map=SharpnessMap(rows=1, cols=3, edge_width_px=((2.5, 1.5, None),)),
        ),
        "clipping": Clipping(
            highlight_share=NOTHING_LOST,
            shadow_share=NOTHING_LOST,
            headroom_ev=PerColour(r=1.0, g=0.5, b=1.2),
            basis="raw",
        ),
        "noise": Noise(sigma_dn=30.0, snr_midtone=80.0),
        "tone": Tone(low_ev=-9.0, median_ev=-3.5, high_ev=-0.6),
    }

    def make(**changes: Any) -> Reading:
        whole: dict[str, Any] = {"file": "day-1/frame-0001.dng", "format": "dng", **parts}
        for name, value in changes.items():
            part = next((key for key, old in parts.items() if name in old.__struct_fields__), None)
            if name in whole or part is None:
                whole[name] = value
            else:
                whole[part] = msgspec.structs.replace(whole[part], **{name: value})
        return Reading(**whole)

    return make
