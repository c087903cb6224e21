"""One file, opened: its Exposure, the facts of its pixels, and the pixels."""

from audit.decode.developed import read_developed
from audit.decode.lens_database import database_crop
from audit.decode.metadata import Metadata, metadata_of, read_metadata, read_tags
from audit.decode.planes import Decoded
from audit.decode.raw import RawPixels, read_mosaic
from audit.errors import UnreadableFrame, UnsupportedFrame
from audit.records import Exposure, SensorFacts

MAX_PIXELS = 300_000_000
"""Most pixels of one frame: twice the largest sensor in use (150 MP); a guess for a bound."""

DEVELOPED_FORMATS = frozenset({"jpeg", "tiff"})

_REDUCED_PREVIEW = 0.8
"""A raw file whose Exif declares fewer columns than this share of the sensor's describes a preview;
borders and crops inside the camera leave 0.95 and more (seen), or 0.62 and less (crop modes, whose
raw data are cropped too)."""

_SAME_SHAPE = 0.02
"""How far two aspect ratios may differ where one picture is the other, reduced (rounding of a side
of 50 pixels)."""


def open_frame(
    data: bytes,
    *,
    name: str,
    format: str,  # noqa: A002
    max_pixels: int = MAX_PIXELS,
) -> Decoded:
    """Read one whole file.

    Parameters
    ----------
    data : bytes
        The whole file, read once by the caller.
    name : str
        For messages.
    format : str
        Format by content, as `audit.scan` gives it: ``jpeg``, ``tiff``, ``dng``, ``cr3`` ...
    max_pixels : int
        Most pixels that are decoded.

    Returns
    -------
    Decoded

    Raises
    ------
    DamagedFrame, UnsupportedFrame, TooLargeFrame, UnreadableFrame
        And nothing else, whatever the file holds. Messages name the file, what was expected and
        what was found.
    """
    if format == "unknown":
        raise UnreadableFrame(
            f"{name}: expected a photograph, found {_first_bytes(data)}", code="no-photograph"
        )
    if format == "heif":
        raise UnsupportedFrame(
            f"{name}: expected a raw, JPEG or TIFF file, found HEIF", code="heif"
        )
    if format in DEVELOPED_FORMATS:
        return open_developed(data, name, format, max_pixels)
    return _open_raw(data, name, format, max_pixels)


def _first_bytes(data: bytes) -> str:
    """Describe what a file of no known format begins with."""
    if not data:
        return "an empty file"
    return f"{len(data):,} bytes that begin with {data[:8].hex(' ')}"


def _open_raw(data: bytes, name: str, format: str, max_pixels: int) -> Decoded:  # noqa: A002
    tags = read_tags(data, format=format)
    pixels = read_mosaic(data, name=name, format=format, max_pixels=max_pixels)
    # LibRaw speaks only where no Exif reader found the tag at all: it gives 1 for a written 0.
    metadata = metadata_of({**pixels.tags, **tags})
    return Decoded(
        exposure=metadata.exposure,
        facts=_raw_facts(pixels, metadata),
        pixels=pixels.mosaic,
        notes=pixels.notes,
    )


def _raw_facts(pixels: RawPixels, metadata: Metadata) -> SensorFacts:
    mosaic = pixels.mosaic
    height_px, width_px = mosaic.samples.shape
    return SensorFacts(
        width_px=width_px,
        height_px=height_px,
        basis="raw",
        native_width_px=width_px,
        focal_plane_x=on_sensor(metadata.focal_plane_x, width_px, metadata),
        focal_plane_y=on_sensor(metadata.focal_plane_y, width_px, metadata),
        focal_plane_unit=metadata.focal_plane_unit,
        database_crop=_crop(metadata.exposure),
        cfa="".join("RGB"[colour] for colour in mosaic.pattern.ravel().tolist()),
        black_dn=tuple(mosaic.black_dn.ravel().tolist()),
        white_dn=tuple(mosaic.white_dn.ravel().tolist()),
    )


def on_sensor(density: float | None, width_px: int, metadata: Metadata) -> float | None:
    """Focal-plane resolution of the sensor's own columns.

    Some cameras write the Exif of a raw file for the reduced preview inside (RAF: 1920 columns at
    820 a cm, a true 23.4 mm); then columns and resolution are both too small by one factor.
    """
    declared = metadata.declared_width_px
    if density is None or not declared or declared >= _REDUCED_PREVIEW * width_px:
        return density
    return density * width_px / declared


def open_developed(
    data: bytes,
    name: str,
    format: str,  # noqa: A002
    max_pixels: int,
    luma_shrink: int | None = None,
) -> Decoded:
    """Read a developed file like `open_frame`; ``luma_shrink`` as for `read_developed`."""
    metadata = read_metadata(data, format=format)
    pixels = read_developed(
        data,
        name=name,
        format=format,
        max_pixels=max_pixels,
        metadata=metadata,
        luma_shrink=luma_shrink,
    )
    height_px, width_px = pixels.height_px, pixels.width_px
    native_width_px, size_notes = native_width(
        width_px, height_px, metadata.declared_width_px, metadata.declared_height_px
    )
    facts = SensorFacts(
        width_px=width_px,
        height_px=height_px,
        basis="developed",
        native_width_px=native_width_px,
        focal_plane_x=metadata.focal_plane_x,
        focal_plane_y=metadata.focal_plane_y,
        focal_plane_unit=metadata.focal_plane_unit,
        database_crop=_crop(metadata.exposure),
    )
    return Decoded(
        exposure=metadata.exposure,
        facts=facts,
        pixels=pixels.developed,
        notes=(*pixels.notes, *size_notes),
        complaint=pixels.complaint,
    )


def native_width(
    width_px: int,
    height_px: int,
    declared_width_px: int | None,
    declared_height_px: int | None,
) -> tuple[int, tuple[str, ...]]:
    """Columns of the full-size picture, by the size that Exif declares.

    Parameters
    ----------
    width_px, height_px : int
        As decoded.
    declared_width_px, declared_height_px : int or None
        Exif PixelXDimension and PixelYDimension; editors often leave them as the camera wrote them.

    Returns
    -------
    int
        The declared columns where the picture is a reduced copy (same shape, fewer pixels), turned
        with the picture where an editor turned it; else the decoded ones.
    tuple of str
        What a person should know about a size that does not fit.
    """
    if not declared_width_px or not declared_height_px:
        return width_px, ()
    declared = (declared_width_px, declared_height_px)
    if (width_px, height_px) in (declared, declared[::-1]):
        return width_px, ()
    found = f"{width_px} x {height_px} pixels; the camera wrote {declared[0]} x {declared[1]}"
    for columns, rows in (declared, declared[::-1]):
        if abs(width_px * rows / (height_px * columns) - 1) < _SAME_SHAPE and columns > width_px:
            note = f"The picture was reduced: {found}. Its sharpness is not the camera's."
            return columns, (note,)
    return width_px, (f"The picture was cropped or edited: {found}.",)


def _crop(exposure: Exposure) -> float | None:
    return database_crop(exposure.make, exposure.model)
