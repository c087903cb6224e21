"""Size of the report page, and the time in which a browser loads it.

    python tests/benchmarks/page.py [frames ...]

A report of 1,000 and one of 5,000 frames are made from noise of the size that real pictures have,
written in both forms, and loaded five times each by headless Chromium (``FRAME_AUDIT_BROWSER``, or
chromium on the search path). The results stand in docs/performance.md.
"""

import os
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from made_trip import PictureMaker, made_report  # noqa: E402  # tests are no package

from audit.report.page import write_page  # noqa: E402

LOADS = 5
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
LOADED_MS = "() => performance.getEntriesByType('navigation')[0].loadEventEnd"


def size_bytes(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())


def load_times_s(index: Path) -> list[float]:
    """Load a page with an empty cache each time."""
    from playwright.sync_api import sync_playwright

    browser_path = os.environ.get("FRAME_AUDIT_BROWSER") or shutil.which("chromium")
    times = []
    with sync_playwright() as playwright:
        for _ in range(LOADS):
            browser = playwright.chromium.launch(executable_path=browser_path, args=FLAGS)
            page = browser.new_page()
            page.goto(index.as_uri(), wait_until="load")
            page.wait_for_function(f"({LOADED_MS})() > 0")
            times.append(page.evaluate(LOADED_MS) / 1000)
            browser.close()
    return times


def main() -> None:
    counts = [int(word) for word in sys.argv[1:]] or [1000, 5000]
    maker = PictureMaker(np.random.default_rng(3))
    for frames in counts:
        report = made_report(frames, seed=frames)
        for single in (False, True):
            with tempfile.TemporaryDirectory() as scratch:
                folder = Path(scratch) / "page"
                start = time.perf_counter()
                write_page(report, maker, folder, single_file=single)
                written_s = time.perf_counter() - start
                index = folder / "index.html"
                times = load_times_s(index)
                print(
                    f"{frames} frames, {'one file' if single else 'folder'}:"
                    f" {size_bytes(folder) / frames / 1000:.1f} kB a frame,"
                    f" of it page {index.stat().st_size / frames / 1000:.1f} kB;"
                    f" written in {written_s:.1f} s;"
                    f" loaded in {statistics.median(times):.2f} s"
                    f" ({min(times):.2f} to {max(times):.2f})"
                )


if __name__ == "__main__":
    main()
