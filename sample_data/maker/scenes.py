"""The landscapes of the trip: sky, ridges, trees, boulders, reeds, a lake, a waterfall, mist.

Every solid thing is painted with exact edges (`maker.paint`), so a scene is perfectly sharp and
all blur in a frame comes from `maker.camera`. Boulders follow the statistics of occluding leaves:
the number of boulders of radius r falls with r cubed, so each size covers a like share of the
ground and isolated step edges occur at every scale and orientation.
Lengths are in sensor pixels of a frame 3240 pixels wide; `unit` scales them to other frames.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates

from maker.paint import (
    Canvas,
    Colour,
    Cut,
    Plane,
    Points,
    below_line,
    blank,
    cloud_noise,
    colour,
    covered,
    fill_below,
    fill_convex,
    fill_spindle,
    jagged_line,
    lay,
    mix,
    smooth_noise,
    window,
)

MARGIN_PX = 32
"""Scene kept around the frame: room for the tails of the blur and for hand movement."""

DESIGN_LONG_PX = 3240
"""Long side of the frame for which the sizes below are written."""


FALL_LEFT, FALL_TOP, FALL_RIGHT, FALL_BOTTOM = 0.40, 0.12, 0.60, 0.62
"""The falling water, as shares of the rendered scene."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mood:
    """The colours of one hour of the day, as linear light."""

    zenith: Colour
    horizon: Colour
    glow: Colour
    far: Colour
    near: Colour
    snow: Colour
    lit: Colour
    dark: Colour
    ground: Colour
    tree: Colour
    water: Colour


def _mood(**web: str) -> Mood:
    return Mood(**{name: colour(value) for name, value in web.items()})


