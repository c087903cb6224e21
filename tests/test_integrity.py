"""Damaged files through the worker's job: never a quiet reading, and the share that is lost."""

import io
import json
import os
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from audit.decode import Decoded, Mosaic
from audit.diagnose import damage
from audit.errors import DamagedFrame
from audit.examine import examine
from audit.integrity import refuse_damaged
from audit.records import Exposure, Frame, Reading, SensorFacts, Unread

SAMPLE = Path(__file__).parents[1] / "sample_data"
TRUTH = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["frames"]
RAW = SAMPLE / next(frame["file"] for frame in TRUTH if frame["companions"])


def examined(path: Path, data: bytes) -> Reading | Unread:
    path.write_bytes(data)
    kind = "jpeg" if path.suffix == ".jpg" else "dng"
    frame = Frame(
        file=path.name, path=os.fsencode(path), format=kind, size_bytes=len(data), mtime_ns=0
    )
    return examine(frame)


def lost_share(path: Path, data: bytes) -> float | None:
    """Share lost by the finding of a damaged file, which kept its exposure."""
    result = examined(path, data)
    assert isinstance(result, Unread), "a damaged file got a reading"
    assert result.state == "damaged"
    (found,) = damage(result)
    assert path.name in found.message
    return found.value


def picture_with_thumbnail(**options: object) -> bytes:
    chance = np.random.default_rng(3)
    coarse = chance.integers(0, 256, (12, 16, 3), np.uint8)
    picture = Image.fromarray(coarse).resize((1280, 960), Image.Resampling.BICUBIC)
    small = io.BytesIO()
    picture.resize((160, 120), Image.Resampling.BOX).save(small, "JPEG")
    tags = b"II*\0\x08\0\0\0" + b"\0\0" + (14).to_bytes(4, "little") + b"\x02\0"
    for tag, value in ((513, 44), (514, len(small.getvalue()))):
        tags += tag.to_bytes(2, "little") + b"\x04\0\x01\0\0\0" + value.to_bytes(4, "little")
    tags += bytes(4)
    out = io.BytesIO()
    exif = b"Exif\0\0" + tags + small.getvalue()
    picture.save(out, "JPEG", exif=exif, quality=90, **options)
    return out.getvalue()


def raw_frame(samples: NDArray[np.uint16]) -> Decoded:
    rows, cols = samples.shape
    return Decoded(
        exposure=Exposure(),
        facts=SensorFacts(width_px=cols, height_px=rows, basis="raw"),
        pixels=Mosaic(
            samples=samples,
            pattern=np.array([[0, 1], [1, 2]], np.uint8),
            black_dn=np.full((2, 2), 512, np.float32),
            white_dn=np.full((2, 2), 16383, np.float32),
        ),
        notes=(),
    )


def test_raw_samples_that_no_light_made_are_damage_with_their_share() -> None:
    samples = np.random.default_rng(1).normal(3000, 60, (400, 600)).astype(np.uint16)
    refuse_damaged(raw_frame(samples), b"", name="a.dng", format="dng")
    samples.reshape(-1)[100_100:112_100] = 0

    with pytest.raises(DamagedFrame, match=r"a\.dng.*5 % of the frame") as caught:
        refuse_damaged(raw_frame(samples), b"", name="a.dng", format="dng")

    assert caught.value.code == "lost-samples"
    assert caught.value.lost_share == pytest.approx(0.05)


@pytest.mark.parametrize("options", [{}, {"restart_marker_blocks": 8}, {"progressive": True}])
def test_a_half_copied_jpeg_is_damaged_with_its_share(
    tmp_path: Path, options: dict[str, object]
) -> None:
    """By its rows, or by its thumbnail where they tell nothing (not for passes over the whole)."""
    data = picture_with_thumbnail(**options)
    keep = len(data) * 6 // 10

    found = lost_share(tmp_path / "a.jpg", data[:keep] + bytes(len(data) - keep))

    if "progressive" not in options:
        assert found is not None
        assert 0.15 < found < 0.5


@pytest.mark.parametrize("options", [{}, {"restart_marker_blocks": 8}, {"progressive": True}])
def test_sound_files_are_measured(tmp_path: Path, options: dict[str, object]) -> None:
    assert isinstance(examined(tmp_path / "a.jpg", picture_with_thumbnail(**options)), Reading)
    assert isinstance(examined(tmp_path / "a.dng", RAW.read_bytes()), Reading)
