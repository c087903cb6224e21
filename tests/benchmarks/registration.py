"""Our join against two independent ones on the same pairs, run by hand; needs OpenCV.

    python tests/benchmarks/registration.py [PAIRS]

Pairs are drawn (`planted_sweep`): rows and columns of known overlap, other exposures, rolls, and
pairs of different worlds. References: SIFT with a RANSAC homography (12 inliers or more), and
Hann-windowed phase correlation, both of OpenCV and not tuned.
"""

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))
from planted_sweep import Pose, picture, seen_share, world

from audit.series.register import join
from audit.series.view import view_of

Grey = NDArray[np.uint8]
Overlap = Callable[[Grey, Grey, float], float | None]


def ours(a: Grey, b: Grey, focal_mm: float) -> float | None:
    """Overlap by the audit."""
    link = join(view_of(a, focal_mm), view_of(b, focal_mm))
    return None if link is None else link.overlap


def sift(a: Grey, b: Grey, _focal_mm: float) -> float | None:
    """Overlap by matched features and a homography."""
    finder = cv2.SIFT_create(800)
    (at_a, words_a), (at_b, words_b) = (finder.detectAndCompute(each, None) for each in (a, b))
    if words_a is None or words_b is None:
        return None
    pairs = cv2.BFMatcher().knnMatch(words_a, words_b, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.75 * p[1].distance]
    if len(good) < 12:
        return None
    one = np.float32([at_a[m.queryIdx].pt for m in good])
    two = np.float32([at_b[m.trainIdx].pt for m in good])
    matrix, inliers = cv2.findHomography(one, two, cv2.RANSAC, 2.0)
    if matrix is None or inliers.sum() < 12:
        return None
    return (covered(matrix, a, b) + covered(np.linalg.inv(matrix), b, a)) / 2


def phase(a: Grey, b: Grey, _focal_mm: float) -> float | None:
    """Overlap by one shift of the whole picture."""
    window = cv2.createHanningWindow(a.shape[::-1], cv2.CV_32F)
    (x, y), peak = cv2.phaseCorrelate(np.float32(a), np.float32(b), window)
    if peak < 0.1:
        return None
    rows, cols = a.shape
    return max(0.0, 1 - abs(x) / cols) * max(0.0, 1 - abs(y) / rows)


def covered(matrix: NDArray[np.float64], a: Grey, b: Grey) -> float:
    """Share of a's pixels that land in b."""
    y, x = np.indices(a.shape)
    seen = np.stack([x, y, np.ones_like(x)], axis=-1) @ matrix.T
    at = seen[..., :2] / seen[..., 2:]
    inside = (at >= 0).all(-1) & (at[..., 0] < b.shape[1]) & (at[..., 1] < b.shape[0])
    return float((inside & (seen[..., 2] > 0)).mean())


def main(count: int) -> None:
    """Print one line a method."""
    rng = np.random.default_rng(11)
    scenes = [world(seed) for seed in (21, 22, 23)]
    pairs = []
    for i in range(count):
        focal_mm = float(rng.choice([24, 35, 50, 85]))
        upright, row = bool(rng.integers(2)), bool(rng.integers(2))
        side = 24 if upright == row else 36
        step = float(rng.uniform(0.5, 0.85)) * 2 * np.degrees(np.arctan(side / 2 / focal_mm))
        yaw, pitch = float(rng.uniform(0, 360)), float(rng.uniform(-8, 8))
        base = Pose(yaw_deg=yaw, pitch_deg=pitch, focal_mm=focal_mm, upright=upright)
        other = Pose(
            yaw_deg=yaw + (step if row else 0.0),
            pitch_deg=pitch - (0.0 if row else step),
            roll_deg=float(rng.normal(0, 1)),
            focal_mm=focal_mm,
            upright=upright,
            ev=float(rng.choice([0, -1, -2])),
        )
        scene = scenes[i % 3]
        one, two = picture(scene, base, 2 * i), picture(scene, other, 2 * i + 1)
        stranger = picture(scenes[(i + 1) % 3], other, 2 * i + 1)
        truth = (seen_share(base, other) + seen_share(other, base)) / 2
        pairs.append((one, two, stranger, focal_mm, truth))
    methods: dict[str, Overlap] = {"audit": ours, "SIFT + RANSAC": sift, "phase": phase}
    for name, method in methods.items():
        start = time.perf_counter()
        found = [method(one, two, focal) for one, two, _, focal, _ in pairs]
        each_ms = 1000 * (time.perf_counter() - start) / count
        false = sum(method(one, other, focal) is not None for one, _, other, focal, _ in pairs)
        errors = sorted(
            100 * abs(share - pair[4])
            for share, pair in zip(found, pairs, strict=True)
            if share is not None
        )
        middle = statistics.median(errors) if errors else float("nan")
        high = errors[int(0.95 * len(errors))] if errors else float("nan")
        print(
            f"{name:14} joined {len(errors)}/{count}, error {middle:.2f} / {high:.2f} points, "
            f"strangers joined {false}/{count}, {each_ms:.0f} ms a pair with preparation"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
