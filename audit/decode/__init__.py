"""File to Exposure and pixels: the only user of the raw, JPEG, TIFF, Exif and lens libraries."""

from audit.decode.first_look import FirstLook, first_look_of_jpeg, first_look_of_raw
from audit.decode.frame import MAX_PIXELS, open_frame
from audit.decode.jpeg import thumbnail
from audit.decode.metadata import Metadata, ev100, read_metadata
from audit.decode.planes import Decoded, Developed, Mosaic

__all__ = [
    "MAX_PIXELS",
    "Decoded",
    "Developed",
    "FirstLook",
    "Metadata",
    "Mosaic",
    "ev100",
    "first_look_of_jpeg",
    "first_look_of_raw",
    "open_frame",
    "read_metadata",
    "thumbnail",
]
