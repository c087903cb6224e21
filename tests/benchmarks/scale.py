"""Time, memory and size of the store over thousands of frames whose readings are stored.

    python tests/benchmarks/scale.py [--frames N ...] [--files N] [--work FOLDER] [--before COMMAND]

The frames of ``sample_data`` are measured once. A made card holds a tiny file for every frame, and
a made store its reading: trip after trip of the sample, each some days later, with figures, hashes
and pictures of its own, so that nothing found for one trip serves another. Then the command runs as
a person would run it. Run by hand; the last result stands in docs/performance.md.
"""

import argparse
import os
import re
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from audit.records import Frame, Reading

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data"

COUNTS = (1_000, 3_000, 10_000)
FILES = 100_000
A_FOLDER = 1_000
"""Files in one folder of the card that is only scanned."""

DAYS_APART = 4
"""From one copy of the sample trip to the next; it lasts three days."""

NO_PICTURE = b"\xff\xd8\xff\xe0 a made file, no photograph: "
FIRST_YEAR = 2001

PNG_HEAD_BYTES = 33
"""Signature and IHDR (ISO/IEC 15948)."""

STAGES = {
    "audit.run": (
        ("scan", "scan"),
        ("stored", "look up"),
        ("row_of", "judge alone"),
        ("judged_together", "judge together"),
        ("series_of", "series"),
        ("dust_of", "dust"),
        ("ranked", "rank"),
        ("card_notes", "card"),
    ),
    "audit.report.json_file": (("write", "write JSON"),),
    "audit.report.terminal": (("write", "write table"),),
}
"""Functions of a module that are timed, and what the table calls them."""


class Used(NamedTuple):
    """What a process took."""

    wall_s: float
    processor_s: float
    most_memory_bytes: int


# ---------------------------------------------------------------- a made card and its store


def make(count: int, card: Path, cache: Path, sample_cache: Path) -> None:
    """Make a card of so many frames and the store that knows them."""
    import numpy as np

    from audit.scan import scan
    from audit.store import Store
    from audit.version import MEASURES

    base = sample_readings(sample_cache)
    for number in range(count):
        trip, at = divmod(number, len(base))
        path = card / f"trip-{trip:04d}" / base[at][0].file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(NO_PICTURE + str(number).encode())
        os.utime(path, (1e9 + 60 * number,) * 2)
    place_of = {frame.file: at for at, (frame, _) in enumerate(base)}
    rng = np.random.default_rng(count)
    with Store(cache, version=MEASURES, warn=print) as store:
        for frame in scan([card]).frames:
            trip_name, _, file = frame.file.partition("/")
            trip = int(trip_name.rpartition("-")[2])
            store.put(frame, varied(base[place_of[file]][1], frame, trip, rng.normal(size=3)))


def sample_readings(cache: Path) -> "list[tuple[Frame, Reading]]":
    """Frames of the sample trip with their readings and pictures, in order of time."""
    from typing import get_args

    import msgspec

    from audit.records import PictureName, Reading
    from audit.run import check
    from audit.scan import scan
    from audit.settings import Settings
    from audit.store import Store
    from audit.version import MEASURES

    check([SAMPLE], Settings(cache=cache))
    frames = scan([SAMPLE]).frames
    with Store(cache, version=MEASURES, warn=print) as store:
        found: list[tuple[Frame, Reading]] = []
        for at, reading in store.get_many(frames).items():
            pictures = {name: store.picture(frames[at], name) for name in get_args(PictureName)}
            pictures = {name: data for name, data in pictures.items() if data}
            found.append((frames[at], msgspec.structs.replace(reading, pictures=pictures)))
    return sorted(found, key=lambda each: (each[1].exposure.taken_at or "", each[0].file))


