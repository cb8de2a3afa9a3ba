"""Run files: reading against a general CSV reader, writing against the standard library's CSV writer.

Run with ``python benchmarks/run_file.py``. A ratio is this program's time over the peer's, both measured in
turn in the same process (median of many), so that the machine cancels.
"""

from __future__ import annotations

import csv
import os
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table

from rig.calibration import AngleScale, Calibration, LoadScale, TipScale, TravelScale
from rig.runs import Header, RunWriter, read_run

PLAIN = ("time_s", "load_N", "roll_deg")
RECORDED = (
    "seq",
    "tick",
    "load_counts",
    "angle_counts",
    "travel_counts",
    "tip_counts",
    *PLAIN,
    "travel_m",
    "tip_deg",
)
CALIBRATION = Calibration(
    "2026-05-04T09:30:00",
    LoadScale(84_213.0, 9.81e-6, 0.004, 0.001),
    TravelScale(412.0, 5e-5, 0.001),
    AngleScale(),
    TipScale(),
)


def header(columns: tuple[str, ...]) -> Header:
    tables = {"calibration": CALIBRATION.to_tables()} if columns is RECORDED else {}
    return Header(
        "roll", "A-03", 1.8, model="example", held_travel_m=0.45, started="2026-05-04T09:30", tables=tables
    )


def readings(columns: tuple[str, ...], rows: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    k = np.arange(rows)
    made = {
        "seq": k % 65_536,
        "tick": k * 12_500 % 2**32,
        "load_counts": rng.integers(540_000, 550_000, rows),
        "angle_counts": k % 4096,
        "travel_counts": np.full(rows, 9412),
        "tip_counts": rng.integers(2500, 2600, rows),
        "time_s": k / 80,
        "load_N": rng.normal(4.5, 0.05, rows),
        "roll_deg": k * 0.35 % 360,
        "travel_m": np.full(rows, 0.45),
        "tip_deg": rng.normal(45, 0.25, rows),
    }
    return np.column_stack([made[name] for name in columns])


def compare(
    ours: Callable[[int], object], peer: Callable[[int], object], repeats: int
) -> tuple[float, float, float]:
    """Median times of both, s, and the median ratio of neighbouring turns; each is told the turn's number."""
    times = np.empty((repeats, 2))
    for number, turn in enumerate(times):
        for at, work in enumerate((ours, peer)):
            start = time.perf_counter()
            work(number)
            turn[at] = time.perf_counter() - start
    return (*np.median(times, axis=0), float(np.median(times[:, 0] / times[:, 1])))


def reading_table(folder: Path) -> Table:
    """Read many files of one shop, each once: blank, mass and date differ, rig and calibration do not."""
    table = Table("columns", "readings", "file", "read_run", "pandas.read_csv", "ratio", "peak memory, ratio")
    for columns in (PLAIN, RECORDED):
        for rows in (500, 2500, 20_000):
            made = readings(columns, rows).tolist()
            repeats = min(100, 1_000_000 // rows // len(columns) + 10)
            paths = []
            for number in range(repeats):
                top = replace(header(columns), blank=f"A-{number}", mass_g=60 + 0.01 * number)
                top = replace(top, started=f"2026-05-04T{9 + number // 60:02}:{number % 60:02}")
                with RunWriter(folder / f"{len(columns)}-{rows}-{number}.csv", top, columns) as writer:
                    writer.extend(made)
                    writer.event("ended", readings=rows)
                paths.append(writer.path)
            ours, peer, ratio = compare(
                lambda number, paths=paths: read_run(paths[number]),
                lambda number, paths=paths: pd.read_csv(paths[number], comment="#"),
                repeats,
            )
            memory = [
                peak(lambda path=paths[0]: read_run(path)),
                peak(lambda path=paths[0]: pd.read_csv(path, comment="#")),
            ]
            table.add_row(
                str(len(columns)),
                str(rows),
                f"{paths[0].stat().st_size / 1e3:.0f} kB",
                f"{ours * 1e3:.2f} ms",
                f"{peer * 1e3:.2f} ms",
                f"{ratio:.2f}",
                f"{memory[0] / memory[1]:.2f}",
            )
    return table


def peak(work: Callable[[], object]) -> int:
    tracemalloc.start()
    work()
    size = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return size


def writing_table(folder: Path) -> Table:
    table = Table("columns", "a reading", "csv.writer", "ratio", "share of a core at 5,000 readings/s")
    for columns in (PLAIN, RECORDED):
        rows = readings(columns, 5000).tolist()

        def ours(_turn: int = 0, columns: tuple[str, ...] = columns, rows: list[list[float]] = rows) -> None:
            with RunWriter(folder / "written.csv", header(columns), columns) as writer:
                for at in range(0, 5000, 250):
                    for row in rows[at : at + 250]:
                        writer.append(row)
                    writer.flush()
            writer.path.unlink()

        def peer(_turn: int = 0, columns: tuple[str, ...] = columns, rows: list[list[float]] = rows) -> None:
            path = folder / "peer.csv"
            with open(path, "w", newline="") as file:
                writer = csv.writer(file)
                writer.writerow(columns)
                for at in range(0, 5000, 250):
                    for row in rows[at : at + 250]:
                        writer.writerow(row)
                    file.flush()
                os.fsync(file.fileno())
            path.unlink()

        times = compare(ours, peer, repeats=15)
        start = time.process_time()
        ours()
        share = time.process_time() - start
        table.add_row(
            str(len(columns)),
            f"{times[0] / 5000 * 1e6:.2f} µs",
            f"{times[1] / 5000 * 1e6:.2f} µs",
            f"{times[2]:.2f}",
            f"{100 * share:.1f} %",
        )
    return table


def main() -> None:
    console = Console(width=110)
    with tempfile.TemporaryDirectory() as folder:
        console.print("Reading (files written by this program)", reading_table(Path(folder)))
        console.print("Writing 5,000 readings, flushed 20 times", writing_table(Path(folder)))


if __name__ == "__main__":
    main()
