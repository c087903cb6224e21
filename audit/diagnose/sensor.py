"""The pixel pitch of a frame, from the most trusted source that knows it, and the source's name."""

from collections.abc import Iterator

from audit.optics.sensor import (
    FULL_FRAME_DIAGONAL_MM,
    PitchEstimate,
    diagonal_mm,
    pitch_from_focal_35mm,
    pitch_from_focal_plane,
)
from audit.records import Reading, Sensor
from audit.settings import Settings

DATABASE_ERROR_SHARE = 0.01
"""Largest error of a crop factor in the lens database (measured on six bodies)."""


def sensor_of(reading: Reading, settings: Settings) -> Sensor:
    """Choose the pixel pitch of a frame.

    Parameters
    ----------
    reading : Reading
    settings : Settings
        Its camera table is trusted first.

    Returns
    -------
    Sensor
        ``pitch_um`` and ``pitch_source`` are ``None`` where nothing plausible is known.
    """
    facts = reading.facts
    for source, estimate in _estimates(reading, settings):
        if estimate.pitch_um is None:
            continue
        return Sensor(
            width_px=facts.width_px,
            height_px=facts.height_px,
            pitch_um=estimate.pitch_um * _reduction(reading),
            pitch_source=source,
            pitch_error_share=estimate.error_share,
            basis=facts.basis,
        )
    return Sensor(
        width_px=facts.width_px,
        height_px=facts.height_px,
        pitch_um=None,
        pitch_source=None,
        basis=facts.basis,
    )


def _estimates(reading: Reading, settings: Settings) -> Iterator[tuple[str, PitchEstimate]]:
    """Pitches of the full-size picture, most trusted first, with the name of the source."""
    facts, exposure = reading.facts, reading.exposure
    camera = settings.camera(exposure.make, exposure.model)
    if camera is not None:
        yield "your camera table", PitchEstimate(camera.pitch_um, None, "as entered")
    columns = facts.native_width_px or facts.width_px
    rows = round(facts.height_px * columns / facts.width_px)
    plane = pitch_from_focal_plane(
        columns,
        rows,
        facts.focal_plane_x,
        facts.focal_plane_y,
        facts.focal_plane_unit,
        exposure.focal_mm,
        exposure.focal_35mm_mm,
    )
    yield f"Exif focal-plane resolution ({plane.reason})", plane
    if facts.database_crop is not None:
        pitch_um = 1000 * FULL_FRAME_DIAGONAL_MM / facts.database_crop / diagonal_mm(columns, rows)
        yield (
            f"lens database, crop factor {facts.database_crop:.3g}",
            PitchEstimate(pitch_um, DATABASE_ERROR_SHARE, "strict match of make and model"),
        )
    focal = pitch_from_focal_35mm(exposure.focal_mm, exposure.focal_35mm_mm, columns, rows)
    yield "Exif 35 mm equivalent, a whole number", focal


def _reduction(reading: Reading) -> float:
    """How many pixels of the full size one pixel of a reduced file covers, along a side."""
    native = reading.facts.native_width_px
    return 1.0 if native is None else native / reading.facts.width_px
