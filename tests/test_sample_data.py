"""The sample trip is whole, is what its truth says, and is remade by its own maker.

Proves: every file is in `truth.json` once; size and number stay in bounds; raw levels and Exif are
read by independent readers (LibRaw through rawpy, exifread) as planted; the counted clipping is
that of the raw samples; the maker's blur agrees with its closed form and its files decode exactly.
"""

from __future__ import annotations

import io
import json
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
import rawpy
from PIL import Image

HOME = Path(__file__).resolve().parents[1] / "sample_data"
sys.path.insert(0, str(HOME))

from maker import camera, files, paint, plan, scenes, truth  # noqa: E402

FINDING_KINDS = {
    "missed-focus",
    "camera-shake",
    "subject-motion",
    "diffraction",
    "slow-shutter",
    "vibration-window",
    "soft-side",
    "clipped-highlights",
    "blocked-shadows",
    "noise",
    "haze",
    "no-edges",
    "sharpened",
    "damaged",
    "dust",
    "odd-settings",
}
"""The kinds of JSON contract format 1."""

MOST_BYTES = 25_000_000

TRUTH: dict[str, Any] = json.loads((HOME / "truth.json").read_text(encoding="utf-8"))
FRAMES: list[dict[str, Any]] = TRUTH["frames"]
RAWS = [frame["file"] for frame in FRAMES if frame["basis"] == "raw"]
SHOTS = {f"{shot.name}.{suffix}": shot for shot in plan.trip() for suffix in shot.formats}


def pictures() -> list[Path]:
    return sorted(path for path in HOME.rglob("*") if path.suffix in {".JPG", ".DNG"})


def truth_of(file: str) -> dict[str, Any]:
    return next(frame for frame in FRAMES if frame["file"] == file)


def test_truth_lists_each_file_exactly_once() -> None:
    listed = [frame["file"] for frame in FRAMES]

    assert sorted(listed) == [path.relative_to(HOME).as_posix() for path in pictures()]
    assert sorted(SHOTS) == sorted(listed)


def test_trip_has_twenty_to_thirty_frames_in_at_most_25_megabytes() -> None:
    every_file = [path for path in HOME.rglob("*") if path.is_file()]

    assert 20 <= len({path.with_suffix("") for path in pictures()}) <= 30
    assert sum(path.stat().st_size for path in every_file) <= MOST_BYTES


def test_findings_are_of_the_contract_and_every_cause_is_planted() -> None:
    named = {kind for f in FRAMES for kind in f["expected_findings"] + f["acceptable_findings"]}

    assert named <= FINDING_KINDS
    assert {frame["cause"] for frame in FRAMES} == {
        "sharp",
        "missed-focus",
        "camera-shake",
        "diffraction",
        "clipped-highlights",
        "blocked-shadows",
        "noise",
        "no-edges",
        "subject-motion",
        "damaged",
    }


def test_series_name_existing_frames_and_agree_with_them() -> None:
    for series in TRUTH["series"]:
        members = [f["file"] for f in FRAMES if f["series"] == series["name"]]
        assert sorted(series["files"]) == sorted(members)
    assert {series["kind"] for series in TRUTH["series"]} == {
        "repeat",
        "exposure-bracket",
        "shutter-variants",
        "panorama",
    }


def test_soft_frames_are_clearly_soft_and_sharp_ones_clearly_sharp() -> None:
    for frame in FRAMES:
        if frame["cause"] in {"missed-focus", "camera-shake"}:
            assert frame["edges"]["width_mean_px"] > 4
        if frame["cause"] == "diffraction":
            assert frame["edges"]["width_mean_px"] > 3.5
        if frame["cause"] == "sharp":
            assert frame["edges"]["width_max_px"] < 2


@pytest.mark.parametrize("file", RAWS)
def test_raw_opens_with_its_levels_pattern_and_clipped_share(file: str) -> None:
    frame = truth_of(file)
    with rawpy.imread(str(HOME / file)) as raw:
        samples = raw.raw_image_visible.copy()
        site = raw.raw_colors_visible.copy()

        assert samples.shape == (frame["stored_height_px"], frame["stored_width_px"])
        assert raw.black_level_per_channel == [camera.BLACK_DN] * 4
        assert raw.white_level == camera.WHITE_DN == 15871
        assert [raw.color_desc[i : i + 1] for i in site[:2, :2].ravel()] == [b"R", b"G", b"G", b"B"]
    full = camera.BLACK_DN + 0.99 * (camera.WHITE_DN - camera.BLACK_DN)
    for colour, codes in (("any", (0, 1, 2, 3)), ("r", (0,)), ("g", (1, 3)), ("b", (2,))):
        counted = float(np.mean(samples[np.isin(site, codes)] >= full))
        assert frame["clipped_share"][colour] == pytest.approx(counted, abs=1e-5)


