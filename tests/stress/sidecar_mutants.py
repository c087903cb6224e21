"""Mutated sidecars by the thousand: each is changed rightly or left, none is damaged.

    python tests/stress/sidecar_mutants.py -n 20000 --start 500

The mutations and what must hold are those of ``tests/carry/test_xmp_merge.py``. A failure ends with
the number of the mutant, which makes the same file again.
"""

import argparse
import sys
from collections import Counter
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1]))

from carry.test_xmp_merge import held
from planted_sidecars import mutant


def main() -> None:
    """Run them all."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("-n", type=int, default=20_000)
    words.add_argument("--start", type=int, default=500)
    options = words.parse_args()
    done: Counter[str] = Counter()
    for number in range(options.start, options.start + options.n):
        try:
            merged = held(mutant(number))
        except BaseException:
            sys.stderr.write(f"mutant {number}\n")
            raise
        done["left" if merged is None else "changed"] += 1
    sys.stdout.write(f"{dict(done)}: none damaged\n")


if __name__ == "__main__":
    main()
