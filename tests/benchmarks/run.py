"""All benchmarks, one after the other, each printing its table: python tests/benchmarks/run.py [NAME ...]

They measure this machine as it is now: close other programs first. Longer runs: see the options of each script.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

FOLDER = Path(__file__).parent


def main() -> None:
    wanted = sys.argv[1:]
    for script in sorted(FOLDER.glob("bench_*.py")):
        if wanted and script.stem.removeprefix("bench_") not in wanted:
            continue
        print(f"\n== {script.stem} ==", flush=True)
        done = subprocess.run([sys.executable, str(script)], check=False)
        if done.returncode:
            print(f"{script.name} ended with code {done.returncode}", flush=True)


if __name__ == "__main__":
    main()
