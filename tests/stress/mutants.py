"""Many damaged files through the whole program: every file one row, none harmed, nothing lost.

    python tests/stress/mutants.py SEEDS WORK -n 10000 --series 2026-01-31

SEEDS is a folder of sound files, WORK an empty folder for batches of damaged copies. Prints a line
a batch and exits with 1 at the first broken promise. The series (the day by default) is the number
by which a failure is found again.
"""

import argparse
import datetime as dt
import hashlib
import resource
import shutil
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1]))

from damaged_files import damaged_files

from audit import run
from audit.records import Report
from audit.settings import Settings

Facts = dict[str, tuple[str, int, int, int]]
GROWTH_MB = 50
"""Most that the program's own process may grow from the first batch on (guess)."""


def facts_of(folder: Path) -> Facts:
    """Digest, size, time and mode of every file."""
    found = {}
    for path in sorted(folder.iterdir()):
        stat = path.stat()
        digest = hashlib.blake2b(path.read_bytes()).hexdigest()
        found[path.name] = (digest, stat.st_size, stat.st_mtime_ns, stat.st_mode)
    return found


def broken_promises(report: Report, before: Facts, after: Facts) -> list[str]:
    """What a run did that it must not; a list of sentences."""
    rows = Counter(frame.file for frame in report.frames)
    rows.update(name for frame in report.frames for name in frame.companions)
    skipped = {skip.file for skip in report.skipped}
    found = [f"{name}: {number} rows" for name, number in rows.items() if number != 1]
    found += [f"{name}: no row" for name in before if name not in rows and name not in skipped]
    found += [f"{name}: changed" for name, facts in before.items() if after.get(name) != facts]
    found += [
        f"{frame.file}: {frame.error.message}"
        for frame in report.frames
        if frame.error is not None and "Traceback" in frame.error.message
    ]
    return found


def peak_mb() -> float:
    """Largest memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


def main() -> int:
    """Run the batches."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("seeds", type=Path)
    words.add_argument("work", type=Path)
    words.add_argument("-n", type=int, default=10_000)
    words.add_argument("--batch", type=int, default=200)
    words.add_argument("--jobs", type=int, default=1)
    words.add_argument("--largest", type=int, default=64_000_000, help="bytes of a seed")
    words.add_argument("--series", default=dt.date.today().isoformat())
    options = words.parse_args()
    seeds = [
        (path.name, path.read_bytes())
        for path in sorted(options.seeds.rglob("*"))
        if path.is_file() and 0 < path.stat().st_size <= options.largest
    ]
    states: Counter[str] = Counter()
    first_mb = 0.0
    started = time.monotonic()
    for start in range(0, options.n, options.batch):
        card = options.work / "card"
        card.mkdir(parents=True)
        numbers = range(start, min(start + options.batch, options.n))
        for name, content in damaged_files(seeds, numbers, series=options.series):
            (card / name).write_bytes(content)
        before = facts_of(card)
        settings = Settings(jobs=options.jobs, cache=options.work / "store", fresh=True)
        report = run.check([card], settings)
        states.update(frame.state for frame in report.frames)
        states.update("left out" for _ in report.skipped)
        broken = broken_promises(report, before, facts_of(card))
        first_mb = first_mb or peak_mb()
        grown_mb = peak_mb() - first_mb
        if grown_mb > GROWTH_MB:
            broken.append(f"this process grew by {grown_mb:.0f} MB")
        print(
            f"series {options.series}, {numbers.stop} files, {time.monotonic() - started:.0f} s,"
            f" grown {grown_mb:.0f} MB, {dict(states)}",
            flush=True,
        )
        if broken:
            print("\n".join(broken))
            return 1
        shutil.rmtree(card)
    return 0


if __name__ == "__main__":
    sys.exit(main())
