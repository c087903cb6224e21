"""Colour management and compression of the small pictures for the report page."""

import functools
import io

import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image, ImageCms

QUALITIES = (80, 65, 50, 35, 20, 5)
"""WebP qualities tried in turn. At 80 the Laplacian variance of textured cuts is kept within 1 %:
no sharpness is invented or lost (measured on four textured cuts)."""

EFFORT = 4
"""WebP effort, 0 to 6. Measured on a reduced view: 1 takes 1.8 ms and 8.9 kB, 2 takes 2.5 ms and
8.4 kB, 4 takes 4.9 ms and 7.9 kB."""

TILE_QUALITY = 95
"""JPEG quality of what is looked at pixel by pixel, colour at full size (project's choice)."""


def in_srgb(codes: NDArray[np.uint8], profile: bytes | None) -> NDArray[np.uint8]:
    """Convert a small picture from its embedded profile to sRGB.

    Parameters
    ----------
    codes : (rows, cols, 3) or (rows, cols) uint8 array
    profile : bytes or None
        Embedded ICC profile; may be broken, then the codes are taken as sRGB.

    Returns
    -------
    uint8 array of the same shape
    """
    if profile is None or codes.ndim != 3:
        return codes
    try:
        transform = _to_srgb(profile)
        turned = ImageCms.applyTransform(Image.fromarray(codes), transform)
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return codes
    return codes if turned is None else np.asarray(turned)


@functools.lru_cache(maxsize=4)
def _to_srgb(profile: bytes) -> ImageCms.ImageCmsTransform:
    """Transform of one profile; a card holds few, and building takes longer than using."""
    return ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        "RGB",
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )


def png(codes: NDArray[np.uint8], strategy: int = 0) -> bytes:
    """Encode a small grey picture without loss.

    Parameters
    ----------
    codes : (rows, cols) uint8 array
    strategy : int
        zlib's.
    """
    file = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(codes)).save(file, "PNG", compress_type=strategy)
    return file.getvalue()


def webp(codes: NDArray[np.uint8], most_bytes: int) -> bytes:
    """Compress a small picture, coarser until it fits.

    Parameters
    ----------
    codes : (rows, cols, 3) or (rows, cols) uint8 array
    most_bytes : int
        Bytes that the result may take; where even the coarsest takes more, that is what comes.

    Returns
    -------
    bytes
        A WebP file without any metadata.
    """
    picture = Image.fromarray(np.ascontiguousarray(codes)).convert("RGB")
    for quality in QUALITIES:
        file = io.BytesIO()
        picture.save(file, "WEBP", quality=quality, method=EFFORT)
        if file.tell() <= most_bytes:
            break
    return file.getvalue()


def jpeg(codes: NDArray[np.uint8]) -> bytes:
    """Compress a part of a frame that is looked at pixel by pixel.

    Parameters
    ----------
    codes : (rows, cols, 3) or (rows, cols) uint8 array

    Returns
    -------
    bytes
        A JPEG file without any metadata.
    """
    is_grey = codes.ndim == 2
    planes = np.ascontiguousarray(codes[:, :, None] if is_grey else codes)
    data: bytes = simplejpeg.encode_jpeg(
        planes,
        quality=TILE_QUALITY,
        colorspace="Gray" if is_grey else "RGB",
        colorsubsampling="Gray" if is_grey else "444",
    )
    return data
