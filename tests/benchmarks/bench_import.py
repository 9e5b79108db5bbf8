"""A table of a million rows and three columns: import against ``pandas.read_csv``, time and memory, in turn.

Each runs in a process of its own, three times each in turn; the median counts. Time is of the processor, with the
imports, so that other programs do not count. Memory is the highest resident set.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

N_ROWS = 1_000_000
REPEATS = 3
OURS = """
from pathlib import Path
from biofeedback.storage.csv_import import import_csv
imported = import_csv(Path(PATH), channels={"a": "force:N", "b": "position:deg"})
n = sum(item.n_frames for item in imported.items)
"""
THEIRS = """
import pandas
n = len(pandas.read_csv(PATH, sep=SEP, decimal=DECIMAL))
"""
AROUND = """
import resource, time
PATH, SEP, DECIMAL = {path!r}, {sep!r}, {decimal!r}
began = time.process_time()
{body}
took = time.process_time() - began
assert n == {n}
print(took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def measure(body: str, path: Path, sep: str, decimal: str) -> tuple[float, float]:
    """Seconds, and MiB."""
    code = AROUND.format(path=str(path), sep=sep, decimal=decimal, body=body, n=N_ROWS)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    took, memory = done.stdout.split()
    return float(took), float(memory)


def write(path: Path, sep: str, decimal: str, *, holes: bool, spec: str) -> None:
    """Times at 1 kHz and two channels, written by ``spec``; with holes every tenth row has the second."""
    values = np.random.default_rng(1).normal(100, 20, (N_ROWS, 2))
    with path.open("w") as file:
        file.write(f"time_s{sep}a{sep}b\n")
        for k, (a, b) in enumerate(values):
            second = format(b, spec) if not holes or k % 10 == 0 else ""
            file.write(f"{k / 1000:.3f}{sep}{a:{spec}}{sep}{second}\n".replace(".", decimal))


def main() -> None:
    """Print the table."""
    print(f"{'table':<28}{'ours s':>9}{'pandas s':>10}{'ratio':>7}{'ours MiB':>10}{'pandas MiB':>12}{'ratio':>7}")
    with tempfile.TemporaryDirectory() as folder:
        for name, sep, decimal, holes, spec in (
            ("commas", ",", ".", False, ".4f"),
            ("decimal commas", ";", ",", False, ".4f"),
            ("second channel slower", ",", ".", True, ".4f"),
            ("all digits of a float", ",", ".", False, ""),
        ):
            path = Path(folder) / "table.csv"
            write(path, sep, decimal, holes=holes, spec=spec)
            pairs = [(measure(OURS, path, sep, decimal), measure(THEIRS, path, sep, decimal)) for _ in range(REPEATS)]
            (ours, ours_mib), (theirs, theirs_mib) = (
                tuple(statistics.median(run[side][what] for run in pairs) for what in (0, 1)) for side in (0, 1)
            )
            times, memories = f"{ours:>9.2f}{theirs:>10.2f}{ours / theirs:>7.1f}", ours_mib / theirs_mib
            print(f"{name:<28}{times}{ours_mib:>10.0f}{theirs_mib:>12.0f}{memories:>7.1f}")


if __name__ == "__main__":
    main()
