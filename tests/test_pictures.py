"""Pictures for the page: sizes kept, places agreeing with the map, colours managed."""

import io

import numpy as np
import pytest
from PIL import Image, ImageCms

from audit.decode import Developed, Mosaic
from audit.decode.screen_picture import in_srgb, webp
from audit.pictures import CROP_BYTES, THUMBNAIL_BYTES, page_pictures
from audit.records import Sharpness, SharpnessMap

LINEAR = (np.linspace(0, 1, 256, dtype=np.float32),)


def sharpness_of(*widths: tuple[float | None, ...], best: tuple[int, int] | None) -> Sharpness:
    return Sharpness(
        laplacian_variance=None,
        energy=None,
        edge_width_px=None,
        edge_width_low_px=None,
        edge_width_high_px=None,
        mtf50_cpp=None,
        edges=0,
        measurable=best is not None,
        best_tile=best,
        map=SharpnessMap(rows=len(widths), cols=len(widths[0]), edge_width_px=widths),
    )


def mosaic() -> Mosaic:
    rng = np.random.default_rng(5)
    return Mosaic(
        samples=rng.integers(100, 4000, (800, 1200), dtype=np.uint16),
        pattern=np.array([[0, 1], [1, 2]], np.uint8),
        black_dn=np.full((2, 2), 100, np.float32),
        white_dn=np.full((2, 2), 4095, np.float32),
        white_balance=(2.0, 1.0, 1.5),
    )


def shown(picture: bytes) -> Image.Image:
    return Image.open(io.BytesIO(picture))


def test_a_raw_frame_of_noise_keeps_within_the_sizes() -> None:
    """Noise is the worst that any coder meets."""
    sharpness = sharpness_of((1.5, None), (None, 3.0), best=(0, 0))

    made = page_pictures(mosaic(), sharpness, 6, (3900.0, None, 3900.0))

    assert len(made.pictures["thumbnail"]) <= THUMBNAIL_BYTES
    assert shown(made.pictures["thumbnail"]).size == (176, 264)
    for name in ("sharpest", "softest"):
        assert len(made.pictures[name]) <= CROP_BYTES
        assert shown(made.pictures[name]).size == (192, 192)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_box_lies_in_its_tile_as_viewed(orientation: int) -> None:
    sharpness = sharpness_of((1.5, None, 1.7), (None, None, 3.0), best=(0, 0))

    made = page_pictures(mosaic(), sharpness, orientation, (None, None, None))

    assert made.sharpest is not None
    assert made.softest is not None
    assert made.softest.tile == (1, 2)
    assert made.softest.edge_width_px == 3.0
    for crop in (made.sharpest, made.softest):
        middle_down = crop.top_share + crop.height_share / 2
        middle_across = crop.left_share + crop.width_share / 2
        assert (int(middle_down * 2), int(middle_across * 3)) == crop.tile


def test_what_cannot_be_measured_has_no_cuts() -> None:
    made = page_pictures(mosaic(), sharpness_of((None, None), best=None), 1, (None,) * 3)

    assert set(made.pictures) == {"thumbnail"}
    assert made.sharpest is None


def test_one_measured_tile_is_shown_once() -> None:
    made = page_pictures(mosaic(), sharpness_of((None, 1.9), best=(0, 1)), 1, (None,) * 3)

    assert set(made.pictures) == {"thumbnail", "sharpest"}
    assert made.softest is None


@pytest.mark.parametrize("shape", [(500, 700, 3), (500, 700), (90, 60, 3), (3, 2, 3)])
def test_developed_pictures_of_any_size_and_grey_ones(shape: tuple[int, ...]) -> None:
    picture = Developed(codes=np.full(shape, 200, np.uint8), curve=LINEAR, encoding="sRGB")

    made = page_pictures(picture, sharpness_of((1.6, 2.0), best=(0, 0)), 1, (1.0,) * 3)

    rows, cols = shape[:2]
    assert max(shown(made.pictures["thumbnail"]).size) == min(264, rows, 264) or cols >= rows
    assert shown(made.pictures["sharpest"]).size == (min(192, cols), min(192, rows))


def test_codes_survive_the_way_to_light_and_back() -> None:
    codes = np.arange(256, dtype=np.uint8).reshape(16, 16)
    picture = Developed(codes=codes, curve=(LINEAR[0] ** 2.2,), encoding="sRGB")

    assert (picture.coded(picture.linear(codes)) == codes).all()


def test_an_embedded_srgb_profile_changes_nothing() -> None:
    """Little CMS converts from sRGB to sRGB within a rounding step."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    codes = np.random.default_rng(1).integers(0, 255, (20, 20, 3), dtype=np.uint8)

    turned = in_srgb(codes, profile)

    assert np.abs(turned.astype(int) - codes).max() <= 1


def test_a_broken_profile_is_taken_as_srgb() -> None:
    codes = np.full((4, 4, 3), 77, np.uint8)

    assert (in_srgb(codes, b"no profile at all") == codes).all()


def test_a_picture_that_never_fits_comes_at_its_coarsest() -> None:
    noise = np.random.default_rng(1).integers(0, 255, (64, 64, 3), dtype=np.uint8)

    assert len(webp(noise, 100)) > 100
