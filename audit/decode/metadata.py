"""What the camera wrote: Exif tags of all readers, judged once, as an Exposure.

Order of trust, tag by tag: exifread, Pillow, the own readers of CRW and X3F, and last (only for
tags that nobody found at all) what LibRaw knows. The traps handled here, and their sources, are
listed in ``docs/metadata.md``.
"""

import math
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from audit.decode import tags as exif
from audit.decode import x3f
from audit.decode.ciff import ciff_tags
from audit.decode.containers import exif_blocks
from audit.decode.exif_readers import exifread_tags, pillow_tags
from audit.decode.tags import (
    Tags,
    bytes_of,
    integer_of,
    is_usable,
    merged,
    number_of,
    positive_of,
    text_of,
)
from audit.records import Exposure

ISO_ELSEWHERE = 65535
"""PhotographicSensitivity that refers to tags 8831-8833: XMP Part 3 (ISO 16684-3), 2.4.1, p. 64."""

INFINITE_DISTANCE_M = 10_000.0
"""Exif writes infinity as the numerator FFFFFFFF, over whatever; no lens tells such a distance from
infinity (a 1000 mm lens at f/4 has its hyperfocal distance at about 8 km)."""

MAX_BIAS_EV = 20.0
"""More is no exposure compensation but a broken ratio (guess; dials end at 5)."""

RW2_ISO = 0x0017
"""Tag of the first directory of RW2 (publicly described by its readers)."""

_SENSITIVITIES_BY_TYPE = {
    1: (exif.STANDARD_OUTPUT_SENSITIVITY,),
    2: (exif.RECOMMENDED_EXPOSURE_INDEX,),
    3: (exif.ISO_SPEED,),
    4: (exif.STANDARD_OUTPUT_SENSITIVITY, exif.RECOMMENDED_EXPOSURE_INDEX),
    5: (exif.STANDARD_OUTPUT_SENSITIVITY, exif.ISO_SPEED),
    6: (exif.RECOMMENDED_EXPOSURE_INDEX, exif.ISO_SPEED),
}
"""Tags that SensitivityType (8830) says PhotographicSensitivity stands for: Exif 3.0, 4.6.5."""

_ANY_SENSITIVITY = (
    exif.STANDARD_OUTPUT_SENSITIVITY,
    exif.RECOMMENDED_EXPOSURE_INDEX,
    exif.ISO_SPEED,
)

_MOMENTS = (
    (exif.DATE_TIME_ORIGINAL, exif.SUB_SEC_TIME_ORIGINAL, exif.OFFSET_TIME_ORIGINAL),
    (exif.DATE_TIME_DIGITIZED, exif.SUB_SEC_TIME_DIGITIZED, exif.OFFSET_TIME_DIGITIZED),
)
"""Date, fraction and zone that belong together. DateTime (0132) is left out: editors renew it."""

