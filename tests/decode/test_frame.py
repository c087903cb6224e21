"""One call for every kind of file: a frame, or one of four errors, and nothing else."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from audit.decode import Decoded, open_frame
from audit.decode import tags as exif
from audit.decode.frame import native_width
from audit.errors import (
    DamagedFrame,
    FrameError,
    TooLargeFrame,
    UnreadableFrame,
    UnsupportedFrame,
)

FOUR = (DamagedFrame, UnsupportedFrame, TooLargeFrame, UnreadableFrame)


def outcome(data: bytes, format: str) -> Decoded | FrameError:  # noqa: A002
    """A frame or a frame error; anything else goes through and fails the test."""
    found: Decoded | FrameError
    try:
        found = open_frame(data, name="a/b.raw", format=format)
    except FrameError as error:
        found = error
    if isinstance(found, FrameError):
        assert isinstance(found, FOUR)
        assert str(found).startswith("a/b.raw: expected ")
        assert "\n" not in str(found)
    return found


def test_header_only_and_broken_raw_files_end_in_a_clear_state(
    real_files: Callable[[str], list[Path]], format_of: Callable[[Path], str]
) -> None:
    """None of them holds a whole picture: no file may give one."""
    for path in real_files("raw_headers"):
        found = outcome(path.read_bytes(), format_of(path))
        assert isinstance(found, FrameError), path.name


def test_broken_jpegs_end_in_a_frame_or_a_clear_state(
    real_files: Callable[[str], list[Path]],
) -> None:
    """Refused, or decoded with a complaint, which makes the frame a damaged one later."""
    found = [outcome(path.read_bytes(), "jpeg") for path in real_files("broken_jpeg")]
    damaged = [isinstance(each, DamagedFrame) or is_complained_of(each) for each in found]
    assert sum(damaged) > 0.85 * len(found)


def is_complained_of(found: Decoded | FrameError) -> bool:
    return isinstance(found, Decoded) and found.complaint is not None


@pytest.mark.parametrize("format", ["tiff", "dng", "cr3", "raf", "orf", "gpr"])
def test_one_format_read_as_another_ends_in_a_clear_state(
    format: str,  # noqa: A002
    jpeg: Callable[..., bytes],
) -> None:
    data = jpeg(Image.new("RGB", (32, 32)))
    assert isinstance(outcome(data, format), FrameError)


def test_a_file_of_no_known_format_is_unreadable() -> None:
    with pytest.raises(
        UnreadableFrame, match=r"a\.jpg: expected a photograph, found an empty file"
    ):
        open_frame(b"", name="a.jpg", format="unknown")
    with pytest.raises(UnreadableFrame, match="5 bytes that begin with 68 65 6c 6c 6f"):
        open_frame(b"hello", name="a.jpg", format="unknown")


def test_heif_is_unsupported() -> None:
    with pytest.raises(UnsupportedFrame, match="found HEIF") as caught:
        open_frame(b"\0\0\0\x18ftypheic", name="a.heic", format="heif")
    assert caught.value.code == "heif"


Mutation = list[tuple[float, int]]
MUTATIONS = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), max_size=6)


def mutated(data: bytes, changes: Mutation, keep: float) -> bytes:
    broken = bytearray(data)
    for place, value in changes:
        broken[int(place * len(data))] = value
    return bytes(broken[: int(len(data) * keep)])


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(changes=MUTATIONS, keep=st.sampled_from([1.0, 1.0, 0.7, 0.1]))
def test_mutated_jpegs_never_raise_anything_else(
    tiff: Callable[..., bytes], jpeg: Callable[..., bytes], changes: Mutation, keep: float
) -> None:
    block = tiff({271: (2, b"Velmark\0")}, {exif.F_NUMBER: (5, [(8, 1)])})
    outcome(mutated(jpeg(Image.new("RGB", (48, 32), (9, 99, 199)), block), changes, keep), "jpeg")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(changes=MUTATIONS, keep=st.sampled_from([1.0, 1.0, 0.7, 0.1]))
def test_mutated_headers_of_dng_and_tiff_never_raise_anything_else(
    dng: Callable[..., bytes],
    noise: Callable[..., NDArray[np.uint16]],
    changes: Mutation,
    keep: float,
) -> None:
    data = dng(noise(16, 24), exif={exif.F_NUMBER: (5, [(8, 1)])})
    head = len(data) - 16 * 24 * 2
    broken = mutated(data[:head], changes, 1.0) + data[head:]
    for format in ("dng", "tiff"):  # noqa: A001
        outcome(broken[: int(len(broken) * keep)], format)


# ---------------------------------------------------------------- size


@pytest.mark.parametrize(
    ("decoded", "declared", "columns", "word"),
    [
        ((6000, 4000), (6000, 4000), 6000, None),
        ((4000, 6000), (6000, 4000), 4000, None),
        ((6000, 4000), (None, 4000), 6000, None),
        ((3000, 2000), (6000, 4000), 6000, "reduced"),
        ((2000, 3000), (6000, 4000), 4000, "reduced"),
        ((1500, 1001), (6000, 4000), 6000, "reduced"),
        ((4000, 4000), (6000, 4000), 4000, "cropped or edited"),
        ((9000, 6000), (6000, 4000), 9000, "cropped or edited"),
    ],
)
def test_the_native_width_of_a_reduced_copy_is_the_declared_one(
    decoded: tuple[int, int],
    declared: tuple[int | None, int | None],
    columns: int,
    word: str | None,
) -> None:
    """Editors leave PixelXDimension as the camera wrote it; a crop keeps its pixels' size."""
    found, notes = native_width(*decoded, *declared)
    assert found == columns
    assert bool(notes) == (word is not None)
    if word:
        assert word in notes[0]


def test_a_reduced_jpeg_says_so(tiff: Callable[..., bytes], jpeg: Callable[..., bytes]) -> None:
    size = {exif.PIXEL_X_DIMENSION: (4, [640]), exif.PIXEL_Y_DIMENSION: (4, [480])}
    data = jpeg(Image.new("RGB", (64, 48)), tiff({}, size))
    decoded = open_frame(data, name="a.jpg", format="jpeg")
    assert (decoded.facts.width_px, decoded.facts.native_width_px) == (64, 640)
    assert "reduced" in decoded.notes[0]


def test_the_focal_plane_of_a_preview_is_scaled_to_the_sensor(
    dng: Callable[..., bytes], noise: Callable[..., NDArray[np.uint16]]
) -> None:
    """Exif of the preview, 20 of 60 columns at 100 a cm: a sensor 2 mm wide has 300 a cm."""
    tags = {
        exif.PIXEL_X_DIMENSION: (4, [20]),
        exif.PIXEL_Y_DIMENSION: (4, [13]),
        exif.FOCAL_PLANE_X_RESOLUTION: (5, [(100, 1)]),
        exif.FOCAL_PLANE_Y_RESOLUTION: (5, [(100, 1)]),
        exif.FOCAL_PLANE_RESOLUTION_UNIT: (3, [3]),
    }
    facts = open_frame(dng(noise(40, 60), exif=tags), name="a.dng", format="dng").facts
    assert facts.focal_plane_x == pytest.approx(300)
    assert facts.focal_plane_y == pytest.approx(300)
    assert facts.focal_plane_unit == 3
