"""The small pictures of the store: read back as they were written, or not at all."""

import imageio.v3 as imageio
import numpy as np
import pytest

from audit.decode.small_pictures import read_grey_png


def test_a_grey_png_is_read_back_exactly() -> None:
    codes = np.arange(256, dtype=np.uint8).reshape(8, 32)

    read = read_grey_png(imageio.imwrite("<bytes>", codes, extension=".png"))

    assert read is not None
    assert np.array_equal(read, codes)


@pytest.mark.parametrize("data", [b"", b"\x89PNG\r\n", b"not a picture"])
def test_what_is_no_picture_is_as_if_there_were_none(data: bytes) -> None:
    assert read_grey_png(data) is None


def test_a_colour_picture_is_none_of_ours() -> None:
    colour = np.zeros((4, 4, 3), np.uint8)

    assert read_grey_png(imageio.imwrite("<bytes>", colour, extension=".png")) is None
