"""Twenty kills of a running check: nothing acknowledged is lost, the next run tells the same.

The rounds and what must hold are those of the long run, ``tests/stress/kills.py``. To be quick, the
commands are forked from one process that has loaded everything and has measured each frame once;
what is killed is everything around that: scan, store, series, report. That no worker outlives its
parent is the matter of `test_workers`.
"""

import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from stress.kills import killed_and_resumed, undisturbed, words_of

TESTS = Path(__file__).parent
FRAMES = 4
KILLS = 20

LAUNCHER = f"""
import os, sys
sys.path[:0] = [{str(TESTS.parent)!r}]
from pathlib import Path
from audit import cli, measuring
measuring.load()

remembered = dict()

def measured_here(tasks, job, **_):
    for index, task in enumerate(tasks):
        with Path(sys.argv[1]).open("a") as log:
            log.write(task.name + chr(10))
        if task.name not in remembered:
            remembered[task.name] = job(task.payload)
        yield index, remembered[task.name]

answers = os.fdopen(os.dup(1), "w")
os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
measuring.run_tasks = measured_here
cli.main(sys.argv[2:])  # loads what a command loads on its way
for line in sys.stdin:
    order, *words = line.rstrip(chr(10)).split(chr(9))
    if order == "start":
        child = os.fork()
        if child == 0:
            os._exit(cli.main(words))
        print(child, file=answers, flush=True)
    else:
        status = os.waitpid(int(words[0]), 0)[1]
        print(os.waitstatus_to_exitcode(status), file=answers, flush=True)
"""


class Forked:
    """One command, started by the launcher."""

    def __init__(self, launcher: "Launcher", pid: int) -> None:
        self._launcher = launcher
        self._pid = pid

    def kill(self) -> None:
        os.kill(self._pid, 9)  # still there: the launcher waits for it only when it is told to

    def wait(self) -> int:
        return self._launcher.said("wait", str(self._pid))


class Launcher:
    """The process that has loaded and measured everything."""

    def __init__(self, card: Path, log: Path, work: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", LAUNCHER, str(log), *words_of(card, work, 1)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def said(self, *words: str) -> int:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        print(*words, sep="\t", file=self.process.stdin, flush=True)
        return int(self.process.stdout.readline())

    def start(self, card: Path, work: Path) -> Forked:
        return Forked(self, self.said("start", *words_of(card, work, 1)))


@pytest.fixture(name="card")
def card_fixture(tmp_path: Path) -> Path:
    card = tmp_path / "card"
    card.mkdir()
    chance = np.random.default_rng(3)
    for number in range(FRAMES):
        coarse = chance.integers(0, 256, (2, 3, 3), np.uint8)
        picture = Image.fromarray(coarse).resize((120, 100), Image.Resampling.BICUBIC)
        picture.save(card / f"a{number}.jpg")
    return card


@pytest.fixture(name="launcher")
def launcher_fixture(tmp_path: Path, card: Path) -> Iterator[Launcher]:
    (tmp_path / "first").mkdir()
    launcher = Launcher(card, tmp_path / "measured", tmp_path / "first")
    with launcher.process:
        yield launcher


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks, and signals of POSIX")
def test_a_killed_check_is_taken_up_with_the_same_report(
    tmp_path: Path, card: Path, launcher: Launcher
) -> None:
    """At most one reading more is made than by an undisturbed run: that of the frame in flight."""
    log, work = tmp_path / "measured", tmp_path / "work"
    work.mkdir()
    expected, whole_s = undisturbed(card, work, launcher.start)
    moments = random.Random(1)
    taken_up = []

    for _ in range(KILLS):
        log.write_text("")
        after_s = moments.uniform(0, whole_s)
        readings = killed_and_resumed(card, work, launcher.start, expected, after_s)
        measured = Counter(log.read_text().split())
        again = sum(times - 1 for times in measured.values())
        assert set(measured) == {f"a{number}.jpg" for number in range(FRAMES)}
        assert again <= 1, "a frame that was not in flight was measured again"
        taken_up.append(readings)

    assert len(expected["frames"]) == FRAMES
    # Else the moments prove nothing: in the midst of the frames, and at other times.
    assert len(set(taken_up)) > 1
