"""A reduced view of a frame at a tenth of the cost: a JPEG's own luma, or a raw file's preview.

Of a JPEG the inverse transform makes half as many rows and columns by itself. Of a raw file LibRaw
finds the largest embedded JPEG without unpacking a sample, and only the head of the file, where
cameras keep their Exif, is read beside it.
"""

from dataclasses import dataclass
from pathlib import Path

from audit.decode import tags as exif
from audit.decode.developed import read_developed
from audit.decode.frame import on_sensor, open_developed
from audit.decode.lens_database import database_crop
from audit.decode.metadata import metadata_of, read_tags
from audit.decode.planes import Decoded, Developed
from audit.decode.raw import RawPreview, read_preview
from audit.decode.tags import Tags, is_usable
from audit.errors import FrameError
from audit.records import SensorFacts

SHRINK = 2
"""Rows and columns of a full-size picture for one of the reduced one."""

FULL_SIZE_SHARE = 0.75
"""A preview with fewer of the sensor's columns than this is a reduced copy already and is taken as
it is (project's choice)."""

COARSEST_SCALE = 4.2
"""Native pixels that one pixel of a preview may stand for; smaller previews tell too little of
sharpness (project's choice: a preview of 1,620 columns of a sensor of 6,000 just passes)."""

SAME_SHAPE = 0.02
"""How far the aspect ratio of a preview may differ from the sensor's: black bars or another crop
would make lengths and places wrong."""

HEAD_BYTES = 2_000_000
"""Read for the Exif; cameras write it first (seen on header-only files of the test collections)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLook:
    """What is known of a frame before it is measured in full.

    Attributes
    ----------
    decoded : Decoded
        Facts of the full-size frame; its pixels are the reduced luma.
    picture : Developed
        These pixels.
    scale : float
        Native pixels for one of them, along a side.
    """

    decoded: Decoded
    picture: Developed
    scale: float


def first_look_of_jpeg(data: bytes, *, name: str, max_pixels: int) -> FirstLook | None:
    """Open a JPEG file at half size.

    Parameters
    ----------
    data : bytes
        The whole file: its stream cannot be read in part.
    name, max_pixels
        As for `open_frame`.

    Returns
    -------
    FirstLook or None
        ``None`` where the decoder complains: damage is told by the full measurement alone.

    Raises
    ------
    FrameError
        As `open_frame` does.
    """
    decoded = open_developed(data, name, "jpeg", max_pixels, luma_shrink=SHRINK)
    return None if decoded.complaint is not None else _first_look(decoded)


def first_look_of_raw(
    path: Path,
    *,
    name: str,
    format: str,  # noqa: A002
    max_pixels: int,
) -> FirstLook | None:
    """Open the largest preview inside a raw file.

    Parameters
    ----------
    path : Path
    name, format, max_pixels
        As for `open_frame`.

    Returns
    -------
    FirstLook or None
        ``None`` where there is no sound JPEG preview of the whole frame that is large enough.
    """
    preview = read_preview(path, format)
    if preview is None or preview.width_px * preview.height_px > max_pixels:
        return None
    try:
        return _of_preview(preview, metadata_tags(path, format), name, max_pixels)
    except (FrameError, OSError):
        return None


def metadata_tags(path: Path, format: str) -> Tags:  # noqa: A002
    """Read Exif tags from the head of a file, or from all of it where the head has no exposure."""
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
        tags = read_tags(head, format=format)
        if all(is_usable(tags.get(tag, ())) for tag in (exif.EXPOSURE_TIME, exif.F_NUMBER)):
            return tags
        return read_tags(head + file.read(), format=format)


def _of_preview(preview: RawPreview, tags: Tags, name: str, max_pixels: int) -> FirstLook | None:
    metadata = metadata_of({**preview.tags, **tags})
    stored_px = preview.columns()
    shrink = SHRINK if stored_px >= FULL_SIZE_SHARE * preview.width_px else 1
    found = read_developed(
        preview.jpeg,
        name=name,
        format="jpeg",
        max_pixels=max_pixels,
        metadata=metadata,
        luma_shrink=shrink,
    )
    shape = (found.width_px / found.height_px) / (preview.width_px / preview.height_px)
    if found.complaint is not None or abs(shape - 1) > SAME_SHAPE:
        return None
    facts = SensorFacts(
        width_px=preview.width_px,
        height_px=preview.height_px,
        basis="developed",
        native_width_px=preview.width_px,
        focal_plane_x=on_sensor(metadata.focal_plane_x, preview.width_px, metadata),
        focal_plane_y=on_sensor(metadata.focal_plane_y, preview.width_px, metadata),
        focal_plane_unit=metadata.focal_plane_unit,
        database_crop=database_crop(metadata.exposure.make, metadata.exposure.model),
    )
    return _first_look(
        Decoded(exposure=metadata.exposure, facts=facts, pixels=found.developed, notes=found.notes)
    )


def _first_look(decoded: Decoded) -> FirstLook | None:
    picture = decoded.pixels
    if not isinstance(picture, Developed) or picture.codes.ndim != 2:
        return None
    scale = decoded.facts.width_px / picture.codes.shape[1]
    if scale > COARSEST_SCALE:
        return None
    return FirstLook(decoded=decoded, picture=picture, scale=scale)