def varied(reading: "Reading", frame: "Frame", trip: int, noise: "Sequence[float]") -> "Reading":
    """Reading of another trip: later, a little sharper or softer, with a content of its own."""
    from datetime import datetime, timedelta

    from msgspec.structs import replace

    exposure, sharpness = reading.exposure, reading.sharpness
    if exposure.taken_at is not None:
        taken = datetime.fromisoformat(exposure.taken_at).replace(year=FIRST_YEAR)
        taken += timedelta(days=DAYS_APART * trip)
        exposure = replace(exposure, taken_at=taken.isoformat())
    if exposure.iso is not None:
        exposure = replace(exposure, iso=exposure.iso * 2 ** (trip % 3))
    width = sharpness.edge_width_px
    if width is not None and sharpness.energy is not None:
        sharpness = replace(
            sharpness,
            edge_width_px=width * float(np_exp(0.05 * noise[0])),
            energy=sharpness.energy * float(np_exp(0.05 * noise[1])),
        )
    name = frame.file.encode()
    return replace(
        reading,
        file=frame.file,
        exposure=exposure,
        sharpness=sharpness,
        content_hash=f"{zlib.crc32(name):032x}",
        pictures={key: _marked(data, name) for key, data in reading.pictures.items()},
    )


def np_exp(power: float) -> float:
    """Factor of a relative change."""
    import math

    return math.exp(power)


def _marked(picture: bytes, name: bytes) -> bytes:
    """Add a text to a PNG, so that no two pictures are the same; others stay."""
    if not picture.startswith(b"\x89PNG"):
        return picture
    body = b"tEXtComment\0" + name
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    return picture[:PNG_HEAD_BYTES] + chunk + picture[PNG_HEAD_BYTES:]


def make_files(count: int, card: Path) -> None:
    """Make a card of tiny files, a thousand a folder."""
    for first in range(0, count, A_FOLDER):
        folder = card / "DCIM" / f"{100 + first // A_FOLDER}VELDR"
        folder.mkdir(parents=True)
        for number in range(first, min(first + A_FOLDER, count)):
            name = f"QT3_{number % 10_000:04d}.JPG"
            (folder / name).write_bytes(NO_PICTURE + str(number).encode())


# ---------------------------------------------------------------- whole processes


def run(words: Sequence[str]) -> Used:
    """Run a command to its end; its answer goes nowhere."""
    start = time.perf_counter()
    with subprocess.Popen(words, stdout=subprocess.DEVNULL) as process:
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{words}: ended with {process.returncode}")
    return Used(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024)


def this(*words: object) -> list[str]:
    """Command that runs a part of this script, so that this process stays small itself."""
    return [sys.executable, __file__, *map(str, words)]


def check_command(card: Path, cache: Path, *more: object) -> list[str]:
    """Command of a run without a bar."""
    words = ("-m", "audit", "check", card, "--cache", cache, "--quiet", *more)
    return [sys.executable, *map(str, words)]


# ---------------------------------------------------------------- stages


def stages(card: Path, cache: Path, out: Path) -> None:
    """Run once in this process and print how long each stage took."""
    import importlib

    took: Counter[str] = Counter()

    def timed(action: Callable[..., object], name: str) -> Callable[..., object]:
        @wraps(action)
        def wrapped(*args: object, **more: object) -> object:
            start = time.perf_counter()
            try:
                return action(*args, **more)
            finally:
                took[name] += time.perf_counter() - start  # type: ignore[assignment]

        return wrapped

    start = time.perf_counter()
    for module_name, functions in STAGES.items():
        module = importlib.import_module(module_name)
        for function, name in functions:
            setattr(module, function, timed(getattr(module, function), name))
    loaded_s = time.perf_counter() - start

    from audit.cli import main as command

    with _to_nowhere():
        words = ("check", card, "--cache", cache, "--quiet", "--json", out)
        command([str(word) for word in words])
    total_s = time.perf_counter() - start
    rest_s = total_s - loaded_s - sum(took.values())
    for name, seconds in (("load", loaded_s), *took.items(), ("rest", rest_s), ("all", total_s)):
        print(f"|  | {name} | {seconds:.2f} | {100 * seconds / total_s:.0f} |")


