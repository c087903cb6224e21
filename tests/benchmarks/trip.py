"""Trip statements over many simulated trips: habits found, and statements that are not true.

    python tests/benchmarks/trip.py --seeds 25 --first 5000
    python tests/benchmarks/trip.py --seeds 10 --first 6000 --scale 2

Four trips a seed: a quiet one and the three of `tests/simulated_trip.py`.
"""

import argparse
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from simulated_trip import PLANS, PLANTED, QUIET, missed, simulated_trip, untrue

from audit.trip import trip_report


def main() -> None:
    """Run the trial and print its table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seeds", type=int, default=25)
    words.add_argument("--first", type=int, default=1000)
    words.add_argument("--scale", type=float, default=1.0, help="times as many places a day")
    options = words.parse_args()
    losses: Counter[tuple[str, str]] = Counter()
    false: Counter[str] = Counter()
    said: Counter[str] = Counter()
    frames: Counter[str] = Counter()
    alarms: Counter[str] = Counter()
    for seed in range(options.first, options.first + options.seeds):
        for name in (None, *PLANS):
            plan = PLANS[name] if name else QUIET
            plan = replace(plan, places=round(plan.places * options.scale))
            report = trip_report(simulated_trip(plan, seed))
            frames[name or "quiet"] += report.frames
            alarms[name or "quiet"] += any(
                (each.question, each.subject) not in PLANTED.get(name or "", ())
                for each in report.statements
                if each.is_habit
            )
            said.update([name or "quiet"] * len(report.statements))
            if name is not None:
                losses.update(missed(report, name))
            for message in untrue(report, name):
                false[name or "quiet"] += 1
                print(f"{seed} {name or 'quiet'}: not true: {message}", flush=True)
    print(f"\n{options.seeds} seeds from {options.first}")
    wanted = {habit for habits in PLANTED.values() for habit in habits}
    for habit in sorted({*wanted, ("best-aperture", "Orrin 35 mm f/2.8")}):
        print(f"found {options.seeds - losses[habit]} of {options.seeds}: {': '.join(habit)}")
    for name in ("quiet", *PLANS):
        print(
            f"{name}, {frames[name] / options.seeds:.0f} frames a trip: {false[name]} of"
            f" {said[name]} statements are not true; {alarms[name]} of {options.seeds} trips with"
            " a habit too many"
        )


if __name__ == "__main__":
    main()
