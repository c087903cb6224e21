"""The small colour pictures of a decoded frame that the report page shows.

Made while the original is open, so that the page never needs it again: a reduced view, and two
unscaled cuts, one at the sharpest and one at the softest place that could be measured.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.decode import Developed, Mosaic
from audit.decode.screen_picture import in_srgb, webp
from audit.measure.orientation import stored_tile, viewed, viewed_box
from audit.measure.preview import srgb_codes
from audit.measure.small_pictures import (
    CROP_SIDE_PX,
    THUMBNAIL_LONG_EDGE_PX,
    brightening,
    busiest_corner,
    matrix_to_srgb,
    mosaic_cut,
    mosaic_view,
    pooled,
    rendered,
    sample_places,
    view_size,
)
from audit.measure.stops_histogram import (
    LOWEST_EV,
    STEP_EV,
    histogram_of_developed,
    histogram_of_mosaic,
)
from audit.records import Crop, Histogram, PictureName, Sharpness, SharpnessMap

THUMBNAIL_BYTES = 8_000
CROP_BYTES = 11_000
"""Most that each may take: so the worst frame of a page in one file stays below 50 kB with its
text, once a third is added for the text form of its bytes (project's choice)."""

SRGB_FROM_DCF_OPTIONAL = np.array(
    [[1.39836, -0.39836, 0.0], [0.0, 1.0, 0.0], [0.0, -0.04293, 1.04293]], np.float32
)
"""From the primaries of the DCF optional colour space, which are those of IEC 61966-2-5, to those
of IEC 61966-2-1, both with white D65."""

Saturation = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class PagePictures:
    """What the report page needs of one frame's pixels."""

    pictures: dict[PictureName, bytes]
    sharpest: Crop | None
    softest: Crop | None
    histogram: Histogram


def page_pictures(
    pixels: Mosaic | Developed,
    sharpness: Sharpness,
    orientation: int,
    saturation_dn: Sequence[float | None],
) -> PagePictures:
    """Make the reduced view and the two cuts.

    Parameters
    ----------
    pixels : Mosaic or Developed
    sharpness : Sharpness
        In viewed orientation; its map chooses the places of the cuts.
    orientation : int
        Exif Orientation.
    saturation_dn : three floats
        Of a mosaic: level above black where each colour saturates; where it is not known the
        nominal white level serves.

    Returns
    -------
    PagePictures
        Without cuts where nothing could be measured; with one where only one tile could.
    """
    levels = _levels(pixels, saturation_dn)
    thumbnail = viewed(_view(pixels, levels), orientation)
    pictures: dict[PictureName, bytes] = {"thumbnail": webp(thumbnail, THUMBNAIL_BYTES)}
    crops: dict[PictureName, Crop] = {}
    if sharpness.map is not None:
        for name, tile in _tiles(sharpness.map, sharpness.best_tile).items():
            crops[name], codes = _cut(pixels, sharpness.map, tile, orientation, levels)
            pictures[name] = webp(codes, CROP_BYTES)
    return PagePictures(
        pictures=pictures,
        sharpest=crops.get("sharpest"),
        softest=crops.get("softest"),
        histogram=_histogram(pixels, levels),
    )


def _histogram(pixels: Mosaic | Developed, saturation_dn: Saturation) -> Histogram:
    if isinstance(pixels, Mosaic):
        found = histogram_of_mosaic(pixels.samples, pixels.pattern, pixels.black_dn, saturation_dn)
    else:
        found = histogram_of_developed(pixels.codes, pixels.curve)
    red, green, blue = found.shares
    return Histogram(
        low_ev=LOWEST_EV,
        step_ev=STEP_EV,
        r=red,
        g=green,
        b=blue,
        samples=found.samples,
        error_share=found.error_share,
    )


def _levels(pixels: Mosaic | Developed, saturation_dn: Sequence[float | None]) -> Saturation:
    """Saturation of each colour, the nominal one where it was not found."""
    if isinstance(pixels, Developed):
        return 1.0, 1.0, 1.0
    nominal = float((pixels.white_dn - pixels.black_dn).max())
    red, green, blue = (level or nominal for level in saturation_dn)
    return red, green, blue


def _tiles(tiles: SharpnessMap, best: tuple[int, int] | None) -> dict[PictureName, tuple[int, int]]:
    """Sharpest tile by the measure's own word, softest by width; the same one is shown once."""
    measured = [
        (width, row, col)
        for row, widths in enumerate(tiles.edge_width_px)
        for col, width in enumerate(widths)
        if width is not None
    ]
    if best is None or not measured:
        return {}
    softest = max(measured)[1:]
    return {"sharpest": best} if softest == best else {"sharpest": best, "softest": softest}


def _cut(
    pixels: Mosaic | Developed,
    tiles: SharpnessMap,
    tile: tuple[int, int],
    orientation: int,
    saturation_dn: Saturation,
) -> tuple[Crop, NDArray[np.uint8]]:
    """One cut as it is viewed, and where it lies."""
    at, grid = stored_tile(tile, (tiles.rows, tiles.cols), orientation)
    plane = pixels.samples if isinstance(pixels, Mosaic) else _luma_like(pixels)
    step = pixels.pattern.shape[0] if isinstance(pixels, Mosaic) else 1
    corner = busiest_corner(plane, at, grid, step)
    codes, gain = _cut_codes(pixels, corner, saturation_dn)
    shown_rows, shown_cols = codes.shape[:2]
    rows, cols = plane.shape
    box = viewed_box(
        (corner[0] / rows, corner[1] / cols, shown_rows / rows, shown_cols / cols), orientation
    )
    crop = Crop(
        tile=tile,
        top_share=round(box[0], 5),
        left_share=round(box[1], 5),
        height_share=round(box[2], 5),
        width_share=round(box[3], 5),
        edge_width_px=tiles.edge_width_px[tile[0]][tile[1]] or 0.0,
        brightened_ev=round(math.log2(gain), 2),
    )
    return crop, viewed(codes, orientation)


def _luma_like(picture: Developed) -> NDArray[np.generic]:
    """Plane in which steps are looked for: green, or grey."""
    return picture.codes if picture.codes.ndim == 2 else picture.codes[:, :, 1]


def _view(pixels: Mosaic | Developed, saturation_dn: Saturation) -> NDArray[np.uint8]:
    if isinstance(pixels, Mosaic):
        camera = mosaic_view(pixels.samples, pixels.pattern, pixels.black_dn, saturation_dn)
        return srgb_codes(_rendered(pixels, camera))
    size = view_size(pixels.codes.shape, THUMBNAIL_LONG_EDGE_PX)
    rows, cols = (
        sample_places(have, want) for have, want in zip(pixels.codes.shape, size, strict=False)
    )
    # Means are taken of light, not of codes: fine contrast would come out too dark.
    return _shown(pixels, pooled(pixels.linear(pixels.codes[rows].take(cols, axis=1))))


def _rendered(mosaic: Mosaic, camera: NDArray[np.float32]) -> NDArray[np.float32]:
    matrix = mosaic.camera_from_xyz
    return rendered(
        camera, mosaic.white_balance, None if matrix is None else matrix_to_srgb(matrix)
    )


def _cut_codes(
    pixels: Mosaic | Developed, corner: tuple[int, int], saturation_dn: Saturation
) -> tuple[NDArray[np.uint8], float]:
    linear = _linear_cut(pixels, corner, (CROP_SIDE_PX, CROP_SIDE_PX), saturation_dn)
    gain = brightening(linear)
    return _coded_cut(pixels, linear * np.float32(gain)), gain


def cut_codes(
    pixels: Mosaic | Developed,
    corner: tuple[int, int],
    size: tuple[int, int],
    saturation_dn: Sequence[float | None],
    brightened_ev: float = 0.0,
) -> NDArray[np.uint8]:
    """Unscaled part of a frame in the same plain rendering as the cuts of the page.

    Parameters
    ----------
    pixels : Mosaic or Developed
    corner, size : (row, col), (rows, cols)
        In stored orientation; less is given where the frame ends.
    saturation_dn : three floats
        As for `page_pictures`.
    brightened_ev : float
        Stops by which its light is multiplied.

    Returns
    -------
    (rows, cols, 3) or (rows, cols) uint8 array
        sRGB.
    """
    linear = _linear_cut(pixels, corner, size, _levels(pixels, saturation_dn))
    return _coded_cut(pixels, linear * np.float32(2.0**brightened_ev))


def _linear_cut(
    pixels: Mosaic | Developed,
    corner: tuple[int, int],
    size: tuple[int, int],
    saturation_dn: Saturation,
) -> NDArray[np.float32]:
    row, col = corner
    if isinstance(pixels, Developed):
        return pixels.linear(pixels.codes[row : row + size[0], col : col + size[1]])
    levels = (pixels.pattern, pixels.black_dn, saturation_dn)
    return _rendered(pixels, mosaic_cut(pixels.samples, *levels, corner, size))


def _coded_cut(pixels: Mosaic | Developed, linear: NDArray[np.float32]) -> NDArray[np.uint8]:
    return srgb_codes(linear) if isinstance(pixels, Mosaic) else _shown(pixels, linear)


def _shown(picture: Developed, linear: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Code linear light of a developed picture in sRGB, whatever its own colour space."""
    if picture.profile is not None:
        return in_srgb(picture.coded(linear), picture.profile)
    if picture.encoding == "DCF optional" and linear.ndim == 3:
        linear = linear @ SRGB_FROM_DCF_OPTIONAL.T
    return srgb_codes(linear)
