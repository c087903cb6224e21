"""Kill -9 at any moment: nothing acknowledged is lost, and the next run gives the same report.

    python tests/stress/kills.py SEEDS WORK -n 100

SEEDS is a folder of a few sound files, WORK an empty folder. Each round starts the command on a
copy of the files with an empty store, kills it at a random moment, looks at the output and at the
store, and runs it again to its end. The report must be that of an undisturbed run, but for the
count of readings that came from the store.
"""

import argparse
import json
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from audit.store import FILE_NAME


def report_of(path: Path) -> dict[str, Any]:
    """Read a report without what may differ."""
    report: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    report["counts"].pop("from_store")
    return report


def start(card: Path, work: Path) -> "subprocess.Popen[bytes]":
    """Start the command."""
    words = [sys.executable, "-m", "audit", "check", card, "--cache", work / "store"]
    more = ["--json", work / "out.json", "--quiet", "--jobs", "2"]
    return subprocess.Popen([*words, *more], stdout=subprocess.DEVNULL, start_new_session=True)


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


def main() -> int:
    """Run the rounds."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("seeds", type=Path)
    words.add_argument("work", type=Path)
    words.add_argument("-n", type=int, default=100)
    options = words.parse_args()
    card = options.work / "card"
    shutil.copytree(options.seeds, card)
    began = time.monotonic()
    start(card, options.work).wait()
    whole_s = time.monotonic() - began
    expected = report_of(options.work / "out.json")
    chance = random.Random(1)
    taken_up = 0
    for number in range(options.n):
        shutil.rmtree(options.work / "store")
        (options.work / "out.json").write_text("old")
        run = start(card, options.work)
        time.sleep(chance.uniform(0, whole_s))
        run.kill()
        run.wait()
        text = (options.work / "out.json").read_text(encoding="utf-8")
        assert text == "old" or text.endswith("}\n"), "half a report"
        readings = kept(options.work)
        assert start(card, options.work).wait() in (0, 3)
        done = json.loads((options.work / "out.json").read_text(encoding="utf-8"))
        assert done["counts"]["from_store"] == readings, "a reading was lost"
        assert report_of(options.work / "out.json") == expected, "another report"
        taken_up += bool(readings)
        print(f"{number + 1} kills, {taken_up} of them with readings to take up", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
