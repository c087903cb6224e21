"""Render the sample trip: `python sample_data/make_sample_data.py [FOLDER]`.

Without FOLDER the files are written beside this script. Needs numpy, scipy and Pillow, about 4 GB
of memory and some minutes; the same versions of these packages give the same bytes every time.

The steps for each frame: render a perfectly sharp scene (`maker.scenes`), blur it by a known
transfer function and let the pixels collect the light (`maker.camera`), add noise and round to
14 bits, then write the samples as a DNG, or develop them plainly into a JPEG (`maker.files`).
`truth.json` records what was planted (`maker.truth`, README.md).
"""

from __future__ import annotations

import json
import sys
import zlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from maker.camera import (
    BLACK_DN,
    FULL_WELL_E,
    READ_NOISE_E,
    WHITE_DN,
    colour_sites,
    develop,
    expose,
    on_pixels,
    through_lens,
)
from maker.files import dng_bytes, jpeg_bytes
from maker.paint import Plane
from maker.plan import GROUPS, PANORAMA_FOCAL_PX, PANORAMA_LONG_PX, PANORAMA_SHORT_PX, Shot, trip
from maker.scenes import (
    FALL_BOTTOM,
    FALL_LEFT,
    FALL_RIGHT,
    FALL_TOP,
    MARGIN_PX,
    render,
    turn_towards,
)
from maker.truth import edge_truth
from numpy.typing import NDArray

HOME = Path(__file__).resolve().parent

TURNS_TO_STORE = {1: 0, 6: 1, 8: -1}
"""Quarter turns counter-clockwise from the viewed to the stored picture, by Exif Orientation."""

CLIPPED_SHARE_OF_WHITE = 0.99
"""A raw sample this far from black to white counts as clipped."""

NOISE_FLOOR_SIGMAS = 3.0
"""A raw sample within so many read-noise sigmas of black counts as blocked."""


def scene_light(shot: Shot) -> tuple[Plane, int]:
    """Return the sharp scene, with its margin, as the camera stood for this shot."""
    canvas = render(shot.scene)
    if shot.yaw is not None:
        size = (PANORAMA_LONG_PX, PANORAMA_SHORT_PX)
        return turn_towards(canvas, PANORAMA_FOCAL_PX, shot.yaw, *size), canvas.scale
    return canvas.pixels, canvas.scale


def sensor_samples(shot: Shot) -> NDArray[np.uint16]:
    """Return the mosaic that the sensor records, in stored orientation."""
    scene, scale = scene_light(shot)
    light = through_lens(scene, scale, shot.blur)
    left, top = (round((MARGIN_PX + s) * scale) for s in shot.shift_px)
    rest_x, rest_y = (round((MARGIN_PX - s) * scale) for s in shot.shift_px)
    light = on_pixels(light[top : light.shape[0] - rest_y, left : light.shape[1] - rest_x], scale)
    light = np.rot90(
        light * np.float32(2.0**shot.light_ev), TURNS_TO_STORE[shot.settings.orientation]
    )
    return expose(light, shot.settings.iso, np.random.default_rng(zlib.crc32(shot.name.encode())))


def raw_shares(samples: NDArray[np.uint16]) -> dict[str, dict[str, float]]:
    """Count clipped and blocked samples of a mosaic, by colour and over all sites."""
    site = colour_sites(*samples.shape)
    full = BLACK_DN + CLIPPED_SHARE_OF_WHITE * (WHITE_DN - BLACK_DN)
    floor = BLACK_DN + NOISE_FLOOR_SIGMAS * READ_NOISE_E / FULL_WELL_E * (WHITE_DN - BLACK_DN)
    return {
        name: {"any": _share(hit), **{c: _share(hit[site == i]) for i, c in enumerate("rgb")}}
        for name, hit in (("clipped_share", samples >= full), ("blocked_share", samples <= floor))
    }


def developed_shares(picture: NDArray[np.uint8]) -> dict[str, dict[str, float]]:
    """Count 8-bit values of 255 and of 0 before JPEG, by colour and in any colour of a pixel."""
    return {
        name: {
            "any": _share(hit.any(axis=2)),
            **{c: _share(hit[..., i]) for i, c in enumerate("rgb")},
        }
        for name, hit in (("clipped_share", picture == 255), ("blocked_share", picture == 0))
    }


def _share(hit: NDArray[np.bool_]) -> float:
    return round(float(np.count_nonzero(hit)) / hit.size, 5)


def frame_truth(
    shot: Shot, suffix: str, shape: tuple[int, ...], shares: dict[str, dict[str, float]]
) -> dict[str, Any]:
    """Return the row of `truth.json` for one file."""
    known = shot.cause not in ("no-edges", "damaged")
    edges = {k: round(v, 4) for k, v in asdict(edge_truth(shot.blur)).items()}
    return {
        "file": f"{shot.name}.{suffix}",
        "companions": [f"{shot.name}.{other}" for other in shot.formats if other != suffix],
        "basis": "raw" if suffix == "DNG" else "developed",
        "cause": shot.cause,
        "expected_findings": list(shot.expected),
        "acceptable_findings": list(shot.acceptable),
        "series": shot.series,
        "best_of_series": shot.best if shot.series == "hand-held burst" else None,
        "stored_width_px": shape[1],
        "stored_height_px": shape[0],
        "orientation": shot.settings.orientation,
        "blur": asdict(shot.blur),
        "edges": edges if known else None,
        "motion_region": _motion_region(shot),
        "light_ev": shot.light_ev,
        **shares,
    }


def _motion_region(shot: Shot) -> dict[str, float] | None:
    if shot.scene.kind != "falls":
        return None
    return {
        "left": FALL_LEFT,
        "top": FALL_TOP,
        "right": FALL_RIGHT,
        "bottom": FALL_BOTTOM,
        "smear_px": shot.scene.water_smear_px,
        "smear_angle_deg": 90.0,
    }


def write_shot(shot: Shot, folder: Path) -> list[dict[str, Any]]:
    """Take one shot and write its files; return their rows of truth."""
    samples = sensor_samples(shot)
    rows = []
    for suffix in shot.formats:
        if suffix == "DNG":
            data, shares = dng_bytes(samples, shot.settings), raw_shares(samples)
        else:
            picture = develop(samples)
            data = jpeg_bytes(picture, shot.settings, shot.quality)
            shares = developed_shares(picture)
        path = folder / f"{shot.name}.{suffix}"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data[: round(len(data) * shot.kept_share)])
        rows.append(frame_truth(shot, suffix, samples.shape, shares))
    return rows


def series_truth(shots: list[Shot]) -> list[dict[str, Any]]:
    """Return the series with their files in order of capture."""
    return [
        {
            "name": group.name,
            "kind": group.kind,
            "overlap": group.overlap,
            "files": [f"{s.name}.{s.formats[0]}" for s in shots if s.series == group.name],
            "best": next(
                (f"{s.name}.{s.formats[0]}" for s in shots if s.series == group.name and s.best),
                None,
            ),
        }
        for group in GROUPS
    ]


def main(arguments: list[str]) -> None:
    """Write every file of the trip and its truth."""
    folder = Path(arguments[0]) if arguments else HOME
    shots = trip()
    frames: list[dict[str, Any]] = []
    for shot in shots:
        rows = write_shot(shot, folder)
        frames += rows
        for row in rows:
            kilobytes = (folder / row["file"]).stat().st_size / 1000
            print(f"{row['file']:48} {row['cause']:20} {kilobytes:7.0f} kB", flush=True)
    truth = {"format": 1, "frames": frames, "series": series_truth(shots)}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