def test_planted_clipping_and_blocking_are_large() -> None:
    for frame in FRAMES:
        if frame["cause"] == "clipped-highlights":
            assert min(frame["clipped_share"][c] for c in "rgb") > 0.02
        if frame["cause"] == "blocked-shadows":
            assert frame["blocked_share"]["any"] > 0.10


@pytest.mark.parametrize("file", sorted(SHOTS))
def test_exif_reads_back_as_set(file: str) -> None:
    settings = SHOTS[file].settings
    with (HOME / file).open("rb") as stream:
        tags = exifread.process_file(stream, details=False)

    assert str(tags["Image Model"]) == settings.model
    assert str(tags["EXIF LensModel"]) == settings.lens
    assert str(tags["EXIF BodySerialNumber"]) == settings.body_serial
    assert Fraction(str(tags["EXIF ExposureTime"])) == settings.shutter_s
    assert float(Fraction(str(tags["EXIF FNumber"]))) == settings.aperture_n
    assert tags["EXIF ISOSpeedRatings"].values == [settings.iso]
    assert tags["EXIF ExposureMode"].values == [2 if settings.auto_bracket else 1]
    assert float(Fraction(str(tags["EXIF ExposureBiasValue"]))) == settings.bias_ev
    assert tags["Image Orientation"].values == [settings.orientation]
    assert str(tags["EXIF DateTimeOriginal"]) == f"{settings.taken_at:%Y:%m:%d %H:%M:%S}"
    assert str(tags["EXIF SubSecTimeOriginal"]) == settings.subsec
    assert str(tags["EXIF OffsetTimeOriginal"]) == settings.utc_offset
    per_cm = float(Fraction(str(tags["EXIF FocalPlaneXResolution"])))
    assert tags["EXIF FocalPlaneResolutionUnit"].values == [3]
    assert 10000 / per_cm == pytest.approx(settings.pitch_um, rel=1e-4)


def test_only_the_damaged_file_fails_to_decode() -> None:
    broken = []
    for frame in FRAMES:
        if frame["basis"] == "developed":
            try:
                with Image.open(HOME / frame["file"]) as picture:
                    picture.load()
            except OSError:
                broken.append(frame["cause"])

    assert broken == ["damaged"]


def small_moor() -> scenes.Scene:
    return scenes.Scene(
        kind="moor", seed=5, mood="noon", width_px=120, height_px=80, scale=3, horizon=0.4
    )


def test_maker_renders_the_same_small_scene_as_when_the_trip_was_made() -> None:
    levels = camera.srgb_8bit(scenes.render(small_moor()).pixels)

    blocks = levels[: levels.shape[0] // 4 * 4].reshape(4, -1, 3).mean(axis=1)
    assert blocks == pytest.approx(np.array(SMALL_MOOR_LEVELS), abs=0.5)


SMALL_MOOR_LEVELS = [
    [132.72, 160.98, 193.61],
    [134.69, 147.79, 143.04],
    [117.6, 125.26, 101.58],
    [113.05, 116.77, 88.35],
]
"""Mean sRGB levels of four bands of the small scene, top to bottom, as first rendered."""


def test_lossless_jpeg_gives_back_every_sample() -> None:
    """LibRaw, through rawpy, is the independent decoder."""
    rng = np.random.default_rng(1)
    samples = rng.integers(0, camera.WHITE_DN + 1, (64, 96)).astype(np.uint16)
    samples[:, 48:] = np.arange(64, dtype=np.uint16)[:, None] * 7
    data = files.dng_bytes(samples, next(iter(SHOTS.values())).settings)

    with rawpy.imread(io.BytesIO(data)) as raw:
        assert np.array_equal(raw.raw_image_visible, samples)


@pytest.mark.parametrize(
    "fault",
    [{}, {"disc_radius_px": 3.5}, {"shake_px": 7.0, "shake_angle_deg": 35.0}],
    ids=["sharp", "defocus", "shake"],
)
def test_rendered_edge_has_the_true_width(fault: dict[str, float]) -> None:
    """A painted edge, blurred and collected by the pixels, against the closed form."""
    scale, side, tilt_deg = 3, 90, 6.0
    blur = camera.Blur(aperture_n=8, pitch_um=plan.PITCH_UM, **fault)
    canvas = paint.blank(side, side, scale)
    white = np.ones(3, np.float32)
    corners = np.array([(-900.0, -900.0), (900.0, -900.0), (900.0, 900.0), (-900.0, 900.0)])
    paint.fill_convex(canvas, corners, white * 0, [(paint.Cut(45, 45, tilt_deg), white)])
    pixels = camera.on_pixels(camera.through_lens(canvas.pixels, scale, blur), scale)[..., 1]
    y, x = np.mgrid[:side, :side] + 0.5
    angle = np.radians(tilt_deg)
    distance = (x - 45) * np.cos(angle) - (y - 45) * np.sin(angle)
    near = (np.abs(distance) < 12) & (np.abs(y - 45) < 25)

    expected = truth.edge_profile(blur, tilt_deg, distance[near])

    assert pixels[near] == pytest.approx(expected, abs=0.012)
