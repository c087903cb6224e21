"""Kills of a review in the middle of decisions: nothing that the page had confirmed is lost.

    python tests/stress/decision_kills.py WORK [-n 50]

A review of made frames is served by a process of its own, decisions come by HTTP as the page sends
them, and at a moment drawn by lot the process gets SIGKILL. Then the file of decisions must hold
the word of every answer that had come; of the one that was under way either word is right. The
result stands in docs/reliability.md.
"""

import argparse
import http.client
import json
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS)]

from review.conftest import make_trip  # noqa: E402  # tests are no package

from audit.review.decisions import Decisions  # noqa: E402

FILES = tuple(f"sharp_{number}.jpg" for number in range(12))
WORDS = ("keeper", "look-again", "reject", None)
LONGEST_S = 1.0
"""Between the first decision and the kill."""


class Page:
    """What a page of the review would send."""

    def __init__(self, address: str) -> None:
        self.host, _, way_in = address.removeprefix("http://").partition("/")
        self.connection = http.client.HTTPConnection(self.host, timeout=60)
        self.connection.request("GET", f"/{way_in}")
        answer = self.connection.getresponse()
        answer.read()
        self.cookie = str(answer.headers["Set-Cookie"]).partition(";")[0]
        found = re.search(r'review-token" content="([^"]+)', self.get("/"))
        assert found is not None
        self.token = found[1]

    def get(self, path: str) -> str:
        self.connection.request("GET", path, headers={"Cookie": self.cookie})
        return self.connection.getresponse().read().decode()

    def decide(self, number: int, word: str | None) -> None:
        headers = {
            "Cookie": self.cookie,
            "Origin": f"http://{self.host}",
            "X-Review-Token": self.token,
            "Content-Type": "application/json",
        }
        body = json.dumps({"frames": [number], "word": word})
        self.connection.request("POST", "/decide", body, headers)
        answer = self.connection.getresponse()
        assert answer.status == 200, answer.read()
        answer.read()


def started(work: Path) -> tuple[subprocess.Popen[str], Page]:
    words = [str(work / "trip"), "--cache", str(work / "cache"), "--no-browser", "--quiet"]
    process = subprocess.Popen(
        [sys.executable, "-m", "audit", "review", *words],
        stdout=subprocess.PIPE,
        text=True,
        cwd=TESTS.parent,
    )
    assert process.stdout is not None
    page = Page(process.stdout.readline().strip())
    while not json.loads(page.get("/state"))["is_final"]:
        time.sleep(0.05)
    return process, page


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("work", type=Path)
    parser.add_argument("-n", type=int, default=50)
    options = parser.parse_args()
    work = options.work.resolve()
    if not (work / "trip").exists():
        make_trip(work / "trip", work / "cache", FILES)
    lot = random.Random(options.n)
    confirmed: dict[int, str | None] = {}
    answers = lost = 0
    for kill in range(options.n):
        process, page = started(work)
        end = time.monotonic() + lot.uniform(0, LONGEST_S)
        killer = subprocess.Popen(
            ["sh", "-c", f"sleep {max(end - time.monotonic(), 0):.3f}; kill -9 {process.pid}"]
        )
        number, word = 0, None
        try:
            while True:
                number, word = lot.randrange(len(FILES)), lot.choice(WORDS)
                page.decide(number, word)
                confirmed[number] = word
                answers += 1
        except (OSError, http.client.HTTPException):
            pass
        killer.wait()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
        assert process.returncode == -signal.SIGKILL
        contents = names(work)
        with Decisions(work / "cache") as decisions:
            kept = {each.file: each.word for each in decisions.all().values()}
        for at, last in confirmed.items():
            found = kept.get(contents[at])
            may_be = {last, word} if at == number else {last}
            if found not in may_be:
                lost += 1
                print(f"kill {kill}: {contents[at]} holds {found}, expected {may_be}")
            confirmed[at] = found
    print(f"{options.n} kills, {answers} decisions confirmed, {lost} lost")
    sys.exit(1 if lost else 0)


def names(work: Path) -> list[str]:
    """Names by number: as the audit takes frames in from the store, in order of scanning."""
    from audit.scan import scan

    return [frame.file for frame in scan([work / "trip"]).frames]


if __name__ == "__main__":
    main()
