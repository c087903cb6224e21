"""Accuracy of sharpness, order and cause on frames whose blur is known.

    python tests/benchmarks/accuracy.py [--photos FOLDER] [--kernels few|all] [--iso 100 800]

Scenes are blurred by closed-form optics (the camera of ``sample_data/maker``), sampled through an
RGGB mosaic with noise, written as DNG and JPEG, and read back by the program's own `examine` and
`judge`: nothing is measured past the files. Two scenes are drawn and have no blur of their own
(slanted squares, and dead leaves, whose statistics are like a landscape's). ``--photos`` adds
photographs as scenes, reduced 3 times; as photographs are not perfectly sharp, each is also
allowed one variance of its own, added to every kernel alike.

Other people's measures run on the same frames: variance of the Laplacian (scipy), the re-blur
measure of scikit-image, and CPBD where that package is installed. Run by hand; the last result
stands in ``docs/methods/sharpness.md``.
"""

import argparse
import itertools
import math
import os
import statistics
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import laplace

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "sample_data")]

from maker import camera, files, truth  # noqa: E402

from audit.diagnose import judge  # noqa: E402
from audit.examine import examine  # noqa: E402
from audit.records import Frame, Reading  # noqa: E402
from audit.settings import Settings  # noqa: E402

Plane = NDArray[np.float32]

PITCH_UM = 4.4
APERTURE_N = 5.6
SCALE = 3
MARGIN_PX = 32
"""Cut off all around: blurring wraps at the border."""

GAUSSIAN_50 = math.sqrt(math.log(2) / 2) / math.pi
"""MTF50 times sigma of a Gaussian."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernel:
    """One known blur and the cause that it stands for."""

    name: str
    cause: str
    blur: camera.Blur


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One frame: what is true, and what was read."""

    scene: str
    drawn: bool
    kernel: Kernel
    format: str
    iso: int
    true_mtf50_cpp: float
    reading: Reading
    kinds: frozenset[str]
    others: dict[str, float]

    @property
    def mtf50_cpp(self) -> float | None:
        """MTF50 that was read."""
        return self.reading.sharpness.mtf50_cpp


# ---------------------------------------------------------------- kernels and scenes


