"""Numbers in another unit are refused with the likely cause; no blank that shops have is doubted.

Beam theory (closed form): a uniform tube of rigidity EI takes 3·EI/L³ of load a metre of travel.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from command_line import SAMPLES, Run

from analysis.plausible import LENGTH_M, REFERENCE_LOAD_N, doubted_length, doubted_load, doubted_travel


@pytest.mark.parametrize(
    ("length", "unit"), [(2100.0, "millimetres"), (210.0, "centimetres"), (84.0, "inches"), (0.02, "metres")]
)
def test_a_length_in_another_unit_is_doubted_with_that_unit(length: float, unit: str) -> None:
    doubt = doubted_length(length)
    assert doubt is not None
    assert unit in doubt.do


@pytest.mark.parametrize("length", [0.4, 0.6, 1.8, 2.7, 4.2, 6.0, 13.0])
def test_lengths_of_blanks_are_not_doubted(length: float) -> None:
    assert doubted_length(length) is None
    assert doubted_travel(0.25 * length, length) is None


@pytest.mark.parametrize(
    ("modulus_GPa", "outer_mm", "inner_mm", "length"),
    [(40.0, 2.5, 0.0, 0.6), (100.0, 6.0, 5.0, 1.8), (120.0, 11.0, 9.0, 2.4), (60.0, 16.0, 12.0, 1.7)],
)
def test_loads_of_tubes_are_not_doubted_and_are_as_grams(
    modulus_GPa: float, outer_mm: float, inner_mm: float, length: float
) -> None:
    """From an ice rod's tip to a boat rod; a taper takes some off, within the band alike."""
    rigidity = modulus_GPa * 1e9 * math.pi / 64.0 * ((1e-3 * outer_mm) ** 4 - (1e-3 * inner_mm) ** 4)
    load = 0.25 * length * 3.0 * rigidity / length**3
    assert doubted_load(load) is None
    as_grams = doubted_load(load * 1e3 / 9.80665)
    if load < 0.6:  # 16 g at a quarter of an ice rod's length are what another blank has in newtons
        assert as_grams is None
        return
    assert as_grams is not None
    assert "grams" in as_grams.do


def test_the_bands_are_no_wider_and_no_narrower_than_their_reasons() -> None:
    """A common light blank in grams must fall out (0.6 N is 61 g), a boat rod must not."""
    assert 30.0 < REFERENCE_LOAD_N[1] < 0.62e3 / 9.80665
    assert 0.01 < REFERENCE_LOAD_N[0] < 0.05
    assert LENGTH_M[1] < 21.0  # 2.1 m in decimetres
    assert LENGTH_M[0] > 0.21


def rewritten(folder: Path, kind: str, change) -> Path:
    """A sample run's columns with another header or other numbers."""
    lines = next(SAMPLES.glob(f"P-1_{kind}*.csv")).read_text(encoding="utf-8").splitlines()
    keep = ("blankbench-run", "kind", "blank", "free_length_m", "held_travel_m", "pull")
    header = {}
    for line in lines:
        name, _, value = line.strip("# ").partition(" = ")
        if line.startswith("#") and name in keep and name not in header:
            header[name] = value
    rows = [line for line in lines if line and not line.startswith("#")]
    names = rows[0].split(",")
    wanted = [
        names.index(name) for name in ("time_s", "load_N", "roll_deg" if kind == "roll" else "travel_m")
    ]
    table = [[row.split(",")[at] for at in wanted] for row in rows[1:]]
    header, table = change(header, table)
    path = folder / f"{kind}.csv"
    path.write_text(
        "".join(f"# {name} = {value}\n" for name, value in header.items())
        + ",".join(names[at] for at in wanted) + "\n"
        + "".join(",".join(row) + "\n" for row in table),
        encoding="utf-8",
    )  # fmt: skip
    return path


def grams(header, table):
    return header, [[t, f"{float(load) * 1e3 / 9.80665:.3f}" if load else "", x] for t, load, x in table]


def centimetres(header, table):
    return header | {"free_length_m": "228.6"}, table


@pytest.mark.parametrize(("command", "kind"), [("spine", "roll"), ("flex", "flex")])
@pytest.mark.parametrize(("change", "said"), [(grams, "grams"), (centimetres, "centimetres")])
def test_a_run_in_another_unit_is_refused_in_one_line(
    run: Run, tmp_path: Path, command: str, kind: str, change, said: str
) -> None:
    path = rewritten(tmp_path, kind, change)
    outcome = run(command, str(path), "--json")
    assert outcome.status == 2
    assert outcome.out == ""
    assert outcome.err.count("\n") == 1
    assert str(path) in outcome.err
    assert said in outcome.err


def test_the_same_run_in_its_own_units_is_answered(run: Run, tmp_path: Path) -> None:
    path = rewritten(tmp_path, "roll", lambda header, table: (header, table))
    assert run("spine", str(path), "--json").status == 0
    assert np.isfinite(run("spine", str(path), "--json").document[0]["stiffness_N_per_m"])


def test_a_free_length_typed_in_another_unit_is_asked_back(run: Run) -> None:
    outcome = run("record", "roll", "--blank", "A", "--free-length", "2100", "--port", "nowhere")
    assert outcome.status == 2
    assert "millimetres" in outcome.err
