"""The whole chain on the invented trip: each planted fault is named, no sharp frame is called soft.

The truth is `sample_data/truth.json`, written by the maker of the pictures before anything was
measured.
"""

import json
import os
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from audit.diagnose import damage, judge
from audit.examine import examine
from audit.records import Finding, Frame, Reading
from audit.settings import Settings

SAMPLE = Path(__file__).parents[1] / "sample_data"
TRUTH: dict[str, dict[str, Any]] = {
    frame["file"]: frame
    for frame in json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["frames"]
}
SOFT = {"missed-focus", "camera-shake"}


@lru_cache
def examined(name: str) -> tuple[Reading | None, tuple[Finding, ...]]:
    path = SAMPLE / name
    stat = path.stat()
    result = examine(
        Frame(
            file=name,
            path=os.fsencode(path),
            format="dng" if path.suffix == ".DNG" else "jpeg",
            size_bytes=stat.st_size,
            mtime_ns=stat.st_mtime_ns,
        )
    )
    if isinstance(result, Reading):
        return result, judge(result, Settings()).findings
    return None, damage(result)


@pytest.mark.parametrize("name", [n for n, f in TRUTH.items() if f["expected_findings"]])
def test_the_planted_fault_is_named(name: str) -> None:
    kinds = {each.kind for each in examined(name)[1]}

    assert set(TRUTH[name]["expected_findings"]) <= kinds


@pytest.mark.parametrize(
    "name", [n for n, f in TRUTH.items() if not SOFT & set(f["expected_findings"])]
)
def test_a_frame_without_that_fault_is_not_called_soft(name: str) -> None:
    kinds = {each.kind for each in examined(name)[1] if each.severity != "note"}

    assert not SOFT & kinds


@pytest.mark.parametrize("name", [n for n, f in TRUTH.items() if f["cause"] == "camera-shake"])
def test_a_smear_has_its_planted_direction(name: str) -> None:
    """Directions are given as the frame is viewed; 0 to the right, counter-clockwise."""
    reading, _ = examined(name)

    assert reading is not None
    assert reading.sharpness.smear_angle_deg is not None
    off = abs(reading.sharpness.smear_angle_deg - TRUTH[name]["blur"]["shake_angle_deg"]) % 180
    assert min(off, 180 - off) < 10


@pytest.mark.parametrize(
    "name", [n for n, f in TRUTH.items() if f["cause"] == "sharp" and f["basis"] == "developed"]
)
def test_sharp_developed_frames_read_their_width(name: str) -> None:
    """Closed form of lens, pixel and demosaic; the skirts of the Airy pattern are not seen."""
    reading, _ = examined(name)

    assert reading is not None
    assert reading.sharpness.edge_width_px == pytest.approx(
        TRUTH[name]["edges"]["developed_width_mean_px"], rel=0.12
    )
