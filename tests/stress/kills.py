"""Kill -9 at any moment: nothing acknowledged is lost, and the next run gives the same report.

    python tests/stress/kills.py SEEDS WORK -n 100

SEEDS is a folder of a few sound files, WORK an empty folder. Each round starts the command on a
copy of the files with an empty store, kills it at a random moment, looks at the output and at the
store, and runs it again to its end. The report must be that of an undisturbed run, but for the
count of readings that came from the store.
"""

import argparse
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from audit.report.whole_file import PREFIX, STALE_S, SUFFIX
from audit.store import FILE_NAME

PARTS = f"**/{PREFIX}*{SUFFIX}"


def report_of(path: Path) -> dict[str, Any]:
    """Read a report without what may differ."""
    report: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    report["counts"].pop("from_store")
    return report


class Run(Protocol):
    """A started command."""

    def kill(self) -> None:
        """End it at once."""

    def wait(self) -> int:
        """Its exit code, once it has ended."""


Start = Callable[[Path, Path], Run]
"""Card and work folder to a started command."""


def words_of(card: Path, work: Path, jobs: int) -> list[str]:
    """Words of the command: its store and its report lie in the work folder."""
    places = ["--cache", str(work / "store"), "--json", str(work / "out.json")]
    return ["check", str(card), *places, "--quiet", "--jobs", str(jobs)]


def start(card: Path, work: Path) -> "subprocess.Popen[bytes]":
    """Start the command."""
    words = [sys.executable, "-m", "audit", *words_of(card, work, 2)]
    return subprocess.Popen(words, stdout=subprocess.DEVNULL, start_new_session=True)


def kept(work: Path) -> int:
    """Readings in the store; fails if it is spoilt."""
    file = work / "store" / FILE_NAME
    if not file.exists():
        return 0
    with sqlite3.connect(file) as database:
        assert database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        has_table = "SELECT count(*) FROM sqlite_schema WHERE name = 'readings'"
        if not database.execute(has_table).fetchone()[0]:
            return 0
        return int(database.execute("SELECT count(*) FROM readings").fetchone()[0])


def undisturbed(card: Path, work: Path, start: Start) -> tuple[dict[str, Any], float]:
    """Report of a run that nobody ends, and how long it took."""
    began = time.monotonic()
    assert start(card, work).wait() in (0, 3)
    return report_of(work / "out.json"), time.monotonic() - began


def killed_and_resumed(
    card: Path, work: Path, start: Start, expected: dict[str, Any], after_s: float
) -> int:
    """Kill a run over an empty store, look at what is left, run again; readings taken up."""
    shutil.rmtree(work / "store")
    (work / "out.json").write_text("old")
    run = start(card, work)
    time.sleep(after_s)
    run.kill()
    run.wait()
    text = (work / "out.json").read_text(encoding="utf-8")
    assert text == "old" or text.endswith("}\n"), "half a report"
    readings = kept(work)
    # A part of a report is swept when it is old.
    long_ago = time.time() - STALE_S - 60
    for part in work.glob(PARTS):
        os.utime(part, (long_ago, long_ago))
    assert start(card, work).wait() in (0, 3)
    done = json.loads((work / "out.json").read_text(encoding="utf-8"))
    assert done["counts"]["from_store"] == readings, "a reading was lost"
    assert report_of(work / "out.json") == expected, "another report"
    assert not list(work.glob(PARTS)), "a temporary file is left"
    assert kept(work) >= readings
    return readings


def main() -> int:
    """Run the rounds."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("seeds", type=Path)
    words.add_argument("work", type=Path)
    words.add_argument("-n", type=int, default=100)
    options = words.parse_args()
    card = options.work / "card"
    shutil.copytree(options.seeds, card)
    expected, whole_s = undisturbed(card, options.work, start)
    chance = random.Random(1)
    taken_up = 0
    for number in range(options.n):
        after_s = chance.uniform(0, whole_s)
        taken_up += bool(killed_and_resumed(card, options.work, start, expected, after_s))
        print(f"{number + 1} kills, {taken_up} of them with readings to take up", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
