"""The camera of a plan: from a format and its megapixels, from sides, or from a frame's sensor."""

import math

from audit.errors import SettingsError
from audit.optics.sensor import diagonal_mm, focal_35mm_from_pitch_mm
from audit.plan_records import CameraFacts
from audit.records import Sensor
from audit.settings import Camera, SensorFormat

MOST_UNLIKE_SIDES = 0.03
"""Share by which pixels may differ from squares before sides and pixels contradict each other:
rounded sides of small sensors stay below it (guess)."""


def camera_of_format(sensor: SensorFormat, megapixels: float) -> CameraFacts:
    """Camera of a common format.

    Parameters
    ----------
    sensor : SensorFormat
    megapixels : float
        Millions of pixels of the whole sensor.

    Returns
    -------
    CameraFacts
        Square pixels that fill the format. Real sensors differ from the table by up to 2 %.
    """
    pitch_um = math.sqrt(sensor.width_mm * sensor.height_mm / megapixels)
    return CameraFacts(
        width_mm=sensor.width_mm,
        height_mm=sensor.height_mm,
        width_px=round(1000 * sensor.width_mm / pitch_um),
        height_px=round(1000 * sensor.height_mm / pitch_um),
        pitch_um=pitch_um,
        source=f"{sensor.name} with {megapixels:g} megapixels",
    )


def camera_of_sides(
    width_mm: float, height_mm: float, width_px: int, height_px: int, source: str
) -> CameraFacts:
    """Camera whose sides and pixels are known.

    Parameters
    ----------
    width_mm, height_mm : float
        Sides in mm, in any order.
    width_px, height_px : int
        Pixels along them, in any order.
    source : str
        Where they come from.

    Raises
    ------
    SettingsError
        If the pixels would not be square.
    """
    long_mm, short_mm = max(width_mm, height_mm), min(width_mm, height_mm)
    long_px, short_px = max(width_px, height_px), min(width_px, height_px)
    along_um, across_um = 1000 * long_mm / long_px, 1000 * short_mm / short_px
    if abs(along_um / across_um - 1) > MOST_UNLIKE_SIDES:
        raise SettingsError(
            f"{source}: expected square pixels, found {along_um:.3g} by {across_um:.3g} um"
        )
    return CameraFacts(
        width_mm=long_mm,
        height_mm=short_mm,
        width_px=long_px,
        height_px=short_px,
        pitch_um=along_um,
        source=source,
    )


def camera_of_table(camera: Camera) -> CameraFacts:
    """Camera of the user's own table.

    Raises
    ------
    SettingsError
        If its entry has no height in pixels.
    """
    if camera.height_px is None:
        raise SettingsError(
            f"camera {camera.model}: expected height_px beside width_px for a plan, found none"
        )
    height_mm = camera.width_mm * camera.height_px / camera.width_px
    return camera_of_sides(
        camera.width_mm, height_mm, camera.width_px, camera.height_px, "your camera table"
    )


def camera_of_sensor(sensor: Sensor, file: str) -> CameraFacts:
    """Camera that took a frame.

    Parameters
    ----------
    sensor : Sensor
        As the audit found it.
    file : str
        Name of the frame.

    Raises
    ------
    SettingsError
        If the frame does not tell its pixel pitch.
    """
    if sensor.pitch_um is None:
        raise SettingsError(
            f"{file}: expected a frame that tells its pixel pitch, found none;"
            " give --sensor with --megapixels instead"
        )
    pitch_mm = sensor.pitch_um / 1000
    return camera_of_sides(
        sensor.width_px * pitch_mm,
        sensor.height_px * pitch_mm,
        sensor.width_px,
        sensor.height_px,
        f"{file}: {sensor.pitch_source}",
    )


def focal_35mm_mm(camera: CameraFacts, focal_mm: float) -> float:
    """Focal length in mm with the same diagonal field on 36 x 24 mm."""
    return focal_35mm_from_pitch_mm(focal_mm, camera.pitch_um, camera.width_px, camera.height_px)


def diagonal_of_mm(camera: CameraFacts) -> float:
    """Diagonal of the sensor in mm."""
    return diagonal_mm(camera.width_mm, camera.height_mm)
