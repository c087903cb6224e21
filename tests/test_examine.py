"""One file in, one reading out: twins, damage, orientation, the whole chain on planted frames."""

import io
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from audit.examine import examine
from audit.records import Frame, Reading, Unread

SAMPLE = Path(__file__).parents[1] / "sample_data"
TRUTH = {
    frame["file"]: frame
    for frame in json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["frames"]
}
RAW = next(name for name, frame in TRUTH.items() if frame["companions"])
DAMAGED = next(name for name, frame in TRUTH.items() if frame["cause"] == "damaged")
PORTRAIT = next(name for name, frame in TRUTH.items() if frame["orientation"] == 6)


def frame_of(path: Path, *twins: Path) -> Frame:
    stat = path.stat()
    return Frame(
        file=path.name,
        path=os.fsencode(path),
        companions=tuple(twin.name for twin in twins),
        companion_paths=tuple(os.fsencode(twin) for twin in twins),
        format={".jpg": "jpeg"}.get(path.suffix.lower(), path.suffix.lower()[1:]),
        size_bytes=stat.st_size,
        mtime_ns=stat.st_mtime_ns,
    )


def reading_of(frame: Frame) -> Reading:
    result = examine(frame)
    assert isinstance(result, Reading), result
    return result


def test_a_sharp_raw_reads_its_planted_edge_width() -> None:
    """The truth is the closed form of lens, pixel and blur (sample_data/maker/truth.py).

    It counts the far skirts of the Airy pattern in full, which a window of a few pixels around an
    edge does not see: the width reads up to a tenth low, MTF50 a few per cent high.
    """
    reading = reading_of(frame_of(SAMPLE / RAW))

    truth = TRUTH[RAW]["edges"]
    assert reading.facts.basis == "raw"
    assert reading.sharpness.edge_width_px == pytest.approx(truth["width_mean_px"], rel=0.12)
    assert reading.sharpness.mtf50_cpp == pytest.approx(truth["mtf50_mean_cpp"], rel=0.05)


def test_clipping_of_a_raw_is_what_was_planted() -> None:
    name = next(
        n for n, f in TRUTH.items() if n.endswith("DNG") and f["clipped_share"]["any"] > 0.1
    )

    reading = reading_of(frame_of(SAMPLE / name))

    assert reading.clipping.highlight_share.any == pytest.approx(
        TRUTH[name]["clipped_share"]["any"], abs=0.01
    )


def test_a_spoilt_raw_is_replaced_by_its_twin_and_says_so(tmp_path: Path) -> None:
    raw, twin = tmp_path / "a.dng", tmp_path / "a.jpg"
    raw.write_bytes((SAMPLE / RAW).read_bytes()[:20_000])
    shutil.copy(SAMPLE / Path(RAW).parent / Path(TRUTH[RAW]["companions"][0]).name, twin)

    reading = reading_of(frame_of(raw, twin))

    assert (reading.file, reading.facts.basis) == ("a.jpg", "developed")
    assert "a.dng could not be read" in reading.notes[-1]


def test_a_damaged_file_keeps_what_the_camera_wrote() -> None:
    unread = examine(frame_of(SAMPLE / DAMAGED))

    assert isinstance(unread, Unread)
    assert unread.state == "damaged"
    assert unread.exposure is not None
    assert unread.exposure.aperture_n == 8.0


def test_a_missing_file_is_unreadable_and_named(tmp_path: Path) -> None:
    gone = tmp_path / "gone.jpg"
    gone.write_bytes(b"x")
    frame = frame_of(gone)
    gone.unlink()

    unread = examine(frame)

    assert isinstance(unread, Unread)
    assert (unread.state, unread.exposure) == ("unreadable", None)
    assert "gone.jpg" in unread.message


def test_map_and_preview_are_turned_as_the_frame_is_viewed() -> None:
    """Stored 3:2 landscape with Orientation 6 is viewed as 2:3 portrait."""
    reading = reading_of(frame_of(SAMPLE / PORTRAIT))

    preview = np.asarray(Image.open(io.BytesIO(reading.pictures["registration"])))
    tiles = reading.sharpness.map
    assert tiles is not None
    assert preview.shape[0] > preview.shape[1]
    assert tiles.rows > tiles.cols
    assert len(tiles.edge_width_px) == tiles.rows


def test_a_frame_without_edges_is_not_measurable_and_says_why() -> None:
    name = next(n for n, f in TRUTH.items() if f["cause"] == "no-edges")

    sharpness = reading_of(frame_of(SAMPLE / name)).sharpness

    assert not sharpness.measurable
    assert sharpness.edge_width_px is None
    assert sharpness.mtf50_cpp is None
    assert sharpness.reason


def test_the_same_file_gives_the_same_reading() -> None:
    frame = frame_of(SAMPLE / RAW)

    assert examine(frame) == examine(frame)
