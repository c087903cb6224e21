"""A drawn world, seen by a turning pinhole camera: frames of sweeps whose truth is known.

The world is noise of many scales on a sphere of longitude and tangent of latitude. The camera's
geometry is written here anew, from the definition of a pinhole, and shares no code with the audit.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from audit.records import AuditedFrame, Exposure, Sensor
from audit.series.shot import Shot

WORLD_DEG = 0.15
"""Angle of one cell of the world."""

WORLD_ROWS = 900
"""67 degrees up and down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Where the camera looks, and with what."""

    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    focal_mm: float = 50.0
    """On 24 x 36 mm."""
    ev: float = 0.0
    upright: bool = False
    soft_px: float = 0.0
    bend: float = 0.0
    """Barrel: a point at r of the corner's distance looks towards r (1 + bend r^2)."""
    fisheye: bool = False
    """Angles from the line of sight grow with the distance from the middle (equidistant)."""


def world(seed: int) -> NDArray[np.float32]:
    """Light of a drawn world, closed at 360 degrees."""
    rng = np.random.default_rng(seed)
    shape = (WORLD_ROWS, round(360 / WORLD_DEG))
    light = np.zeros(shape, np.float32)
    for sigma in (1.0, 2.5, 6.0, 15.0, 40.0):
        part = gaussian_filter(
            rng.standard_normal(shape, np.float32), sigma, mode=("nearest", "wrap")
        )
        light += part / part.std()
    return np.exp2(0.5 * light).astype(np.float32) * np.float32(0.12)


def camera_rays(pose: Pose, cols: int, rows: int) -> NDArray[np.float64]:
    """(rows, cols, 3) directions in the world: x right, y down, z ahead at yaw 0."""
    wide, high = (24.0, 36.0) if pose.upright else (36.0, 24.0)
    x, y = np.meshgrid(
        (np.arange(cols) - (cols - 1) / 2) * wide / cols / pose.focal_mm,
        (np.arange(rows) - (rows - 1) / 2) * high / rows / pose.focal_mm,
    )
    out = 1 + pose.bend * (x**2 + y**2) / ((wide**2 + high**2) / 4 / pose.focal_mm**2)
    if pose.fisheye:
        out = np.tan(np.hypot(x, y)) / np.hypot(x, y)
    rays = np.stack([x * out, y * out, np.ones_like(x)], axis=-1)
    yaw, pitch, roll = (math.radians(a) for a in (pose.yaw_deg, pose.pitch_deg, pose.roll_deg))
    about_z = [[math.cos(roll), -math.sin(roll), 0], [math.sin(roll), math.cos(roll), 0], [0, 0, 1]]
    about_x = [
        [1, 0, 0],
        [0, math.cos(pitch), -math.sin(pitch)],
        [0, math.sin(pitch), math.cos(pitch)],
    ]
    about_y = [[math.cos(yaw), 0, math.sin(yaw)], [0, 1, 0], [-math.sin(yaw), 0, math.cos(yaw)]]
    return rays @ (np.array(about_y) @ np.array(about_x) @ np.array(about_z)).T


def picture(
    scene: NDArray[np.float32], pose: Pose, seed: int = 0, short_px: int = 171
) -> NDArray[np.uint8]:
    """Registration picture of the whole frame, 256 px long or high, with noise of half a code."""
    cols, rows = (short_px, 256) if pose.upright else (256, short_px)
    rays = camera_rays(pose, cols, rows)
    lon = np.degrees(np.arctan2(rays[..., 0], rays[..., 2])) % 360
    lat = np.degrees(np.arctan(rays[..., 1] / np.hypot(rays[..., 0], rays[..., 2])))
    at = [lat / WORLD_DEG + scene.shape[0] / 2, lon / WORLD_DEG]
    light = map_coordinates(scene, at, order=1, mode="grid-wrap") * 2**pose.ev
    if pose.soft_px:
        light = gaussian_filter(light, pose.soft_px)
    codes = 255 * np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    )
    noisy = codes + np.random.default_rng(seed).normal(0, 0.5, codes.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def seen_share(one: Pose, two: Pose) -> float:
    """Share of frame one's area that frame two sees, by counting rays."""
    cols, rows = (171, 256) if one.upright else (256, 171)
    rays = camera_rays(one, cols, rows)
    axes = camera_rays(replace(two, focal_mm=36.0), 3, 3)
    ahead = axes[1, 1]
    right, down = axes[1, 2] - axes[1, 1], axes[2, 1] - axes[1, 1]
    unit = [v / np.linalg.norm(v) for v in (right, down, ahead)]
    x, y, z = (rays @ v for v in unit)
    wide, high = (24.0, 36.0) if two.upright else (36.0, 24.0)
    z = np.where(z > 1e-6, z, np.nan)
    inside = (abs(x / z) < wide / 2 / two.focal_mm) & (abs(y / z) < high / 2 / two.focal_mm)
    return float(inside.mean())


def shot(
    place: int,
    grey: NDArray[np.uint8],
    pose: Pose,
    time_s: float,
    *,
    shutter_s: float = 0.01,
    focal_known: bool = True,
) -> Shot:
    """A measured frame of 6000 x 4000 px, taken so many seconds after noon."""
    width_px, height_px = (4000, 6000) if pose.upright else (6000, 4000)
    hour, rest = divmod(12 * 3600 + time_s, 3600)
    row = AuditedFrame(
        file=f"sweep_{place:04d}.jpg",
        companions=(),
        format="jpeg",
        state="measured",
        error=None,
        exposure=Exposure(
            taken_at=f"2026-05-02T{int(hour):02d}:{int(rest // 60):02d}:{rest % 60:06.3f}",
            shutter_s=shutter_s,
            aperture_n=8.0,
            iso=100.0,
            focal_mm=pose.focal_mm if focal_known else None,
            focal_35mm_mm=pose.focal_mm if focal_known else None,
        ),
        sensor=Sensor(
            width_px=width_px, height_px=height_px, pitch_um=6.0, pitch_source="t", basis="raw"
        ),
        verdict="keeper",
        rank=None,
    )
    return Shot(place=place, row=row, picture=lambda: grey)