@contextmanager
def _to_nowhere() -> Iterator[None]:
    """Send the standard output away, its descriptor included."""
    kept = os.dup(1)
    with open(os.devnull, "wb") as nowhere:  # noqa: PTH123  # a device, no path of ours
        sys.stdout.flush()
        os.dup2(nowhere.fileno(), 1)
        try:
            yield
        finally:
            sys.stdout.flush()
            os.dup2(kept, 1)
            os.close(kept)


# ---------------------------------------------------------------- the tables


def report_table(counts: Sequence[int], work: Path, before: Sequence[str], repeats: int) -> None:
    """Runs over stored frames, first (nothing but readings is stored) and again."""
    print("| frames | run | wall, s | processor, s | most memory, MB |")
    print("|---|---|---|---|---|")
    for count in counts:
        card, cache = work / f"card-{count}", work / f"cache-{count}"
        if not card.exists():
            run(this("make", count, card, cache, work / "sample-cache"))
        json = work / f"report-{count}.json"
        outputs = {
            "table and JSON": ("--json", json),
            "the same and the page": ("--json", json, "--page", work / f"page-{count}"),
            "the same and JSON Lines": ("--json", json, "--jsonl", work / f"report-{count}.jsonl"),
        }
        first = run([*before, *check_command(card, cache, "--json", json)])
        _print_row(count, "first, table and JSON", first)
        for name, words in outputs.items():
            runs = [run([*before, *check_command(card, cache, *words)]) for _ in range(repeats)]
            _print_row(count, name, min(runs))
        size = sum(file.stat().st_size for file in cache.iterdir())
        print(f"| {count:,} | store, kB a frame | {size / count / 1000:.1f} | | |", flush=True)


def _print_row(count: int, name: str, used: Used) -> None:
    memory_mb = used.most_memory_bytes / 1e6
    print(
        f"| {count:,} | {name} | {used.wall_s:.2f} | {used.processor_s:.2f} | {memory_mb:.0f} |",
        flush=True,
    )


def stage_table(counts: Sequence[int], work: Path, before: Sequence[str]) -> None:
    """Where the time of a run over stored frames goes."""
    print("\n| frames | stage | wall, s | % |\n|---|---|---|---|", flush=True)
    for count in counts:
        print(f"| {count:,} | | | |", flush=True)
        places = work / f"card-{count}", work / f"cache-{count}", work / "stages.json"
        subprocess.run([*before, *this("stages", *places)], check=True)


def scan_table(count: int, work: Path, before: Sequence[str]) -> None:
    """Scan of many files in folders of a thousand."""
    card = work / f"files-{count}"
    if not card.exists():
        make_files(count, card)
    code = "import sys; from pathlib import Path; from audit.scan import scan; "
    code += "print(len(scan([Path(sys.argv[1])]).frames))"
    used = run([*before, sys.executable, "-c", code, str(card)])
    print(
        f"\n{count:,} files scanned: {used.wall_s:.2f} s, {used.processor_s:.2f} s of processor,"
        f" {used.most_memory_bytes / 1e6:.0f} MB"
    )


def main(words: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=re.sub(r"\n\n.*", "", __doc__, flags=re.DOTALL))
    parser.add_argument("--frames", type=int, nargs="*", default=COUNTS)
    parser.add_argument("--files", type=int, default=FILES, help="files to scan; 0: none")
    parser.add_argument("--work", type=Path, help="where cards and stores are made, and kept")
    parser.add_argument("--before", default="", help="put before each command, as 'chrt -r 1'")
    parser.add_argument("--repeats", type=int, default=3, help="runs of which the fastest counts")
    options = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as scratch:
        work = options.work or Path(scratch)
        work.mkdir(parents=True, exist_ok=True)
        before = options.before.split()
        report_table(options.frames, work, before, options.repeats)
        stage_table(options.frames, work, before)
        if options.files:
            scan_table(options.files, work, before)


PARTS: dict[str, Callable[..., None]] = {"make": make, "stages": stages}

if __name__ == "__main__":
    if sys.argv[1:2] == ["make"]:
        make(int(sys.argv[2]), *map(Path, sys.argv[3:]))
    elif sys.argv[1:2] == ["stages"]:
        stages(*map(Path, sys.argv[2:]))
    else:
        main()
