"""How long the program takes to start, as a ratio to importing what it shows with, in the same run.

    python benchmarks/start.py [RUNS]

Processor time, median of RUNS (5) processes each. The list of commands is held against typer
and rich, `spine` on one run against numpy, scipy.linalg and pandas.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
SHOWING = "import typer, typer.rich_utils, rich.table, rich.panel, rich.markdown"
FITTING = "import numpy, scipy.linalg, pandas"
SAMPLE = sorted((ROOT / "sample_runs").glob("P-1_roll*.csv"))[0]
WAYS = (
    ("--help", SHOWING, 1.6),
    ("--version", SHOWING, 1.6),
    ("ports", SHOWING, 2.0),
    ("log", SHOWING, 1.6),
    (f"spine {SAMPLE}", FITTING, 1.3),
)


def spent(args: list[str]) -> float:
    """Processor time of one process, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *args], cwd=ROOT, capture_output=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def median(args: list[str], runs: int) -> float:
    return statistics.median(spent(args) for _ in range(runs))


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    peers = {peer: median(["-c", peer], runs) for peer in (SHOWING, FITTING)}
    print(f"{'command':12} {'s':>6} {'ratio':>6}  wanted")
    for words, peer, wanted in WAYS:
        took = median(["-m", "rig", *words.split(" ", 1)], runs)
        print(f"{words.split()[0]:12} {took:6.2f} {took / peers[peer]:6.2f}  {wanted}")


if __name__ == "__main__":
    main()
