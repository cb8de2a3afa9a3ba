"""A small shop's folder for tests: run files with headers of their own, written as text."""

from __future__ import annotations

import os
import time
from pathlib import Path

A_DAY_AGO = time.time() - 86_400


def write_run(
    folder: Path,
    name: str,
    blank: str = "A-01",
    kind: str = "roll",
    *,
    settled: bool = True,
    **header: object,
) -> Path:
    """Write a run file of three readings; a settled one was last changed a day ago."""
    values: dict[str, object] = {
        "kind": kind,
        "blank": blank,
        "free_length_m": 1.8,
        "started": "2026-05-04T09:30:00Z",
        **header,
    }
    if kind == "roll":
        values.setdefault("held_travel_m", 0.45)
    lines = ["# blankbench-run = 1"]
    for key, value in values.items():
        lines.append(f'# {key} = "{value}"' if isinstance(value, str) else f"# {key} = {value}")
    lines.append('#\n# [calibration]\n# dated = "2026-05-01T08:00"')
    column = "roll_deg" if kind == "roll" else "travel_m"
    lines += [f"time_s,load_N,{column}", "0.0,4.5,0.0", "0.1,4.6,0.1", "0.2,4.7,0.2"]
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    if settled:
        os.utime(path, (A_DAY_AGO, A_DAY_AGO))
    return path
