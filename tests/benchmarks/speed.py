"""How much the audit costs beside the bare decoders, and beside two simple sharpness measures.

By hand, on frames that `make_large.py` wrote (opencv-python-headless and scikit-image are used for
the two measures where they are installed)::

    python tests/benchmarks/speed.py FOLDER [--rounds 3] [--jobs 2]

All figures of one line come from one run on one machine, so their ratios travel better than their
seconds. Bare decoding is reading the file, and LibRaw's samples or Pillow's codes, their maximum
taken; the same in a pool of as many processes. The check is the program on an empty store.
"""

import argparse
import multiprocessing
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import rawpy
import simplejpeg
from PIL import Image

Image.MAX_IMAGE_PIXELS = None
SUFFIXES = (".dng", ".jpg")

STAGES = (
    "file_bytes",
    "open_frame",
    "refuse_damaged",
    "developed_light",
    "clipping_of_mosaic",
    "fit_noise",
    "measure_sharpness",
    "measure_blur_shape",
    "detail_record",
    "energy",
    "laplacian_variance",
    "local_motion",
    "shrink",
    "dust_view",
    "page_pictures",
    "png",
)
"""Functions of `audit.examine` whose share is told."""


def decoded(path: Path) -> Any:
    """Samples or codes, by the plainest means."""
    if path.suffix == ".dng":
        with rawpy.imread(str(path)) as raw:
            return raw.raw_image_visible.copy()
    return np.asarray(Image.open(path))


def bare(path: Path) -> int:
    """Decode one frame and look at every sample."""
    return int(decoded(path).max())


def fast_bare(path: Path) -> int:
    """Decode a JPEG by the decoder that the audit uses."""
    if path.suffix == ".dng":
        return bare(path)
    return int(simplejpeg.decode_jpeg(path.read_bytes(), colorspace="RGB").max())


def laplacian(path: Path) -> float:
    """Variance of the Laplacian over the whole frame, by OpenCV."""
    import cv2

    cv2.setNumThreads(1)
    plane = decoded(path)
    plane = plane if plane.ndim == 2 else cv2.cvtColor(plane, cv2.COLOR_RGB2GRAY)
    return float(cv2.Laplacian(plane, cv2.CV_32F).var())


def perceived_blur(path: Path) -> float:
    """Blur effect (Crete et al. 2007) over the whole frame, by scikit-image."""
    from skimage.measure import blur_effect

    plane = decoded(path)
    return float(blur_effect(plane if plane.ndim == 2 else plane[:, :, 1]))


def pooled_s(job: Callable[[Path], object], paths: list[Path], jobs: int) -> float:
    """Wall clock of a job over all frames in a pool, its start included."""
    start = time.perf_counter()
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        pool.map(job, paths, 1)
    return time.perf_counter() - start


def checked_s(folder: Path, jobs: int, *more: str) -> tuple[float, float]:
    """Wall clock of the program on an empty store, and largest memory of one process in MB."""
    with tempfile.TemporaryDirectory() as cache:
        words = [sys.executable, "-m", "audit", "check", str(folder), "--quiet", "--cache", cache]
        start = time.perf_counter()
        done = subprocess.run(
            [*words, "--jobs", str(jobs), *more], stdout=subprocess.DEVNULL, check=False
        )
        taken_s = time.perf_counter() - start
    if done.returncode not in (0, 3):
        sys.exit(f"the program ended with {done.returncode}")
    peak_kb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return taken_s, peak_kb * 1024 / 1e6


def stage_table(path: Path, rounds: int) -> None:
    """Processor time of each stage of one frame: the least of some rounds."""
    import audit.examine as examine
    from audit.scan import scan

    spent: dict[str, float] = {}

    def timed(name: str) -> None:
        inner = getattr(examine, name)

        @wraps(inner)
        def outer(*given: Any, **more: Any) -> Any:
            start = time.process_time()
            try:
                return inner(*given, **more)
            finally:
                spent[name] = spent.get(name, 0.0) + time.process_time() - start

        setattr(examine, name, outer)
        originals[name] = inner

    originals: dict[str, Any] = {}
    frame = next(f for f in scan([path.parent]).frames if Path(os.fsdecode(f.path)) == path)
    for name in STAGES:
        timed(name)
    least: dict[str, float] = {}
    try:
        for _ in range(rounds):
            spent.clear()
            for name, job in (
                ("all", lambda: examine.examine(frame)),
                ("bare", lambda: bare(path)),
                ("bare, same decoder", lambda: fast_bare(path)),
            ):
                start = time.process_time()
                job()
                spent[name] = time.process_time() - start
            least = {name: min(least.get(name, s), s) for name, s in spent.items()}
    finally:
        for name, inner in originals.items():
            setattr(examine, name, inner)
    own = least["all"] - least.get("open_frame", 0.0) - least.get("file_bytes", 0.0)
    print(
        f"{path.name}: all {least['all']:.2f} s, bare decoding {least['bare']:.2f} s,"
        f" by the same decoder {least['bare, same decoder']:.2f} s;"
        f" measuring / decoding {own / least['bare']:.2f}"
        f" (by the same decoder {own / least['bare, same decoder']:.2f})"
    )
    for name in STAGES:
        if name in least:
            print(
                f"  {name:20} {1000 * least[name]:7.0f} ms"
                f" {100 * least[name] / least['all']:5.1f} %"
            )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--quick-looks", action="store_true", help="time the first look as well")
    parser.add_argument("--measures", action="store_true", help="time the two simple measures")
    given = parser.parse_args()
    folder = given.folder.resolve()
    paths = sorted(path for path in folder.iterdir() if path.suffix in SUFFIXES)
    print(f"{len(paths)} frames, {sum(p.stat().st_size for p in paths) / 1e6:.0f} MB")
    ratios: list[float] = []
    for _ in range(given.rounds):
        base_s = pooled_s(bare, paths, given.jobs)
        full_s, peak_mb = checked_s(folder, given.jobs)
        ratios.append(full_s / base_s)
        print(
            f"bare {base_s:.1f} s, check {full_s:.1f} s, ratio {ratios[-1]:.2f},"
            f" peak of a process {peak_mb:.0f} MB",
            flush=True,
        )
        if given.quick_looks:
            quick_s, _ = checked_s(folder, given.jobs, "--quick")
            print(f"first look {quick_s:.1f} s, of the full run {quick_s / full_s:.2f}", flush=True)
    print(f"check / bare decoding in a pool of {given.jobs}: {statistics.median(ratios):.2f}")
    one_s, _ = checked_s(folder, 1)
    two_s, _ = checked_s(folder, 2)
    print(f"one worker {one_s:.1f} s, two {two_s:.1f} s: {one_s / two_s:.2f} times")
    if given.measures:
        for name, job in (("OpenCV Laplacian", laplacian), ("blur_effect", perceived_blur)):
            print(
                f"{name}, decoding included: {pooled_s(job, paths, given.jobs):.1f} s", flush=True
            )
    for suffix in SUFFIXES:
        first = next((path for path in paths if path.suffix == suffix), None)
        if first is not None:
            stage_table(first, given.rounds)


if __name__ == "__main__":
    main()
