"""Exif tags by number in one plain form, whoever read them.

Every reader gives `Tags`: the tag's number to a text, or to a tuple of numbers where a ratio over
zero is ``None``. So the traps of the standard are handled once, in `audit.decode.metadata`.
"""

from collections.abc import Iterable, Mapping
from typing import TypeAlias

Value: TypeAlias = str | tuple[float | None, ...]
Tags: TypeAlias = Mapping[int, Value]

# Numbers: Exif 3.0 (CIPA DC-008-2023) clauses 4.6.4 - 4.6.6, TIFF 6.0, DNG 1.7.1.
MAKE = 0x010F
MODEL = 0x0110
ORIENTATION = 0x0112
DATE_TIME = 0x0132
EXPOSURE_TIME = 0x829A
F_NUMBER = 0x829D
EXIF_POINTER = 0x8769
PHOTOGRAPHIC_SENSITIVITY = 0x8827
SENSITIVITY_TYPE = 0x8830
STANDARD_OUTPUT_SENSITIVITY = 0x8831
RECOMMENDED_EXPOSURE_INDEX = 0x8832
ISO_SPEED = 0x8833
DATE_TIME_ORIGINAL = 0x9003
DATE_TIME_DIGITIZED = 0x9004
OFFSET_TIME = 0x9010
OFFSET_TIME_ORIGINAL = 0x9011
OFFSET_TIME_DIGITIZED = 0x9012
SHUTTER_SPEED_VALUE = 0x9201
APERTURE_VALUE = 0x9202
EXPOSURE_BIAS_VALUE = 0x9204
SUBJECT_DISTANCE = 0x9206
FOCAL_LENGTH = 0x920A
TIFF_EP_EXPOSURE_INDEX = 0x9215
SUB_SEC_TIME = 0x9290
SUB_SEC_TIME_ORIGINAL = 0x9291
SUB_SEC_TIME_DIGITIZED = 0x9292
MAKER_NOTE = 0x927C
COLOR_SPACE = 0xA001
PIXEL_X_DIMENSION = 0xA002
PIXEL_Y_DIMENSION = 0xA003
INTEROPERABILITY = 0xA005
"""The pointer's own number; in `Tags` it holds the interoperability index itself (R98, R03)."""
FOCAL_PLANE_X_RESOLUTION = 0xA20E
FOCAL_PLANE_Y_RESOLUTION = 0xA20F
FOCAL_PLANE_RESOLUTION_UNIT = 0xA210
EXPOSURE_INDEX = 0xA215
EXPOSURE_MODE = 0xA402
DIGITAL_ZOOM_RATIO = 0xA404
FOCAL_LENGTH_IN_35MM_FILM = 0xA405
BODY_SERIAL_NUMBER = 0xA431
LENS_MODEL = 0xA434
RAW_DEVELOPING_SOFTWARE = 0xA43A
IMAGE_EDITING_SOFTWARE = 0xA43B
COMPOSITE_IMAGE = 0xA460
DNG_UNIQUE_CAMERA_MODEL = 50708
DNG_CAMERA_SERIAL_NUMBER = 50735
DNG_IMAGE_SEQUENCE_INFO = 52548


def merged(sources: Iterable[Tags]) -> dict[int, Value]:
    """Join what several readers found: of each tag the first usable value.

    A value is usable where it holds a printing character or a number; an unusable one stands only
    where no reader knows better.
    """
    tags: dict[int, Value] = {}
    for source in sources:
        for number, value in source.items():
            if number not in tags or (is_usable(value) and not is_usable(tags[number])):
                tags[number] = value
    return tags


def is_usable(value: Value) -> bool:
    """Whether a value says anything."""
    if isinstance(value, str):
        return bool(value.strip("\0 \t\r\n"))
    return any(number is not None for number in value)


def text_of(tags: Tags, number: int) -> str | None:
    """Text of a tag without padding; numbers as written; ``None`` where blank or missing."""
    value = tags.get(number)
    if value is None:
        return None
    if not isinstance(value, str):
        value = " ".join(f"{part:g}" for part in value if part is not None)
    return " ".join(value.split("\0", 1)[0].split()) or None


def number_of(tags: Tags, number: int) -> float | None:
    """First number of a tag; ``None`` where missing, over zero, or a text that is no number."""
    value = tags.get(number)
    if isinstance(value, str):
        try:
            value = (float(value.strip("\0 ")),)
        except ValueError:
            return None
    if not value:
        return None
    first = value[0]
    # A float tag may hold infinity or NaN: neither is a number that a rule can use.
    return first if first is not None and abs(first) < float("inf") else None


def positive_of(tags: Tags, number: int) -> float | None:
    """Like `number_of`, where 0 and less mean 'unknown'."""
    value = number_of(tags, number)
    return value if value is not None and value > 0 else None


def integer_of(tags: Tags, number: int) -> int | None:
    """Like `number_of`, as a whole number."""
    value = number_of(tags, number)
    return None if value is None else int(value)


def bytes_of(tags: Tags, number: int) -> bytes:
    """Binary content of a tag; empty where missing or no bytes."""
    value = tags.get(number, ())
    if isinstance(value, str):
        return value.encode("latin-1", "replace")
    if all(part is not None and 0 <= part <= 255 and part == int(part) for part in value):
        return bytes(int(part) for part in value if part is not None)
    return b""
