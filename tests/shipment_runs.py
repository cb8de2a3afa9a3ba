"""Short runs of invented blanks, written as files: shipments for the tests of the commands that decide."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
from bent_blanks import flexed, truth

LENGTH_M = 1.8
REFERENCE_LOAD_N, BEND_CENTRE = truth("thin tube", LENGTH_M)
"""Of a blank written with `power` 1."""


def _write(
    path: Path, kind: str, blank: str, header: dict[str, object], columns: dict[str, np.ndarray]
) -> Path:
    lines = {"blankbench-run": 1, "kind": kind, "blank": blank, "free_length_m": LENGTH_M} | header
    tables = {key: value for key, value in lines.items() if isinstance(value, dict)}
    text = "".join(f"# {key} = {json.dumps(value)}\n" for key, value in lines.items() if key not in tables)
    for name, table in tables.items():
        text += f"# [{name}]\n" + "".join(f"# {key} = {json.dumps(value)}\n" for key, value in table.items())
    text += ",".join(columns) + "\n"
    rows = np.column_stack(list(columns.values()))
    text += "".join(",".join(f"{cell:.5f}" for cell in row) + "\n" for row in rows)
    path.write_text(text, encoding="utf-8")
    return path


def write_flex(
    folder: Path, blank: str, power: float = 1.0, *, seed: int = 1, name: str = "", **header: object
) -> Path:
    """A flex run of a blank `power` times as strong as the reference one, with the noise of a plain rig."""
    bent = flexed(readings=120, side=power, seed=seed, length=LENGTH_M)
    assert bent.tip is not None
    columns = {
        "time_s": bent.time_s,
        "load_N": bent.load_N,
        "travel_m": bent.travel_m,
        "tip_deg": np.degrees(bent.tip),
    }
    return _write(folder / f"{name or blank}_flex.csv", "flex", blank, {"pull": "sideways"} | header, columns)


def write_roll(
    folder: Path,
    blank: str,
    stiffness: float = 10.0,
    *,
    plane_deg: float = 40.0,
    bow_m: float = 0.004,
    seed: int = 1,
    name: str = "",
    noise_N: float = 0.012,
    **header: object,
) -> Path:
    """Two turns on and two back of a blank with 2 % of anisotropy, held at a quarter of its length."""
    rng = np.random.default_rng(seed)
    turn = np.linspace(0.0, 4.0 * math.pi, 300)
    roll = np.concatenate([turn, turn[::-1]])
    plane = math.radians(plane_deg)
    load = stiffness * (0.45 * (1.0 + 0.01 * np.cos(2.0 * (roll - plane))) - bow_m * np.cos(roll - 1.0))
    load = load + noise_N * rng.standard_normal(roll.size)
    columns = {
        "time_s": np.arange(roll.size) / 20.0,
        "load_N": load,
        "roll_deg": np.degrees(roll) % 360.0,
    }
    return _write(
        folder / f"{name or blank}_roll.csv", "roll", blank, {"held_travel_m": 0.45} | header, columns
    )
