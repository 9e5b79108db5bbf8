"""Simulated athletes with a known truth, thousands of them: does the answer hold what it claims?

    python tests/benchmarks/truth_table.py                      # every table, 1000 sessions in each cell, two processes
    python tests/benchmarks/truth_table.py --n 300 fair power   # coarser, two of the tables

Ratings are simulated, not signals (see simulated_people.py). Everything is seeded: figures are the same on any number
of processes.
"""

from __future__ import annotations

import argparse
import time
from functools import partial
from multiprocessing import Pool

from simulated_answers import print_breaking, print_fair, print_naive, print_power, print_unchanged
from simulated_doses import PLANS, print_advice
from simulated_weeks import print_carried, print_looks, print_sessions

TABLES = {
    "fair": print_fair,
    "naive": print_naive,
    "unchanged": print_unchanged,
    "power": print_power,
    "breaking": print_breaking,
    "sessions": print_sessions,
    "carried": print_carried,
    "looks": print_looks,
    **{f"dose-{plan.split()[0]}": partial(print_advice, plan=plan) for plan in PLANS},
}


def main() -> None:
    parser = argparse.ArgumentParser(description="Simulated athletes with a known truth")
    parser.add_argument("tables", nargs="*", help=f"of {', '.join(TABLES)}; all without one")
    parser.add_argument("--n", type=int, default=1000, help="sessions, or people, in each cell")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    options = parser.parse_args()
    if unknown := set(options.tables) - set(TABLES):
        parser.error(f"no table {', '.join(sorted(unknown))}; there are {', '.join(TABLES)}")
    with Pool(options.jobs) as pool:
        for number, (name, show) in enumerate(TABLES.items()):
            if name in (options.tables or TABLES):
                started_s = time.perf_counter()
                show(pool, options.n, options.seed + 100 * number)
                print(f"  ({name}: {time.perf_counter() - started_s:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
