"""Cameras and plans for the tests; all of it by hand, none of it from the code under test."""

from typing import Any

from audit.plan import plan_of
from audit.plan_records import Asked, CameraFacts, Plan
from audit.settings import Settings


def camera(pitch_um: float, width_mm: float = 36.0, height_mm: float = 24.0) -> CameraFacts:
    """A sensor of these sides and exactly this pitch."""
    return CameraFacts(
        width_mm=width_mm,
        height_mm=height_mm,
        width_px=round(1000 * width_mm / pitch_um),
        height_px=round(1000 * height_mm / pitch_um),
        pitch_um=pitch_um,
        source="made for the test",
    )


def planned(
    pitch_um: float = 4.35, focal_mm: float = 24.0, settings: Settings | None = None, **asked: Any
) -> Plan:
    """Plan for a 36 x 24 mm sensor of this pitch."""
    return plan_of(
        Asked(camera=camera(pitch_um), focal_mm=focal_mm, **asked), settings or Settings()
    )
