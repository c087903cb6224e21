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

from audit.decode.small_pictures import read_grey_png
from audit.diagnose import damage, judge
from audit.examine import examine
from audit.records import AuditedFrame, Finding, Frame, Reading
from audit.series import FoundSeries, Shot, find_series
from audit.settings import Settings

SAMPLE = Path(__file__).parents[1] / "sample_data"
TRUTH: dict[str, dict[str, Any]] = {
    frame["file"]: frame
    for frame in json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["frames"]
}
SERIES: list[dict[str, Any]] = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))[
    "series"
]
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


# ---------------------------------------------------------------- series


def as_shot(place: int, name: str, reading: Reading) -> Shot:
    judgement = judge(reading, Settings())
    row = AuditedFrame(
        file=name,
        companions=(),
        format=reading.format,
        state="measured",
        error=None,
        exposure=reading.exposure,
        sensor=judgement.sensor,
        sharpness=judgement.sharpness,
        clipping=reading.clipping,
        findings=judgement.findings,
        print=judgement.print,
        verdict="look-again",
        rank=None,
    )
    grey = read_grey_png(reading.pictures["registration"])
    return Shot(place=place, row=row, detail_source=lambda: reading.detail, picture=lambda: grey)


@lru_cache
def found_series() -> tuple[FoundSeries, ...]:
    twins = {twin for frame in TRUTH.values() for twin in frame["companions"]}
    readings = ((name, examined(name)[0]) for name in TRUTH if name not in twins)
    shots = [
        as_shot(place, name, reading)
        for place, (name, reading) in enumerate(readings)
        if reading is not None
    ]
    return find_series(shots, Settings())


def test_exactly_the_planted_series_are_found() -> None:
    found = [(each.kind, [shot.name for shot in each.shots]) for each in found_series()]

    assert found == [(each["kind"], each["files"]) for each in SERIES]


@pytest.mark.parametrize("planted", [s for s in SERIES if s["best"]], ids=lambda s: s["name"])
def test_the_best_of_the_planted_repeats_is_named(planted: dict[str, Any]) -> None:
    (found,) = [each for each in found_series() if each.shots[0].name == planted["files"][0]]

    assert found.best is not None
    assert found.best.name == planted["best"]


def test_the_planted_bracket_excuses_its_bright_frame() -> None:
    (bracket,) = [each for each in found_series() if each.kind == "exposure-bracket"]
    clipped = [
        shot.place
        for shot in bracket.shots
        if "clipped-highlights" in TRUTH[shot.name]["expected_findings"]
    ]

    assert clipped
    assert all("clipped-highlights" in bracket.excuses[place] for place in clipped)
