"""Times of the review: frames at 1:1, thousands of frames, a whole cull of the sample trip.

    python tests/benchmarks/review_page.py tiles|many|cull WORK [FILE ...]

``tiles`` cuts a made JPEG of 51 megapixels (and any FILE) for the first time and again, in a worker
that has started. ``many`` opens a review of 5,000 made frames in Chromium (``FRAME_AUDIT_BROWSER``,
or chromium on the search path) and looks for tasks of the page's main thread that take longer than
50 ms. ``cull`` decides on all of sample_data by keyboard, each frame as its file's place in the
list says, and compares what was rated and copied. WORK keeps stores; the results stand in
docs/performance.md.
"""

import hashlib
import shutil
import sys
import time
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS)]

from browser.conftest import FLAGS, browser_path  # noqa: E402  # tests are no package
from browser.test_review_in_browser import ORDER, Look, cull, write_the_end  # noqa: E402
from made_trip import PictureMaker, made_report  # noqa: E402
from planted_examine import reading_of  # noqa: E402
from review.conftest import Client, reviewed  # noqa: E402

from audit.decode.screen_picture import jpeg  # noqa: E402
from audit.records import Frame  # noqa: E402
from audit.review.decisions import Decisions  # noqa: E402
from audit.review.serving import serving  # noqa: E402
from audit.review.tiles import TileCache, Tiles  # noqa: E402
from audit.scan import scan  # noqa: E402
from audit.settings import Bounds, Settings  # noqa: E402
from audit.store import Store  # noqa: E402
from audit.version import MEASURES  # noqa: E402

LARGE = (6192, 8256)
FRAMES = 5000
LONG_TASKS = """() => {
  window.long = [];
  new PerformanceObserver(seen => seen.getEntries().forEach(one => window.long.push(one.duration)))
    .observe({type: 'longtask', buffered: true});
}"""
LOADED_MS = "() => performance.getEntriesByType('navigation')[0].loadEventEnd"