MOODS = {
    "morning": _mood(
        zenith="5f86ad",
        horizon="e6d3bd",
        glow="ffdcae",
        far="a9b0bd",
        near="46566a",
        snow="e9ecef",
        lit="bfae97",
        dark="453f40",
        ground="6d7350",
        tree="27392f",
        water="4d6a7c",
    ),
    "noon": _mood(
        zenith="4a7db5",
        horizon="cfdfe8",
        glow="fff4dc",
        far="9fb3c4",
        near="4c6350",
        snow="eef1f2",
        lit="c3bdb0",
        dark="47494c",
        ground="7c8548",
        tree="274026",
        water="39677c",
    ),
    "evening": _mood(
        zenith="4c5a87",
        horizon="f0b98a",
        glow="ffcf8f",
        far="97829b",
        near="3c3a55",
        snow="e8cfc4",
        lit="c58f6c",
        dark="352d3a",
        ground="5e5640",
        tree="1e2730",
        water="5b5a78",
    ),
    "overcast": _mood(
        zenith="a3adb4",
        horizon="d3d7d8",
        glow="dfe1e0",
        far="a4adb1",
        near="4e5a58",
        snow="dfe3e3",
        lit="a9a8a1",
        dark="3f4344",
        ground="677050",
        tree="2b3a30",
        water="6a7a80",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What stands before the camera; equal scenes render to equal pixels."""

    kind: Literal["lake", "moor", "falls", "mist", "dusk"]
    seed: int
    mood: str
    width_px: int
    height_px: int
    scale: int = 2
    horizon: float = 0.5
    sun: float = 0.3
    sky_gain: float = 1.0
    water_smear_px: float = 0.0
    mirror_blur_px: float = 0.0
    frame_long_px: int | None = None

    @property
    def unit(self) -> float:
        """Size of things, 1 for the design size; a panorama states the long side of one frame."""
        return (self.frame_long_px or max(self.width_px, self.height_px)) / DESIGN_LONG_PX


@lru_cache(maxsize=1)
def render(scene: Scene) -> Canvas:
    """Render a scene with `MARGIN_PX` more on every side; do not write to the result."""
    canvas = blank(scene.width_px + 2 * MARGIN_PX, scene.height_px + 2 * MARGIN_PX, scene.scale)
    painters = {"lake": _lake, "moor": _moor, "falls": _falls, "mist": _mist, "dusk": _dusk}
    painters[scene.kind](canvas, scene, MOODS[scene.mood], np.random.default_rng(scene.seed))
    canvas.pixels.setflags(write=False)
    return canvas


def turn_towards(
    panorama: Canvas, focal_px: float, yaw: float, width_px: int, height_px: int
) -> Plane:
    """Return what a level camera sees of a scene painted on a cylinder around it.

    Parameters
    ----------
    panorama : Canvas
        One pixel across is 1 / focal_px radian; the horizon lies at half height.
    focal_px : float
        Focal length in sensor pixels.
    yaw : float
        Direction of the camera in radians from the left end of the cylinder.
    width_px, height_px : int
        Size of the frame; `MARGIN_PX` is added on every side.

    Returns
    -------
    Plane
        Linear light, `panorama.scale` samples a pixel, interpolated linearly.
    """
    scale = panorama.scale
    cols, rows = ((n + 2 * MARGIN_PX) * scale for n in (width_px, height_px))
    x = (np.arange(cols) + 0.5 - cols / 2) / (scale * focal_px)
    y = (np.arange(rows) + 0.5 - rows / 2) / scale
    at_col = (yaw + np.arctan(x)) * focal_px * scale - 0.5
    at_row = y[:, None] * np.cos(np.arctan(x))[None, :] * scale + panorama.pixels.shape[0] / 2 - 0.5
    where = np.stack([at_row, np.broadcast_to(at_col, at_row.shape)])
    bands = [
        map_coordinates(panorama.pixels[..., band], where, order=1, mode="nearest")
        for band in range(3)
    ]
    return np.asarray(np.stack(bands, axis=2), np.float32)


# ---------------------------------------------------------------- whole landscapes


def _lake(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator) -> None:
    shore_y = scene.horizon * canvas.height_px
    _sky(canvas, scene, mood, rng, shore_y)
    skyline = _ridges(canvas, scene, mood, rng, shore_y, count=4)
    _tree_line(canvas, scene, mood, rng, shore_y, share=0.75)
    _grain(canvas, rng, 0.06, skyline)
    _still_water(canvas, scene, mood, rng, shore_y)
    beach = _shore(canvas, scene, rng)
    sand = mix(mood.dark, mood.lit, 0.22)
    for wet, step in ((0.55, 0.0), (0.8, 22.0), (1.0, 60.0)):
        line = beach + step * scene.unit + 9 * scene.unit * _line(canvas, rng, scene, 240, 18)
        fill_below(canvas, line, sand * wet, sand * wet * 0.7, canvas.height_px * 0.3)
    _grain(canvas, rng, 0.10, beach)
    _boulders(canvas, scene, mood, rng, beach - 40 * scene.unit, cover=1.8)
    _reeds(canvas, scene, mood, rng)


def _moor(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator) -> None:
    ground_y = scene.horizon * canvas.height_px
    _sky(canvas, scene, mood, rng, ground_y)
    skyline = _ridges(canvas, scene, mood, rng, ground_y, count=3)
    deep = canvas.height_px - ground_y
    for fold, near in enumerate((0.0, 0.13, 0.33, 0.6)):
        swell = _line(canvas, rng, scene, 1500, 20) * (0.05 + 0.16 * near) * deep
        line = ground_y + near * deep + swell
        green = mix(mood.ground, mood.tree, rng.uniform(0.0, 0.35)) * np.float32(0.95 - 0.25 * near)
        green = mix(green, mood.far, 0.35 * (1 - near) ** 3)
        fill_below(canvas, line, green, green * 0.6, 0.5 * deep)
        if fold < 3:
            _tree_line(canvas, scene, mood, rng, line, share=(0.5, 0.3, 0.12)[fold])
        if fold == 0:
            meadow = line
    _grain(canvas, rng, 0.14, skyline)
    _boulders(canvas, scene, mood, rng, meadow + 0.1 * deep, cover=0.9)
    _reeds(canvas, scene, mood, rng)


def _dusk(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator) -> None:
    """A bright evening sky over land that is far too dark for the exposure."""
    ground_y = scene.horizon * canvas.height_px
    _sky(canvas, scene, mood, rng, ground_y)
    _ridges(canvas, scene, mood, rng, ground_y, count=4)
    line = ground_y + 60 * scene.unit * _line(canvas, rng, scene, 700, 16)
    black = np.full(3, 2e-5, np.float32)
    fill_below(canvas, line, black, black, 1.0)
    _tree_line(canvas, scene, mood, rng, line + 4 * scene.unit, share=0.8, tone=black)


def _falls(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator) -> None:
    """A cliff of slabs with a fall in a gap, a pool below it and boulders before the pool."""
    unit = scene.unit
    _sky(canvas, scene, mood, rng, 0.2 * canvas.height_px)
    across = np.linspace(-1, 1, canvas.pixels.shape[1])
    rim = canvas.height_px * (FALL_TOP - 0.05 * np.abs(across) ** 0.7)
    rim += 30 * unit * _line(canvas, rng, scene, 420, 16)
    _tree_line(canvas, scene, mood, rng, rim + 4 * unit, share=0.9)
    fill_below(canvas, rim, mood.dark * 0.6, mood.dark * 0.4, 0.5 * canvas.height_px)
    _slabs(canvas, scene, mood, rng, rim)
    _grain(canvas, rng, 0.14, rim)
    _lay_fall(canvas, scene, _falling_water(canvas, scene, rng), rng)
    line = FALL_BOTTOM * canvas.height_px + 10 * unit * _line(canvas, rng, scene, 300, 12)
    _pool(canvas, scene, mood, rng, line)
    _fall_walls(canvas, scene, mood, rng)
    _spray(canvas)
    _boulders(canvas, scene, mood, rng, line + 210 * unit - 120 * unit * across**2, cover=1.6)


def _mist(canvas: Canvas, _scene: Scene, mood: Mood, rng: np.random.Generator) -> None:
    """Ridges dissolved in mist: gradients hundreds of pixels wide and no edge at all."""
    rows, cols = canvas.pixels.shape[:2]
    y = np.linspace(0, 1, rows, dtype=np.float32)[:, None, None]
    canvas.pixels[:] = mood.horizon * (0.62 + 0.3 * (1 - y)) * (0.9 + 0.1 * mood.glow)
    for layer in range(4):
        level = (0.34 + 0.13 * layer) * rows
        ridge = level + 0.16 * rows * jagged_line(rng, cols, cols / 3, cols / 12, 0.6)
        ridge = gaussian_filter1d(ridge, 0.03 * cols)
        depth = (np.arange(rows)[:, None] - ridge[None, :]) / (0.05 * rows)
        fade = np.exp(-np.clip(depth, 0, None) / 5)
        veil = (0.20 + 0.06 * layer) / (1 + np.exp(-depth)) * fade
        canvas.pixels[:] += veil[..., None].astype(np.float32) * (mood.near - canvas.pixels)
    drift = cloud_noise(rng, (rows, cols), (rows / 4, cols / 4), 2)
    canvas.pixels[:] *= 1 + 0.04 * drift[..., None]


# ---------------------------------------------------------------- parts


def _line(
    canvas: Canvas, rng: np.random.Generator, scene: Scene, coarse: float, fine: float
) -> Points:
    """A skyline of straight pieces, one height a column of samples."""
    to_samples = scene.unit * scene.scale
    cols = canvas.pixels.shape[1]
    return jagged_line(rng, cols, coarse * to_samples, fine * to_samples, 0.52)


def _shore(canvas: Canvas, scene: Scene, rng: np.random.Generator) -> Points:
    """The line where the near shore begins: low on one side of the lake, higher on the other."""
    across = np.linspace(-1, 1, canvas.pixels.shape[1])
    bow = canvas.height_px * (0.93 - 0.14 * across**2 + 0.06 * across * np.sign(scene.sun - 0.5))
    return np.asarray(bow + 40 * scene.unit * _line(canvas, rng, scene, 600, 40))


def _sky(
    canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator, horizon_y: float
) -> None:
    rows = round(min(horizon_y * 1.05, canvas.height_px) * canvas.scale)
    cols = canvas.pixels.shape[1]
    down = (np.linspace(0, 1, rows, dtype=np.float32) ** 1.4)[:, None, None]
    sky = mood.zenith * (1 - down) + mood.horizon * down
    x = np.linspace(0, 1, cols, dtype=np.float32)[None, :]
    y = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    across = (x - scene.sun) * canvas.width_px / max(horizon_y, 1)
    sun = np.exp(-(across**2 + ((y - 0.78) * 1.1) ** 2) / 0.16)
    sky = sky + 0.55 * sun[..., None] * (mood.glow - sky)
    cloud = cloud_noise(rng, (rows, cols), (rows / 7, cols / 3), 5)
    veil = np.clip(cloud * 0.55 - 0.12, 0, 0.75) * (0.35 + 0.65 * (1 - y))
    sky = sky + veil[..., None] * (mix(mood.horizon, mood.glow, 0.5) - sky)
    canvas.pixels[:rows] = sky * np.float32(scene.sky_gain)
    canvas.pixels[rows:] = mood.horizon


def _ridges(
    canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator, foot_y: float, count: int
) -> Points:
    """Paint ridges from the farthest to the nearest; return the skyline of them all."""
    skyline = np.full(canvas.pixels.shape[1], foot_y)
    for layer in range(count):
        near = (layer + 0.5) / count
        height = foot_y * (0.72 - 0.52 * near)
        swell = _line(canvas, rng, scene, 1400 - 700 * near, 12)
        peaks = 0.95 - 1.5 * np.abs(swell) + 0.12 * _line(canvas, rng, scene, 160, 12)
        line = foot_y - np.clip(height * peaks, 4, 0.9 * foot_y)
        tone = mix(mood.far, mood.near, near**0.8)
        fill_below(canvas, line, tone, mix(tone, mood.horizon, 0.55), foot_y - float(line.min()))
        _faces(canvas, scene, mood, rng, line, foot_y, near, tone)
        skyline = np.minimum(skyline, line)
    return skyline


def _faces(
    canvas: Canvas,
    scene: Scene,
    mood: Mood,
    rng: np.random.Generator,
    line: Points,
    foot_y: float,
    near: float,
    tone: Colour,
) -> None:
    """Cover a ridge with jagged lit and shaded faces; the high parts of far ridges carry snow."""
    sunlit = mix(mix(tone, mood.lit, 0.55), mood.far, 0.45 * (1 - near))
    shaded = tone * np.float32(0.62 + 0.2 * (1 - near))
    for _ in range(round(150 * canvas.width_px / (DESIGN_LONG_PX * scene.unit))):
        x = rng.uniform(0, canvas.width_px)
        crest = line[int(np.clip(x * scene.scale, 0, len(line) - 1))]
        start = crest + abs(rng.normal(0, 0.28)) * (foot_y - crest) - 6 * scene.unit
        length = rng.uniform(40, 330) * scene.unit * (0.5 + near)
        high = (foot_y - start) > 0.55 * (foot_y - float(line.min())) and near < 0.7
        tones = (mood.snow * np.float32(0.72), shaded) if high else (sunlit, shaded)
        in_shade = rng.random() < 0.5
        away = 1.0 if scene.sun < 0.5 else -1.0
        lean = (away if in_shade else -away) * rng.uniform(0.0, 0.9)
        veil = float(np.clip((start - crest) / max(foot_y - crest, 1), 0, 1)) * 0.6 * (1.1 - near)
        face = mix(tones[int(in_shade)], mood.horizon, veil)
        _face(canvas, scene, rng, (x, start), (lean * length, length), face, line)


def _face(
    canvas: Canvas,
    scene: Scene,
    rng: np.random.Generator,
    top: tuple[float, float],
    run: tuple[float, float],
    tone: Colour,
    under: Points,
) -> None:
    """One jagged face from a point at its top, running sideways and down by `run`."""
    rows = max(8, round(run[1] * scene.scale))
    down = np.linspace(0, 1, rows)
    fine = 9 * scene.unit * scene.scale
    taper = np.minimum(down * 4, 1) * (1 - down) ** 0.7
    middle = top[0] + run[0] * down
    middle += 0.2 * run[1] * jagged_line(rng, rows, rows / 2, fine, 0.5) * taper
    half = rng.uniform(0.15, 0.42) * run[1] * taper
    half = half * (0.5 + np.abs(jagged_line(rng, rows, rows / 2, fine, 0.6)))
    fill_spindle(canvas, top[1], middle - half, middle + half, tone, under)


def _tree_line(
    canvas: Canvas,
    scene: Scene,
    mood: Mood,
    rng: np.random.Generator,
    foot_y: float | Points,
    share: float,
    tone: Colour | None = None,
) -> None:
    """Conifers along a line, in groves that fill about `share` of the width."""
    groves = jagged_line(rng, 4096, 1400, 60, 0.6)
    limit = np.quantile(groves, 1 - share)
    count = round(300 * share * canvas.width_px / (DESIGN_LONG_PX * scene.unit))
    foot_line = np.broadcast_to(foot_y, canvas.pixels.shape[1])
    for depth in np.linspace(0, 1, count):
        at = rng.uniform(0, 1)
        if groves[int(at * 4095)] < limit:
            continue
        tall = scene.unit * (55 + 75 * depth) * rng.uniform(0.6, 1.5)
        foot = foot_line[int(at * len(foot_line))] + scene.unit * (4 + 8 * depth)
        green = mix(mood.tree, mood.near, 0.45 * (1 - depth)) if tone is None else tone
        _conifer(canvas, rng, at * canvas.width_px, foot, tall, green * rng.uniform(0.8, 1.25))


def _conifer(
    canvas: Canvas, rng: np.random.Generator, x: float, foot: float, tall: float, tone: Colour
) -> None:
    tiers = int(rng.integers(4, 8))
    wide = tall * rng.uniform(0.16, 0.24)
    shade = (tone * 0.6).astype(np.float32)
    for tier in range(tiers):
        low = foot - tall * 0.06 - tall * 0.86 * tier / tiers
        high = low - tall * (1.7 / tiers)
        half = wide * (1 - tier / tiers) + 0.02 * tall
        lean = rng.uniform(-0.1, 0.1) * half
        droop = rng.uniform(-0.2, 0.2, 2) * tall / tiers
        outline = np.array(
            [(x + lean, high), (x + half, low + droop[0]), (x - half, low + droop[1])]
        )
        fill_convex(canvas, outline, tone, [(Cut(x + lean, high, rng.uniform(-25, 10)), shade)])


def _boulders(
    canvas: Canvas,
    scene: Scene,
    mood: Mood,
    rng: np.random.Generator,
    begin_y: Points,
    cover: float,
) -> None:
    """Strew boulders from `begin_y` to the bottom, `cover` times the area, the far ones first."""
    smallest, largest = 6.0 * scene.unit + 1.0, 230.0 * scene.unit
    ground = float(np.sum(np.clip(canvas.height_px - begin_y, 0, None))) / scene.scale
    mean_area = 2 * np.pi * 0.6 * smallest**2 * np.log(largest / smallest)
    count = int(min(cover * ground / mean_area, 16000))
    u = rng.random(count)
    radius = 1 / np.sqrt(u / largest**2 + (1 - u) / smallest**2)
    x = rng.uniform(0, canvas.width_px, count)
    top = begin_y[(x * scene.scale).astype(int)]
    depth = rng.random(count) ** 1.2
    y = top + depth * (canvas.height_px * 1.05 - top)
    radius = radius * (0.3 + 0.9 * depth)
    for i in np.argsort(y + 0.6 * radius):
        if y[i] - radius[i] > begin_y.min():
            _boulder(canvas, mood, rng, float(x[i]), float(y[i]), float(radius[i]))


def _boulder(
    canvas: Canvas, mood: Mood, rng: np.random.Generator, x: float, y: float, radius: float
) -> None:
    """A convex stone of flat faces: a dark flank, a lit top and sometimes a third, middle face."""
    corners = int(rng.integers(5, 10))
    angle = np.sort((np.arange(corners) + rng.uniform(-0.35, 0.35, corners)) * 2 * np.pi / corners)
    flat = rng.uniform(0.5, 0.85)
    outline = np.stack([x + radius * np.cos(angle), y + radius * flat * np.sin(angle)], axis=1)
    base = np.float32(np.exp(rng.normal(0, 0.22)))
    tint = (1 + rng.normal(0, 0.04, 3)).astype(np.float32)
    if rng.random() < 0.12:
        tint = tint * (mood.ground / mood.ground.mean()) ** np.float32(0.45) * np.float32(0.85)
    lit, dark = mood.lit * base * tint * 0.8, mood.dark * base * tint
    top = Cut(x, y - radius * flat * rng.uniform(-0.05, 0.45), 90 + rng.uniform(-28, 28))
    side = Cut(x + radius * rng.uniform(-0.4, 0.4), y, 180 + rng.uniform(-35, 35))
    faces = [(side, mix(dark, lit, 0.3)), (top, lit)]
    if rng.random() < 0.5:
        ledge = Cut(x + radius * rng.uniform(-0.5, 0.3), y, rng.uniform(100, 160))
        faces.append((ledge, mix(dark, lit, rng.uniform(0.5, 1.3))))
    fill_convex(canvas, outline, dark, faces[-int(rng.integers(1, 4)) :])


def _reeds(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator) -> None:
    """Clumps of straight blades at the lower corner away from the sun."""
    side = 0.9 if scene.sun < 0.5 else 0.1
    for clump in rng.normal(side, 0.05, 5):
        for _ in range(34):
            foot = clump * canvas.width_px + rng.normal(0, 26) * scene.unit
            tall = rng.uniform(150, 480) * scene.unit
            lean = rng.normal(0, 0.22) * tall
            half = rng.uniform(2.0, 4.5) * scene.unit + 0.5
            bottom = canvas.height_px
            blade = np.array(
                [(foot - half, bottom), (foot + lean, bottom - tall), (foot + half, bottom)]
            )
            green = mix(mood.tree, mood.ground, rng.uniform(0.0, 1.0))
            fill_convex(canvas, blade, green * np.float32(rng.uniform(0.5, 1.5)))


def _still_water(
    canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator, shore_y: float
) -> None:
    """Mirror what stands above the shore in gentle ripples, darker near the viewer.

    The mirrored edges are as sharp as the real ones, unless wind ruffles the water
    (`mirror_blur_px`): then half the frame is soft although the camera was not.
    """
    first = round(shore_y * scene.scale)
    rows, cols = canvas.pixels.shape[0] - first, canvas.pixels.shape[1]
    down = np.arange(rows)
    unit = scene.unit * scene.scale
    ripple = np.zeros((rows, cols), np.float32)
    for cell_y, cell_x, strength in ((9, 150, 1.0), (22, 420, 1.4), (4, 60, 0.5)):
        ripple += strength * smooth_noise(rng, (rows, cols), (cell_y * unit, cell_x * unit))
    sway = ripple * (2 + 0.016 * down / scene.scale)[:, None] * np.float32(unit)
    source = np.clip(first - 1 - np.abs(down[:, None] + sway), 0, first - 2)
    upper = source.astype(np.int32)
    share = (source - upper).astype(np.float32)[..., None]
    across = np.arange(cols)[None, :]
    mirror = canvas.pixels[upper, across] * (1 - share) + canvas.pixels[upper + 1, across] * share
    if scene.mirror_blur_px:
        soft = scene.mirror_blur_px * scene.scale
        mirror = gaussian_filter(mirror, (soft, soft / 2, 0))
    dim = np.clip(0.84 - 0.5 * (down / rows), 0.3, 1).astype(np.float32)[:, None, None]
    canvas.pixels[first:] = mirror * dim + mood.water * (0.5 * (1 - dim) + 0.06)


def _grain(canvas: Canvas, rng: np.random.Generator, strength: float, begin_y: Points) -> None:
    """Give flat colours below a line the slight unevenness of stone and grass, at three sizes."""
    place = window(canvas, 0, float(begin_y.min()), canvas.width_px, canvas.height_px)
    assert place is not None
    shape = (place.y.shape[0], place.x.shape[1])
    texture = np.zeros(shape, np.float32)
    for cell, share in ((2.0, 0.35), (7.0, 0.3), (40.0, 0.35)):
        size = cell * canvas.scale
        texture += np.float32(strength * share) * smooth_noise(rng, shape, (size, size))
    texture *= below_line(place, begin_y, canvas)
    canvas.pixels[place.rows] *= 1 + texture[..., None]


# ---------------------------------------------------------------- the waterfall


def _slabs(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator, rim: Points) -> None:
    """Cliff below its rim: tilted four-sided slabs of every size, the largest at the back."""
    u = rng.random(4200)
    radii = np.sort(1 / np.sqrt(u / 330**2 + (1 - u) / 13**2))[::-1] * scene.unit
    for radius in radii:
        x = rng.uniform(0, canvas.width_px)
        highest = rim[int(x * scene.scale)] + 0.75 * radius
        y = highest + rng.random() * max((FALL_BOTTOM + 0.03) * canvas.height_px - highest, 0)
        base = np.float32(np.exp(rng.normal(-0.35, 0.3)))
        _slab(canvas, mood, rng, (x, y), float(radius), base)


def _slab(
    canvas: Canvas,
    mood: Mood,
    rng: np.random.Generator,
    at: tuple[float, float],
    radius: float,
    base: np.float32,
) -> None:
    tilt = rng.normal(0, 0.25)
    corners = np.array([(-1, -0.6), (1, -0.6), (0.9, 0.6), (-0.9, 0.6)])
    corners = (corners + rng.uniform(-0.2, 0.2, corners.shape)) * radius
    turn = np.array([[np.cos(tilt), np.sin(tilt)], [-np.sin(tilt), np.cos(tilt)]])
    dark = mood.dark * base
    face = Cut(at[0], at[1] - radius * rng.uniform(-0.2, 0.5), 90 + rng.uniform(-30, 30))
    lit = mix(dark, mood.lit * base, rng.uniform(0.25, 0.8))
    fill_convex(canvas, corners @ turn + np.array(at), dark, [(face, lit)])


def _falling_water(canvas: Canvas, scene: Scene, rng: np.random.Generator) -> Plane:
    """Water as frozen drops and strands, then smeared downwards by `water_smear_px`."""
    rows, cols = canvas.pixels.shape[:2]
    shape = (round(FALL_BOTTOM * rows * 1.05), round((FALL_RIGHT - FALL_LEFT) * cols))
    unit = scene.unit * scene.scale
    strands = smooth_noise(rng, shape, (160 * unit, 9 * unit))
    drops = smooth_noise(rng, shape, (16 * unit, 5 * unit)) + 0.8 * strands
    bright = np.clip(drops * 3.0 + 0.5, 0, 1)
    water = 0.24 + 0.46 * bright + 0.05 * strands
    return _smear(water.astype(np.float32), scene.water_smear_px * scene.scale)


def _smear(plane: Plane, length: float) -> Plane:
    """Average down the columns over `length` samples (an even motion during the exposure)."""
    taps = round(length)
    if taps < 2:
        return plane
    padded = np.concatenate([plane[::-1], plane, plane[::-1]])
    while len(padded) < len(plane) + 2 * taps:
        padded = np.concatenate([padded[::-1], padded, padded[::-1]])
    start = (len(padded) - len(plane)) // 2 - taps // 2
    total = np.cumsum(padded, axis=0, dtype=np.float64)
    span = total[start + taps : start + taps + len(plane)] - total[start : start + len(plane)]
    return (span / taps).astype(np.float32)


def _lay_fall(canvas: Canvas, scene: Scene, water: Plane, rng: np.random.Generator) -> None:
    """Set the water between two jagged walls, wider towards the pool."""
    left_px, top_px = FALL_LEFT * canvas.width_px, FALL_TOP * canvas.height_px
    place = window(
        canvas,
        left_px,
        top_px,
        left_px + water.shape[1] / canvas.scale,
        FALL_BOTTOM * canvas.height_px * 1.04,
    )
    assert place is not None
    rows, cols = place.y.shape[0], min(place.x.shape[1], water.shape[1])
    tint = np.array([0.96, 1.0, 1.04], np.float32)
    half = (cols / 2 / canvas.scale) * (0.72 + 0.2 * np.linspace(0, 1, rows))
    wander = 14 * scene.unit * jagged_line(rng, rows, rows / 3, 30 * scene.scale, 0.5)
    middle = left_px + cols / 2 / canvas.scale + wander
    distance = half[:, None] - np.abs(place.x[:, :cols] - middle[:, None])
    coverage = covered(distance, canvas.scale) * covered(place.y - top_px, 1)
    block = canvas.pixels[place.rows, place.cols][:, :cols]
    block += coverage[..., None] * (water[:rows, :cols, None] * tint - block)


def _pool(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator, line: Points) -> None:
    """The pool: bright foam near the fall, ripples, all smeared along the rows while it flows."""
    place = window(canvas, 0, float(line.min()), canvas.width_px, canvas.height_px)
    assert place is not None
    shape = (place.y.shape[0], place.x.shape[1])
    unit = scene.unit * scene.scale
    ripple = smooth_noise(rng, shape, (7 * unit, 40 * unit)) + smooth_noise(
        rng, shape, (22 * unit, 130 * unit)
    )
    crests = np.clip(ripple * 1.6 - 0.9, 0, 1)
    calm = _smear(crests.T, 0.6 * scene.water_smear_px * scene.scale).T
    near_fall = np.exp(-(((place.x / canvas.width_px - 0.5) / 0.16) ** 2)) * np.exp(
        -(place.y - line.min()) / (170 * scene.unit)
    )
    foam = np.clip(0.75 * near_fall + 0.35 * calm, 0, 0.9).astype(np.float32)
    deep = mood.water * 0.45
    surface = deep + foam[..., None] * (np.float32(0.7) - deep)
    steep = np.hypot(1, np.gradient(line) * canvas.scale)[None, :]
    lay(canvas, place, covered((place.y - line[None, :]) / steep, canvas.scale), surface)


def _fall_walls(canvas: Canvas, scene: Scene, mood: Mood, rng: np.random.Generator) -> None:
    """Wet slabs along both sides of the fall and a few that part its water."""
    top_px = FALL_TOP * canvas.height_px
    height = FALL_BOTTOM * canvas.height_px - top_px
    for _ in range(420):
        down = rng.random()
        edge = (FALL_LEFT, FALL_RIGHT)[int(rng.random() < 0.5)] * canvas.width_px
        outward = 1.0 if edge > 0.5 * canvas.width_px else -1.0
        x = edge + outward * (abs(rng.normal(0, 75)) - 30 + 40 * down) * scene.unit
        radius = scene.unit * min(16 / (1 - 0.97 * rng.random()) ** 0.6, 90)
        y = top_px + down * height - 0.3 * radius
        _slab(canvas, mood, rng, (x, y), radius, np.float32(np.exp(rng.normal(-0.55, 0.25))))
    for x, down, radius in ((0.487, 0.46, 80), (0.53, 0.72, 105), (0.462, 0.9, 70)):
        at = (x * canvas.width_px, top_px + down * height)
        for _ in range(5):
            near = (at[0] + rng.normal(0, 35) * scene.unit, at[1] + rng.normal(0, 14) * scene.unit)
            _slab(
                canvas,
                mood,
                rng,
                near,
                radius * scene.unit * rng.uniform(0.4, 0.9),
                np.float32(0.55),
            )


def _spray(canvas: Canvas) -> None:
    """A veil of spray around the foot of the fall."""
    rows, cols = canvas.pixels.shape[:2]
    x = (np.arange(cols) + 0.5) / cols - (FALL_LEFT + FALL_RIGHT) / 2
    y = (np.arange(rows) + 0.5) / rows - FALL_BOTTOM
    veil = 0.6 * np.exp(-((y / 0.06) ** 2))[:, None] * np.exp(-((x / 0.10) ** 2))[None, :]
    canvas.pixels[:] += veil[..., None].astype(np.float32) * (np.float32(0.6) - canvas.pixels)