_DATE = re.compile(r"(\d{4})[:\-/](\d{2})[:\-/](\d{2})[ T](\d{2}):(\d{2}):(\d{2})")
_OFFSET = re.compile(r"[+-]\d{2}:\d{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Metadata:
    """All that is known of a file before its pixels are read."""

    exposure: Exposure
    declared_width_px: int | None = None
    """Exif PixelXDimension, before rotation."""
    declared_height_px: int | None = None
    focal_plane_x: float | None = None
    focal_plane_y: float | None = None
    focal_plane_unit: int | None = None
    color_space: int | None = None
    """Exif ColorSpace: 1 sRGB, 65535 uncalibrated."""
    interoperability: str | None = None
    """Exif interoperability index: ``R98`` or ``R03`` (DCF optional colour space)."""


def read_tags(data: bytes, *, format: str) -> Tags:  # noqa: A002
    """Join the Exif tags that the readers find in a file.

    Parameters
    ----------
    data : bytes
        The whole file, or what there is of it.
    format : str
        Format by content (`audit.scan`).

    Returns
    -------
    Tags
        Empty where nobody finds anything; never raises on a damaged file.
    """
    tags = merged(_sources(data, format))
    if format == "rw2" and not is_usable(tags.get(exif.PHOTOGRAPHIC_SENSITIVITY, ())):
        tags[exif.PHOTOGRAPHIC_SENSITIVITY] = tags.get(RW2_ISO, ())
    return tags


def _sources(data: bytes, format: str) -> Iterator[Tags]:  # noqa: A002
    blocks = exif_blocks(data, format)
    for reader in (exifread_tags, pillow_tags):
        for block in blocks:
            yield reader(block)
    if format == "crw":
        yield ciff_tags(data)
    elif format == "x3f":
        yield x3f.property_tags(data)


def read_metadata(data: bytes, *, format: str) -> Metadata:  # noqa: A002
    """Read what the camera wrote, without touching the pixels.

    Works on files whose pixels are cut off. Parameters as for `read_tags`.

    Returns
    -------
    Metadata
    """
    return metadata_of(read_tags(data, format=format))


def metadata_of(tags: Tags) -> Metadata:
    """Judge the tags of one file.

    Parameters
    ----------
    tags : Tags
        Joined tags of all readers.

    Returns
    -------
    Metadata
        ``None`` wherever the file does not say, or says something impossible.
    """
    focal_plane_x = positive_of(tags, exif.FOCAL_PLANE_X_RESOLUTION)
    return Metadata(
        exposure=exposure_of(tags),
        declared_width_px=_pixels(tags, exif.PIXEL_X_DIMENSION),
        declared_height_px=_pixels(tags, exif.PIXEL_Y_DIMENSION),
        focal_plane_x=focal_plane_x,
        focal_plane_y=positive_of(tags, exif.FOCAL_PLANE_Y_RESOLUTION),
        focal_plane_unit=_focal_plane_unit(tags) if focal_plane_x else None,
        color_space=integer_of(tags, exif.COLOR_SPACE),
        interoperability=text_of(tags, exif.INTEROPERABILITY),
    )


def exposure_of(tags: Tags) -> Exposure:
    """Judge the exposure tags of one file; see `metadata_of`."""
    shutter_s = _shutter_s(tags)
    aperture_n = _aperture_n(tags)
    iso = _iso(tags)
    taken_at, utc_offset = _moment(tags)
    bias_ev = number_of(tags, exif.EXPOSURE_BIAS_VALUE)
    distance_m = positive_of(tags, exif.SUBJECT_DISTANCE)
    zoom = positive_of(tags, exif.DIGITAL_ZOOM_RATIO)
    mode = integer_of(tags, exif.EXPOSURE_MODE)
    composite = integer_of(tags, exif.COMPOSITE_IMAGE)
    orientation = integer_of(tags, exif.ORIENTATION)
    return Exposure(
        make=text_of(tags, exif.MAKE),
        model=text_of(tags, exif.MODEL) or text_of(tags, exif.DNG_UNIQUE_CAMERA_MODEL),
        lens=_lens(tags),
        body_serial=text_of(tags, exif.BODY_SERIAL_NUMBER)
        or text_of(tags, exif.DNG_CAMERA_SERIAL_NUMBER),
        taken_at=taken_at,
        utc_offset=utc_offset,
        shutter_s=shutter_s,
        aperture_n=aperture_n,
        iso=iso,
        focal_mm=positive_of(tags, exif.FOCAL_LENGTH),
        focal_35mm_mm=positive_of(tags, exif.FOCAL_LENGTH_IN_35MM_FILM),
        bias_ev=bias_ev if bias_ev is not None and abs(bias_ev) <= MAX_BIAS_EV else None,
        ev100=ev100(shutter_s, aperture_n, iso),
        orientation=orientation if orientation is not None and 1 <= orientation <= 8 else 1,
        auto_bracket=None if mode is None else mode == 2,
        subject_distance_m=distance_m if distance_m and distance_m < INFINITE_DISTANCE_M else None,
        digital_zoom=zoom if zoom is not None and zoom > 1 else None,
        composite={1: False, 2: True, 3: True}.get(composite) if composite else None,
        edited_with=text_of(tags, exif.IMAGE_EDITING_SOFTWARE)
        or text_of(tags, exif.RAW_DEVELOPING_SOFTWARE),
        sequence=sequence_of(bytes_of(tags, exif.DNG_IMAGE_SEQUENCE_INFO)),
    )


def ev100(shutter_s: float | None, aperture_n: float | None, iso: float | None) -> float | None:
    """Light level that the settings fit, in EV at ISO 100.

    Parameters
    ----------
    shutter_s, aperture_n, iso : float or None
        All positive.

    Returns
    -------
    float or None
        Av + Tv - log2(ISO / 100), APEX (Exif 3.0, annex C); ``None`` where one is unknown.
    """
    if shutter_s is None or aperture_n is None or iso is None:
        return None
    return 2 * math.log2(aperture_n) - math.log2(shutter_s) - math.log2(iso / 100)


def _shutter_s(tags: Tags) -> float | None:
    """ExposureTime; its APEX twin only where the camera wrote none (1/125 may stand as 1/128)."""
    if is_usable(tags.get(exif.EXPOSURE_TIME, ())):
        return positive_of(tags, exif.EXPOSURE_TIME)
    time_value = number_of(tags, exif.SHUTTER_SPEED_VALUE)
    return None if time_value is None or abs(time_value) > 40 else 2.0**-time_value


def _aperture_n(tags: Tags) -> float | None:
    """FNumber; its APEX twin only where the camera wrote none. 0 is a lens without contacts."""
    if is_usable(tags.get(exif.F_NUMBER, ())):
        return positive_of(tags, exif.F_NUMBER)
    # An APEX 0 would be f/1; cameras write it for 'unknown'.
    aperture_value = positive_of(tags, exif.APERTURE_VALUE)
    return None if aperture_value is None or aperture_value > 20 else 2.0 ** (aperture_value / 2)


def _iso(tags: Tags) -> float | None:
    """PhotographicSensitivity, or the tag that its 65535 refers to."""
    iso = positive_of(tags, exif.PHOTOGRAPHIC_SENSITIVITY)
    if iso is not None and iso != ISO_ELSEWHERE:
        return iso
    kind = integer_of(tags, exif.SENSITIVITY_TYPE) or 0
    for number in _SENSITIVITIES_BY_TYPE.get(kind, _ANY_SENSITIVITY):
        if (value := positive_of(tags, number)) is not None:
            return value
    return positive_of(tags, exif.EXPOSURE_INDEX) or positive_of(tags, exif.TIFF_EP_EXPOSURE_INDEX)


def _moment(tags: Tags) -> tuple[str | None, str | None]:
    """Local time with the fraction's digits as written, and the zone if the camera said it."""
    for date_tag, fraction_tag, offset_tag in _MOMENTS:
        found = _DATE.match(text_of(tags, date_tag) or "")
        if not found:
            continue
        year, month, day, hour, minute, second = (int(part) for part in found.groups())
        try:
            moment = datetime(year, month, day, hour, minute, second)
        except ValueError:  # zeros and other impossible dates
            continue
        # The camera's own clock, no zone. A decimal fraction: "5" is half a second, "05" 1/20.
        fraction = text_of(tags, fraction_tag) or ""
        digits = f".{fraction}" if fraction.isascii() and fraction.isdigit() else ""
        offset = text_of(tags, offset_tag) or ""
        return moment.isoformat() + digits, offset if _OFFSET.fullmatch(offset) else None
    return None, None


def _lens(tags: Tags) -> str | None:
    """LensModel; a text without any letter (``1``, ``----``) names no lens."""
    lens = text_of(tags, exif.LENS_MODEL)
    return lens if lens and any(character.isalpha() for character in lens) else None


def _pixels(tags: Tags, number: int) -> int | None:
    value = positive_of(tags, number)
    return None if value is None else int(value)


def _focal_plane_unit(tags: Tags) -> int:
    """FocalPlaneResolutionUnit; inch where the camera left it out (Exif 3.0, 4.6.6)."""
    unit = integer_of(tags, exif.FOCAL_PLANE_RESOLUTION_UNIT)
    return 2 if unit is None else unit


def sequence_of(content: bytes) -> str | None:
    """Read a DNG ImageSequenceInfo tag as ``id/type/index/count``.

    Parameters
    ----------
    content : bytes
        Sequence id, type and frame info, each ended by a zero byte; then index and count as
        big-endian 32-bit numbers, and a byte that marks a final picture (DNG 1.7.1, chapter 4).

    Returns
    -------
    str or None
        ``None`` where the content is not of that form.
    """
    parts = content.split(b"\0", 3)
    if len(parts) < 4 or len(parts[3]) < 9 or not parts[0]:
        return None
    index, count = struct.unpack_from(">II", parts[3])
    identity, kind = (part.decode("utf-8", "replace") for part in parts[:2])
    return f"{identity}/{kind}/{index}/{count}"