def kernels(which: str) -> tuple[Kernel, ...]:
    """Every blur of the trial; `few` leaves out the ones between."""

    def kernel(name: str, cause: str, **parts: float) -> Kernel:
        blur = camera.Blur(**({"aperture_n": APERTURE_N, "pitch_um": PITCH_UM} | parts))
        return Kernel(name=name, cause=cause, blur=blur)

    few = which == "few"
    sigmas = (0.5, 1.0, 2.0) if few else (0.3, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
    radii = (1.0, 2.0, 4.0) if few else (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
    apertures = (11.0, 22.0) if few else (8.0, 11.0, 16.0, 22.0, 32.0)
    lengths = (3.0, 5.0, 8.0) if few else (2.0, 3.0, 5.0, 8.0, 12.0)
    angles = (0.0, 30.0, 90.0) if few else (0.0, 30.0, 45.0, 90.0, 150.0)
    made = [kernel("sharp", "limit")]
    made += [kernel(f"gauss {sigma}", "gauss", lens_sigma_px=sigma) for sigma in sigmas]
    made += [
        kernel(f"disc {radius}", "isotropic" if radius >= 1.5 else "mild", disc_radius_px=radius)
        for radius in radii
    ]
    made += [kernel(f"f/{n:g}", "limit", aperture_n=n) for n in apertures]
    made += [
        kernel(
            f"smear {length:g} at {angle:g}",
            "directional" if length >= 3.0 else "mild",
            shake_px=length,
            shake_angle_deg=angle,
        )
        for length, angle in itertools.product(lengths, angles)
    ]
    return tuple(made)


def squares(cell_px: int = 80, columns: int = 12, rows: int = 8) -> Plane:
    """Draw turned squares of contrast 1.6 to 6, at `SCALE` times the sensor's sampling."""
    rng = np.random.default_rng(3)
    cell = cell_px * SCALE
    picture = np.empty((rows * cell, columns * cell), np.float32)
    y, x = (np.mgrid[:cell, :cell] + 0.5) / SCALE - cell_px / 2
    for index, (row, column) in enumerate(itertools.product(range(rows), range(columns))):
        turn = math.radians(index * 37 % 90 + rng.uniform(0, 5))
        dark = 0.06 * rng.uniform(0.8, 1.5)
        bright = dark * rng.uniform(1.6, 6.0)
        half_px = rng.uniform(18, 27)
        inside = half_px - np.maximum(
            abs(x * math.cos(turn) + y * math.sin(turn)),
            abs(y * math.cos(turn) - x * math.sin(turn)),
        )
        coverage = np.clip(inside * SCALE + 0.5, 0, 1)
        place = np.s_[row * cell : (row + 1) * cell, column * cell : (column + 1) * cell]
        picture[place] = dark + (bright - dark) * coverage
    return np.repeat(picture[..., None], 3, axis=2)


def dead_leaves(width_px: int = 1200, height_px: int = 800, discs: int = 40_000) -> Plane:
    """Draw occluding discs whose radii follow r^-3, as the statistics of landscapes do.

    References
    ----------
    Lee, A. B., Mumford, D., Huang, J. (2001). Occlusion models for natural images. International
    Journal of Computer Vision 41, 35-59 (from memory).
    """
    rng = np.random.default_rng(5)
    rows, cols = height_px * SCALE, width_px * SCALE
    picture = np.full((rows, cols, 3), 0.15, np.float32)
    smallest, largest = 1.5, 200.0
    share = rng.random(discs)
    radii = SCALE / np.sqrt(share / largest**2 + (1 - share) / smallest**2)
    tones = np.clip(np.exp(rng.normal(-1.9, 0.75, discs)), 0.003, 0.9).astype(np.float32)
    for x, y, radius, tone in zip(
        rng.uniform(0, cols, discs), rng.uniform(0, rows, discs), radii, tones, strict=True
    ):
        top, left = max(0, int(y - radius) - 1), max(0, int(x - radius) - 1)
        place = picture[top : int(y + radius) + 3, left : int(x + radius) + 3]
        gy, gx = np.ogrid[top : top + place.shape[0], left : left + place.shape[1]]
        coverage = np.clip(radius + 0.5 - np.hypot(gx - x, gy - y), 0, 1)[..., None]
        place += (tone - place) * coverage.astype(np.float32)
    return picture


def photograph(path: Path, longest_px: int = 1350) -> Plane:
    """Load a photograph as a linear scene, centre-cropped to `longest_px` sensor pixels."""
    codes = np.asarray(Image.open(path).convert("RGB"))
    most = longest_px * SCALE
    rows, cols = (min(side, most) // (2 * SCALE) * 2 * SCALE for side in codes.shape[:2])
    top, left = (codes.shape[0] - rows) // 2, (codes.shape[1] - cols) // 2
    share = np.arange(256) / 255
    curve = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return curve.astype(np.float32)[codes[top : top + rows, left : left + cols]]


# ---------------------------------------------------------------- frames


def outcomes(
    name: str, scene: Plane, drawn: bool, which: str, isos: Sequence[int], folder: Path
) -> Iterator[Outcome]:
    """Blur, expose, write and read back one scene with every kernel."""
    for number, kernel in enumerate(kernels(which)):
        light = camera.on_pixels(camera.through_lens(scene, SCALE, kernel.blur), SCALE)
        light = 0.9 * light[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
        light = light[: light.shape[0] // 2 * 2, : light.shape[1] // 2 * 2]
        true_cpp = harmonic_mtf50_cpp(kernel.blur)
        for iso in isos:
            samples = camera.expose(light, iso, np.random.default_rng(1000 * number + iso))
            developed = camera.develop(samples)
            settings = written(kernel.blur.aperture_n, iso)
            others = other_measures(developed)
            for form, data in (
                ("dng", files.dng_bytes(samples, settings)),
                ("jpeg", files.jpeg_bytes(developed, settings, 94)),
            ):
                reading = read_back(folder / f"frame.{form}", data, form)
                yield Outcome(
                    scene=name,
                    drawn=drawn,
                    kernel=kernel,
                    format=form,
                    iso=iso,
                    true_mtf50_cpp=true_cpp,
                    reading=reading,
                    kinds=frozenset(each.kind for each in judge(reading, Settings()).findings),
                    others=others,
                )


def harmonic_mtf50_cpp(blur: camera.Blur) -> float:
    """MTF50 over all directions of an edge, harmonic mean: widths average, not frequencies."""
    return statistics.harmonic_mean([truth.mtf50_cpp(blur, n) for n in truth.NORMALS_DEG])


def written(aperture_n: float, iso: int) -> files.Settings:
    """What the camera writes beside the picture."""
    return files.Settings(
        make="Velmark",
        model="Trial",
        body_serial="0",
        lens="Trial 35",
        shutter_s=Fraction(1, 125),
        aperture_n=aperture_n,
        iso=iso,
        focal_mm=35.0,
        pitch_um=PITCH_UM,
        taken_at=datetime(2026, 1, 1, 8),  # a camera's clock has no zone
        subsec="0",
    )


def read_back(path: Path, data: bytes, form: str) -> Reading:
    """Write a file and let the program read it."""
    path.write_bytes(data)
    stat = path.stat()
    result = examine(
        Frame(
            file=path.name,
            path=os.fsencode(path),
            format=form,
            size_bytes=stat.st_size,
            mtime_ns=stat.st_mtime_ns,
        )
    )
    if not isinstance(result, Reading):
        raise TypeError(f"{path}: {result.message}")
    return result


def other_measures(picture: NDArray[np.uint8]) -> dict[str, float]:
    """Measures of other people on the developed grey picture; more is sharper."""
    grey = picture @ np.array([0.299, 0.587, 0.114])
    found = {"Laplacian variance": float(laplace(grey).var())}
    for name, measure in OTHERS.items():
        found[name] = measure(grey)
    return found


def installed_measures() -> dict[str, Callable[[NDArray[np.float64]], float]]:
    """Those of scikit-image and CPBD, as far as they are here."""
    found: dict[str, Callable[[NDArray[np.float64]], float]] = {}
    try:
        from skimage.measure import blur_effect

        found["scikit-image blur_effect"] = lambda grey: -float(blur_effect(grey))
    except ImportError:
        pass
    try:
        from cpbd import compute

        found["CPBD"] = lambda grey: float(compute(grey))
    except ImportError:
        pass
    return found


OTHERS = installed_measures()


# ---------------------------------------------------------------- tables


def quantile(values: Sequence[float], share: float) -> float:
    return float(np.quantile(values, share)) if len(values) else math.nan


def error_line(label: str, errors: Sequence[float]) -> str:
    return (
        f"{label:46s} {100 * quantile(errors, 0.5):5.1f} / {100 * quantile(errors, 0.9):5.1f} %"
        f"   of {len(errors)}"
    )


def has_one_mtf50(outcome: Outcome) -> bool:
    """Smears have another MTF50 in each direction, large discs more than one."""
    blur = outcome.kernel.blur
    return outcome.format == "dng" and not blur.shake_px and blur.disc_radius_px < 3.0


def own_blur_errors(group: Sequence[Outcome]) -> list[float]:
    """Errors of one scene with the one variance that fits all its kernels best."""
    tried = [
        [
            abs(
                (each.mtf50_cpp or 0.0)
                / (GAUSSIAN_50 / math.hypot(GAUSSIAN_50 / each.true_mtf50_cpp, math.sqrt(v)))
                - 1
            )
            for each in group
        ]
        for v in np.arange(60) / 50
    ]
    return min(tried, key=statistics.median)


def pair_order(
    group: Sequence[Outcome], value: Callable[[Outcome], float | None], ratio: float
) -> tuple[int, int]:
    """Pairs in the right order, and pairs; only those whose true MTF50 differ by `ratio`."""
    right = count = 0
    for first, second in itertools.combinations(group, 2):
        true = first.true_mtf50_cpp / second.true_mtf50_cpp
        values = value(first), value(second)
        if max(true, 1 / true) < ratio or values[0] is None or values[1] is None:
            continue
        count += 1
        right += (true > 1) == (values[0] > values[1])
    return right, count


def by(results: Sequence[Outcome], *names: str) -> list[list[Outcome]]:
    """Group outcomes that share some fields."""
    groups: defaultdict[Any, list[Outcome]] = defaultdict(list)
    for each in results:
        groups[tuple(getattr(each, name) for name in names)].append(each)
    return list(groups.values())


def order_line(
    label: str, groups: Sequence[Sequence[Outcome]], value: Callable[[Outcome], Any], ratio: float
) -> str:
    right, count = map(sum, zip(*(pair_order(g, value, ratio) for g in groups), strict=True))
    return f"{label:46s} {right / max(count, 1):.3f}   of {count}"


def decided(kinds: frozenset[str]) -> str:
    if "camera-shake" in kinds:
        return "directional"
    return "isotropic" if "missed-focus" in kinds else "limit"


def tables(results: Sequence[Outcome]) -> Iterator[str]:
    """All lines, one a bar."""
    clear = [each for each in results if each.mtf50_cpp is not None]
    exact = [each for each in clear if has_one_mtf50(each)]
    for drawn, label in ((True, "drawn scenes"), (False, "photographs, against the kernel alone")):
        errors = [abs(e.mtf50_cpp / e.true_mtf50_cpp - 1) for e in exact if e.drawn == drawn]
        yield error_line(f"MTF50, {label}", errors)
    own = [
        error
        for group in by([e for e in exact if not e.drawn], "scene")
        for error in own_blur_errors(group)
    ]
    yield error_line("MTF50, photographs, own blur allowed", own)
    yield f"{'not measurable':46s} {1 - len(clear) / len(results):.3f}   of {len(results)}"
    covered = [
        (e.reading.sharpness.mtf50_low_cpp or 0)
        <= e.true_mtf50_cpp
        <= (e.reading.sharpness.mtf50_high_cpp or 0)
        for e in exact
        if e.drawn
    ]
    yield f"{'95 % interval holds the truth, drawn scenes':46s} {np.mean(covered):.2f}"
    across = by([e for e in clear if not e.drawn] or clear, "format", "iso")
    yield order_line("order across scenes, ratio over 1.25", across, lambda e: e.mtf50_cpp, 1.25)
    for name in results[0].others:
        yield order_line(f"  {name}", across, lambda e, n=name: e.others[n], 1.25)
    inside = by(results, "scene", "format", "iso")
    yield order_line(
        "order inside a scene, ratio over 1.1 (energy)",
        inside,
        lambda e: e.reading.sharpness.energy,
        1.1,
    )
    for name in results[0].others:
        yield order_line(f"  {name}", inside, lambda e, n=name: e.others[n], 1.1)
    yield from cause_lines([e for e in clear if not e.drawn] or clear)


def cause_lines(results: Sequence[Outcome]) -> Iterator[str]:
    """Cause in three ways, and the direction of long smears."""
    told = [e for e in results if e.kernel.cause in {"limit", "isotropic", "directional"}]
    right = np.mean([decided(e.kinds) == e.kernel.cause for e in told])
    yield f"{'cause, three ways':46s} {right:.3f}   of {len(told)}"
    sharp = [decided(e.kinds) == "directional" for e in told if e.kernel.cause == "limit"]
    yield f"{'  sharp or diffraction called shake':46s} {np.mean(sharp):.3f}   of {len(sharp)}"
    long = [e for e in told if e.kernel.blur.shake_px >= 4.0]
    found = [decided(e.kinds) == "directional" for e in long]
    yield f"{'  smears of 4 px and more found':46s} {np.mean(found):.3f}   of {len(long)}"
    off = []
    for each in long:
        angle = each.reading.sharpness.smear_angle_deg
        if angle is not None:
            apart = abs(angle - each.kernel.blur.shake_angle_deg) % 180
            off.append(min(apart, 180 - apart))
    yield (
        f"{'  their direction, deg, median / 90 %':46s} "
        f"{quantile(off, 0.5):.1f} / {quantile(off, 0.9):.1f}   of {len(off)}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, help="folder of large photographs used as scenes")
    parser.add_argument("--kernels", choices=["few", "all"], default="few")
    parser.add_argument("--iso", type=int, nargs="+", default=[100, 800])
    asked = parser.parse_args()
    scenes: list[tuple[str, bool, Callable[[], Plane]]] = [
        ("squares", True, squares),
        ("dead leaves", True, dead_leaves),
    ]
    photos = sorted(asked.photos.glob("*.jp*g")) if asked.photos else []
    scenes += [(path.stem, False, partial(photograph, path)) for path in photos]
    results: list[Outcome] = []
    with tempfile.TemporaryDirectory() as folder:
        for name, drawn, load in scenes:
            results += outcomes(name, load(), drawn, asked.kernels, asked.iso, Path(folder))
            print(f"{name}: {len(results)} frames so far", file=sys.stderr)
    print("\n".join(tables(results)))


if __name__ == "__main__":
    main()
