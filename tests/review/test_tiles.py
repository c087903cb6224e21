"""Tiles are the frame itself: joined they are the picture, in every orientation, marked rightly."""

import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from audit.measure.clipped_places import ALL_LOST, SOME_LOST, lost_of_developed, lost_of_mosaic
from audit.measure.clipping import clipping_of_mosaic
from audit.review.tile_work import LOST_COLOUR, TILE_PX, ClippedPlaces, NoTile, TileOrder, cut
from audit.review.tiles import TileCache, _cache_at

WITHIN_CODES = 6
"""JPEG at quality 95, twice."""


def order_for(path: Path, **wanted: object) -> TileOrder:
    found = path.stat()
    usual: dict[str, object] = {"want": "tile"}
    return TileOrder(
        path=os.fsencode(os.path.realpath(path)),
        name=path.name,
        format="jpeg",
        size_bytes=found.st_size,
        mtime_ns=found.st_mtime_ns,
        largest_px=10_000_000,
        saturation_dn=(1.0, 1.0, 1.0),
        **(usual | wanted),  # type: ignore[arg-type]
    )


def smooth_picture() -> Image.Image:
    """A picture of 1,200 x 700 that is nowhere the same, without what JPEG would change."""
    rows, cols = np.mgrid[0:700, 0:1200]
    codes = np.stack([rows / 4 + 30, cols / 7 + 30, (rows + cols) / 10 + 30], axis=-1)
    return Image.fromarray(codes.astype(np.uint8))


def picture_of(tile: object) -> np.ndarray:
    assert isinstance(tile, bytes)
    return np.asarray(Image.open(io.BytesIO(tile)).convert("RGB")).astype(int)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_joined_tiles_are_the_picture_as_it_is_viewed(tmp_path: Path, orientation: int) -> None:
    """The truth is Pillow's own turn by Exif Orientation."""
    from PIL import ImageOps

    path = tmp_path / "frame.jpg"
    exif = Image.Exif()
    exif[0x0112] = orientation
    smooth_picture().save(path, quality=98, subsampling=0, exif=exif)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB")).astype(int)

    for row in range(-(-expected.shape[0] // TILE_PX)):
        for col in range(-(-expected.shape[1] // TILE_PX)):
            top, left = row * TILE_PX, col * TILE_PX
            part = expected[top : top + TILE_PX, left : left + TILE_PX]
            found = picture_of(cut(order_for(path, row=row, col=col)))
            assert found.shape == part.shape
            assert np.abs(found - part).max() <= WITHIN_CODES


def test_a_tile_outside_is_none_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    smooth_picture().save(path)

    assert isinstance(cut(order_for(path, row=9)), NoTile)


def test_what_cannot_be_decoded_is_told_with_its_name(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    path.write_bytes(b"\xff\xd8\xff\xe0no picture")
    found = cut(order_for(path))

    assert isinstance(found, NoTile)
    assert "frame.jpg" in found.message


def test_a_stop_brighter_doubles_the_light(tmp_path: Path) -> None:
    """IEC 61966-2-1: code 60 of 255 is 4.5 % of light; twice of it is code 85 (computed)."""
    path = tmp_path / "frame.jpg"
    Image.new("RGB", (64, 64), (60, 60, 60)).save(path, quality=100, subsampling=0)

    found = picture_of(cut(order_for(path, brightened_ev=1.0)))
    assert np.abs(found - 85).max() <= 2


def test_clipped_places_are_where_the_light_is_lost_most_first(tmp_path: Path) -> None:
    codes = np.full((480, 960, 3), 90, np.uint8)
    codes[100:140, 200:220] = 255
    codes[300:304, 800:804] = 255
    path = tmp_path / "frame.jpg"
    Image.fromarray(codes).save(path, quality=100, subsampling=0)

    found = cut(order_for(path, want="clipped-places"))
    assert isinstance(found, ClippedPlaces)
    assert (found.rows, found.cols) == (24, 48)
    assert {(5, 10, 1.0), (6, 10, 1.0), (15, 40, 0.04)} <= set(found.cells)
    assert [place[:2] for place in found.places] in ([(5, 10), (15, 40)], [(6, 10), (15, 40)])
    assert found.places[0][2] == pytest.approx(40 * 20 / (480 * 960), rel=0.05)
    assert found.places[1][2] == pytest.approx(16 / (480 * 960), rel=0.05)
    shown = picture_of(cut(order_for(path, marks_lost=True)))
    assert np.abs(shown[120, 210] - LOST_COLOUR).max() <= WITHIN_CODES
    assert np.abs(shown[50, 50] - 90).max() <= WITHIN_CODES


def test_marks_of_a_mosaic_count_as_its_shares_do() -> None:
    """Known sites are clipped: one red alone, and one whole cell; parts begin anywhere."""
    pattern = np.array([[0, 1], [1, 2]], np.uint8)
    black, white = np.full((2, 2), 100, np.float32), np.full((2, 2), 4100, np.float32)
    samples = np.random.default_rng(0).integers(200, 2000, (40, 60)).astype(np.uint16)
    samples[10, 20] = 4100
    samples[20:22, 30:32] = 4100
    saturation_dn = (4000.0, 4000.0, 4000.0)

    marks = lost_of_mosaic(samples, pattern, black, saturation_dn)

    assert marks[10, 20] == SOME_LOST
    assert (marks[20:22, 30:32] == ALL_LOST).all()
    assert np.count_nonzero(marks) == 5
    counted = clipping_of_mosaic(samples, pattern, black, white, (None,) * 3)
    assert np.count_nonzero(marks) / marks.size == pytest.approx(counted.highlight_any)
    part = lost_of_mosaic(samples[9:23, 19:33], pattern, black, saturation_dn, (9, 19))
    assert (part == marks[9:23, 19:33]).all()


def test_marks_of_a_developed_picture_tell_some_from_all() -> None:
    curve = (np.linspace(0, 1, 256, dtype=np.float32),)
    codes = np.array([[[255, 10, 10], [255, 255, 255], [250, 250, 250]]], np.uint8)

    assert lost_of_developed(codes, curve).tolist() == [[SOME_LOST, ALL_LOST, 0]]
    assert lost_of_developed(codes[:, :, 0], curve).tolist() == [[ALL_LOST, ALL_LOST, 0]]


# ---------------------------------------------------------------- the cache


def test_the_cache_stays_within_its_bound_and_keeps_what_was_used_last(tmp_path: Path) -> None:
    cache = TileCache(tmp_path, max_bytes=10_000)
    for number in range(30):
        cache.keep(b"%d" % number, bytes(1000))
        assert cache.found(b"0") is not None
    cache.close()

    database = _cache_at(tmp_path)
    total = database.execute("SELECT total(length(tile)) FROM tiles").fetchone()[0]
    database.close()
    assert 5000 < total <= 10_000
    again = TileCache(tmp_path)
    assert again.found(b"29") is not None
    assert again.found(b"1") is None
    again.close()


def test_a_spoilt_cache_is_made_anew(tmp_path: Path) -> None:
    (tmp_path / "tiles.sqlite").write_bytes(b"no database" * 100)
    cache = TileCache(tmp_path)
    cache.keep(b"key", b"tile")

    assert cache.found(b"key") == b"tile"
    cache.close()


def test_the_serving_process_loads_no_decoder() -> None:
    code = (
        "import sys; import audit.review.serving;"
        "print([n for n in ('rawpy', 'PIL', 'simplejpeg', 'numpy', 'scipy') if n in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert found.stdout.strip() == "[]"
