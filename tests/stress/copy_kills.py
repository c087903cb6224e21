"""Copies killed at random moments: no name ever holds a part of a file, and a rerun finishes.

    python tests/stress/copy_kills.py WORK -n 50 --seed 1

WORK is an empty folder. Each round starts a copy of made files, kills it with SIGKILL after a
random number of pieces, looks at every name in the destination, and runs it again to its end.
"""

import argparse
import random
import shutil
import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1]))

from carry.test_copying import contents, facts, killed_copy
from planted_copy import PIECE_BYTES, carry

from audit.carry.manifest import NAME


def make_card(card: Path, rng: random.Random) -> int:
    """Make files of many sizes; the number of pieces that a whole copy takes is returned."""
    pieces = 0
    for at in range(12):
        size = rng.choice((0, 1, PIECE_BYTES, rng.randrange(2_000_000)))
        path = card / f"day {at % 3}" / f"A{at}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.randbytes(size))
        pieces += 2 * -(-size // PIECE_BYTES)
    return pieces


def main() -> None:
    """Run all rounds."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("work", type=Path)
    words.add_argument("-n", type=int, default=50)
    words.add_argument("--seed", type=int, default=1)
    options = words.parse_args()
    rng = random.Random(options.seed)
    card, destination = options.work / "card", options.work / "kept"
    pieces = make_card(card, rng)
    whole, before = contents(card), facts(card)
    killed = 0
    for _ in range(options.n):
        killed += killed_copy(card, destination, rng.randrange(1, pieces + 1))
        there = {
            name: data
            for name, data in contents(destination).items()
            if not Path(name).name.startswith(".frame-audit-copy") and name != NAME
        }
        assert there.items() <= whole.items(), "a name holds a part of a file"
        carry(card, destination)
        after = contents(destination)
        del after[NAME]
        assert after == whole, "the rerun did not finish"
        shutil.rmtree(destination)
    assert facts(card) == before, "an original changed"
    sys.stdout.write(f"{options.n} copies, {killed} killed before their end: all whole\n")


if __name__ == "__main__":
    main()
