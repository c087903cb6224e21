"""Turning pictures, tiles and directions once, checked against Pillow's own transposition."""

import numpy as np
import pytest
from PIL import Image, ImageOps

from audit.measure.orientation import viewed, viewed_angle_deg, viewed_tile

ORIENTATIONS = range(1, 9)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_pictures_turn_as_pillow_turns_them(orientation: int) -> None:
    """Pillow's `exif_transpose` follows CIPA DC-008, tag 0112."""
    stored = np.arange(6, dtype=np.uint8).reshape(2, 3)
    picture = Image.fromarray(stored)
    exif = picture.getexif()
    exif[0x0112] = orientation
    picture.info["exif"] = exif.tobytes()

    assert np.array_equal(viewed(stored, orientation), np.asarray(ImageOps.exif_transpose(picture)))


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_a_tile_goes_where_its_picture_goes(orientation: int) -> None:
    stored = np.arange(12).reshape(3, 4)

    place = viewed_tile((0, 1), stored.shape, orientation)

    assert viewed(stored, orientation)[place] == stored[0, 1]


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0, 150.0])
def test_a_direction_turns_with_its_picture(orientation: int, angle_deg: float) -> None:
    """A drawn line is turned with the picture and its direction is read off the pixels."""
    rows, cols = np.mgrid[-60:61, -60:61]
    angle = np.radians(angle_deg)
    line = np.abs(cols * np.sin(angle) + rows * np.cos(angle)) < 1.0

    turned_rows, turned_cols = np.nonzero(viewed(line, orientation))
    along = turned_cols - turned_cols.mean()
    up = -(turned_rows - turned_rows.mean())
    read_deg = np.degrees(0.5 * np.arctan2(2 * (along * up).sum(), (along**2 - up**2).sum())) % 180

    off_deg = abs(viewed_angle_deg(angle_deg, orientation) - read_deg) % 180
    assert min(off_deg, 180 - off_deg) < 1.0