def tiles(work: Path, files: list[Path]) -> None:
    made = work / "large" / "large.jpg"
    made.parent.mkdir(parents=True, exist_ok=True)
    if not made.exists():
        rng = np.random.default_rng(1)
        coarse = rng.integers(30, 220, (LARGE[0] // 12, LARGE[1] // 12, 3), np.uint8)
        codes = coarse.repeat(12, axis=0).repeat(12, axis=1)
        made.write_bytes(jpeg(codes + rng.integers(0, 12, codes.shape, np.uint8)))
    for path in [made, *files]:
        frame = next(f for f in scan([path.parent]).frames if f.file == path.name)
        row = msgspec.structs.replace(made_report(5).frames[0], file=path.name, clipping=None)
        with Tiles(TileCache(None), Bounds()) as cutter:
            small = msgspec.structs.replace(cutter.order(row, frame), path=b"/nothing")
            cutter.cut(0, "start of the worker", small)
            times = []
            for at in ((2, 2), (2, 3), (3, 3), (2, 2)):
                start = time.perf_counter()
                found = cutter.cut(0, "x", cutter.order(row, frame, row=at[0], col=at[1]))
                times.append(time.perf_counter() - start)
                assert isinstance(found, bytes), found
        print(
            f"{path.name}, {path.stat().st_size / 1e6:.0f} MB: first tile {times[0]:.2f} s,"
            f" next ones {times[1] * 1000:.0f} and {times[2] * 1000:.0f} ms,"
            f" the first again {times[3] * 1000:.1f} ms"
        )


def launched(playwright: Any) -> Any:
    return playwright.chromium.launch(executable_path=browser_path(), args=FLAGS)


def many(work: Path) -> None:
    from playwright.sync_api import sync_playwright

    report, maker = made_report(FRAMES), PictureMaker(np.random.default_rng(3))
    frames = {
        row.file: Frame(file=row.file, path=b"/made/" + row.file.encode(), format="jpeg",
                        size_bytes=1, mtime_ns=1)
        for row in report.frames
    }  # fmt: skip
    contents = {file: hashlib.sha256(file.encode()).hexdigest() for file in frames}
    readings = {
        file: msgspec.structs.replace(
            reading_of(file, edge_width_px=1.5, note=""), content_hash=contents[file]
        )
        for file in frames
    }
    cache = work / "many"
    if not (cache / "readings.sqlite").exists():
        with Store(cache, version=MEASURES, warn=print) as store:
            store._database.execute("PRAGMA synchronous = OFF")
            for row in report.frames:
                pictures = {"thumbnail": maker(row, "thumbnail")}
                kept = msgspec.structs.replace(readings[row.file], pictures=pictures)
                store.put(frames[row.file], kept)
    settings = Settings(cache=cache)
    with (
        Decisions(cache) as decisions,
        serving([Path("/made")], settings, None, decisions) as review,
        sync_playwright() as playwright,
    ):
        start = time.perf_counter()
        review.sitting.start(FRAMES)
        for row in report.frames:
            review.sitting.read(frames[row.file], readings[row.file])
            review.sitting.seen(row)
        review.finished(report, tuple(frames.values()))
        print(f"{FRAMES} frames taken in: {time.perf_counter() - start:.2f} s")
        browser = launched(playwright)
        with Look(browser, Client(review)) as look:
            page = look.page
            longest = []
            for path in ("/", "/?page=9", "/set/0", "/set/2500", "/agreement", "/end"):
                start = time.perf_counter()
                look.go(path)
                shown_s = time.perf_counter() - start
                page.evaluate(LONG_TASKS)
                if path.startswith("/set/"):
                    for key in ("k", "ArrowRight", "r", "m", "Control+z", "Shift+ArrowDown"):
                        page.keyboard.press(key)
                        page.wait_for_timeout(300)
                else:
                    page.mouse.wheel(0, 4000)
                    page.wait_for_timeout(500)
                long = page.evaluate("window.long")
                longest.extend(long)
                print(
                    f"  {path}: loaded {page.evaluate(LOADED_MS) / 1000:.2f} s, usable"
                    f" {shown_s:.2f} s, tasks over 50 ms: {[round(each) for each in long]}"
                )
            print(
                f"longest task of the main thread: {max(longest, default=0):.0f} ms"
                " (0: none over 50)"
            )
        browser.close()


def cull_sample(work: Path) -> None:
    from playwright.sync_api import sync_playwright

    trip, kept = work / "trip", work / "kept"
    for folder in (trip, kept):
        shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(
        TESTS.parent / "sample_data", trip, ignore=shutil.ignore_patterns("*.py", "maker")
    )
    before = {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in trip.rglob("*") if p.is_file()}
    with sync_playwright() as playwright, reviewed(trip, work / "cull", kept) as client:
        seen = sorted(client.review.sitting.everything(), key=lambda each: each.row.file)
        wanted = {each.row.file: ORDER[at % 3] for at, each in enumerate(seen)}
        browser = launched(playwright)
        with Look(browser, client) as look:
            start = time.perf_counter()
            cull(look, wanted)
            print(f"{len(wanted)} frames decided by keyboard: {time.perf_counter() - start:.1f} s")
            write_the_end(look.page)
            host = f"http://{client.host}/"
            assert look.said == []
            assert all(each.startswith(host) for each in look.asked)
        browser.close()
        keepers = {file for file, word in wanted.items() if word == "keeper"}
        twins = {name for each in seen if each.row.file in keepers for name in each.row.companions}
        unread = {each.row.file for each in seen if each.row.state != "measured"}
    endings = {".JPG", ".DNG"}
    copied = {str(p.relative_to(kept)) for p in kept.rglob("*") if p.suffix in endings}
    rated = {
        p.relative_to(trip).with_suffix("").as_posix()
        for p in trip.rglob("*.xmp")
        if "<xmp:Rating>4<" in p.read_text()
    }
    assert copied == keepers | twins, copied ^ (keepers | twins)
    assert rated == {f.rpartition(".")[0] for f in keepers - unread}, rated
    assert before == {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in before}
    print(
        f"{len(copied)} files copied, {len(rated)} rated: those of the {len(keepers)} keepers;"
        " originals unchanged"
    )


def main() -> None:
    what, work = sys.argv[1], Path(sys.argv[2]).resolve()
    if what == "tiles":
        tiles(work, [Path(word).resolve() for word in sys.argv[3:]])
    elif what == "many":
        many(work)
    else:
        cull_sample(work)


if __name__ == "__main__":
    main()
