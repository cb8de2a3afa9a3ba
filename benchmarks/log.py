"""The shop's log with ten thousand runs: how long a list takes, and an index made anew.

Run with ``python benchmarks/log.py``. The whole command is timed as a builder waits for it, the program's
start in it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

from rich.console import Console
from rich.table import Table

from rig.calibration import AngleScale, Calibration, LoadScale, TipScale, TravelScale
from rig.runs import Header, RunFolder
from rig.shop import INDEX_NAME, Keeper, Wanted, list_runs, read_shelf

BLANKS, RUNS_EACH, SHIPMENT, READINGS = 2500, 4, 50, 40
CALIBRATION = Calibration(
    "2026-05-04T09:30:00",
    LoadScale(84_213.0, 9.81e-6, 0.004, 0.001),
    TravelScale(412.0, 5e-5, 0.001),
    AngleScale(),
    TipScale(),
)
START = [sys.executable, "-c", "import sys; from rig.commands import main; sys.exit(main(sys.argv[1:]))"]


def make_shop(folder: Path) -> None:
    """Shipments with names, a note on each blank, and run files a day old."""
    keeper = Keeper(folder, "Example Operator")
    names: list[str] = []
    for _ in range(BLANKS // SHIPMENT):
        facts = {"maker": "Example Maker", "model": "Example Petrel", "label_power": "medium"}
        names += keeper.add("2026-05-01", SHIPMENT, facts)[1]
    for at in range(0, BLANKS, 100):
        keeper.note(names[at : at + 100], {"mass_g": 96.2, "text": "looked over on arrival"})
    body = "time_s,load_N,roll_deg\n" + "".join(
        f"{k / 80:.4f},{4.5 + 0.001 * k:.5f},{k * 9.0:.4f}\n" for k in range(READINGS)
    )
    header = Header("roll", "", 2.1, model="Example Petrel", held_travel_m=0.5, operator="Example Operator")
    header = replace(header, tables={"calibration": CALIBRATION.to_tables()})
    runs = RunFolder(folder)
    old = time.time() - 86_400
    for number in range(BLANKS * RUNS_EACH):
        when = datetime(2026, 5, 4, 9, tzinfo=UTC) + timedelta(minutes=number)
        blank = names[number % BLANKS]
        text = replace(header, blank=blank, started=when.isoformat()).to_toml()
        path = runs.new_path(blank, "roll", when)
        path.write_text("".join(f"# {line}\n" for line in text.splitlines()) + body, encoding="utf-8")
        os.utime(path, (old, old))


def timed(work: Callable[[], object], times: int) -> float:
    """Median of several turns, s."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return median(took)


def command(folder: Path, *words: str) -> Callable[[], object]:
    return lambda: subprocess.run(
        [*START, "log", "--folder", str(folder), *words], check=True, capture_output=True
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_shop(folder)
        count = BLANKS * RUNS_EACH
        table = Table("what", "time", title=f"The log of {BLANKS} blanks and {count} runs")
        cold = timed(lambda: list_runs(folder, rebuild=True), 1)
        table.add_row("index made anew from all headers", f"{cold:.2f} s, {1e6 * cold / count:.0f} µs a run")
        warm = timed(lambda: read_shelf(folder).blanks(Wanted()), 7)
        table.add_row("journal and runs read from a warm index, in the program", f"{warm:.2f} s")
        assert list_runs(folder).read_again == 0
        for words in ((), ("--runs",), ("--find", "A-07"), ("--runs", "--json")):
            took = timed(command(folder, *words), 5)
            table.add_row(
                f"blankbench log {' '.join(words)}".rstrip() + ", from start to end", f"{took:.2f} s"
            )
        size = (folder / INDEX_NAME).stat().st_size
        table.add_row("size of the index", f"{size / 1e6:.1f} MB")
        Console(width=100).print(table)


if __name__ == "__main__":
    main()
