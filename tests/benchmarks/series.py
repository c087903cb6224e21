"""Recall and precision of the kinds of series on trips whose truth is known.

    python tests/benchmarks/series.py TRIP... [--cache FOLDER]

A trip is a folder of frames with a ``truth.json``: ``series`` lists ``kind`` (burst, bracket,
focus, shutter, pano) and ``members``. A series that was found is right where it shares at least
0.79 of its members with a true one of its kind (Jaccard). Run by hand; the last result stands in
``docs/methods/series.md``.
"""

import argparse
import json
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from audit.run import check
from audit.settings import Settings

LEAST_COMMON = 0.79
KINDS = {
    "burst": "repeat",
    "bracket": "exposure-bracket",
    "focus": "focus-bracket",
    "shutter": "shutter-variants",
    "pano": "panorama",
}

Sets = list[tuple[str, frozenset[str]]]


def hits(some: Sets, others: Sets) -> Counter[str]:
    """How many of some series, by kind, have their like among others."""
    return Counter(
        kind
        for kind, files in some
        if any(kind == k and len(files & f) >= LEAST_COMMON * len(files | f) for k, f in others)
    )


def kinds(sets: Sets) -> Counter[str]:
    return Counter(kind for kind, _ in sets)


def of_trip(trip: Path, cache: Path | None) -> tuple[Sets, Sets]:
    """True and found series of one trip."""
    truth = json.loads((trip / "truth.json").read_text(encoding="utf-8"))
    true = [(KINDS[each["kind"]], frozenset(each["members"])) for each in truth["series"]]
    report = check([trip], Settings(cache=cache))
    return true, [(each.kind, frozenset(each.files)) for each in report.series]


def main(trips: Iterable[Path], cache: Path | None) -> None:
    true_n, found_n, recalled, right = Counter(), Counter(), Counter(), Counter()  # type: ignore[var-annotated]
    for trip in trips:
        true, found = of_trip(trip, cache)
        true_n += kinds(true)
        found_n += kinds(found)
        recalled += hits(true, found)
        right += hits(found, true)
        for kind, files in found:
            if not hits([(kind, files)], true):
                print(f"{trip.name}: wrong {kind}: {min(files)} to {max(files)}")
        for kind, files in true:
            if not hits([(kind, files)], found):
                print(f"{trip.name}: missed {kind}: {min(files)} to {max(files)}")
    print("kind               true  found  recall  precision")
    for kind in KINDS.values():
        recall = recalled[kind] / max(1, true_n[kind])
        precision = right[kind] / max(1, found_n[kind])
        print(f"{kind:18} {true_n[kind]:4} {found_n[kind]:6} {recall:7.2f} {precision:10.2f}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("trips", nargs="+", type=Path)
    parser.add_argument("--cache", type=Path)
    words = parser.parse_args()
    main(words.trips, words.cache)
