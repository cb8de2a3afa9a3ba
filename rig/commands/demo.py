"""`blankbench demo`: the whole job on the simulated rig, from the port to the report."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.rule import Rule

from analysis.decide import DEFAULT_TOLERANCES
from analysis.decide.batch import BatchResult
from analysis.readings import Floats
from analysis.show import records, tables
from analysis.show.tables import TruthRow
from analysis.units import System
from rig.calibration import Calibration
from rig.commands import options
from rig.commands.calibrate import make, said
from rig.commands.calibrate_load import Take
from rig.commands.connect import Board, board_at
from rig.commands.draw import save_flex_figures, save_roll_figures, write_text
from rig.commands.flex import flex_record
from rig.commands.recording import record_run, state_cautions
from rig.commands.report import report_html
from rig.commands.spine import spine_record
from rig.errors import FileError
from rig.recording.recorder import Snapshot
from rig.runs import Header, Kind, RunFolder
from rig.settings import Rig, Settings, Shop
from rig.virtual import Blank, Flex, Roll, Step, Still, VirtualRig, load_blanks
from rig.virtual.bench import Task
from rig.virtual.truth import true_values
from rig.workup.decisions import work_batch
from rig.workup.one_run import Flex as FlexWork
from rig.workup.one_run import Roll as RollWork
from rig.workup.one_run import read_runs, work_blanks

SHOP = Shop(name="Example Rod Shop", operator="demo")
"""Invented, and plainly so."""
WEIGHT_KG = 0.5
DISTANCE_M = 0.5
LIMIT_N = 12.0
MOUNTS_DEG = (0.0, 25.0, 310.0, 140.0, 75.0)
"""Where the index mark of each blank happens to stand in the chuck."""


def demo(
    into: Annotated[
        Path,
        typer.Option(
            "--into", metavar="FOLDER", help="Where the runs and the report go; a new folder in it."
        ),
    ] = Path("blankbench-demo"),
    speed: Annotated[
        float, typer.Option("--speed", min=0.1, help="How much faster than real time the rig runs.")
    ] = 20.0,
    quick: Annotated[
        bool, typer.Option("--quick", help="As fast as this computer can, without figures of each run.")
    ] = False,
    seed: Annotated[int, typer.Option("--seed", help="Same seed, same readings.")] = 1,
    as_json: options.AsJson = False,
    units: options.Units = None,
) -> None:
    """Roll and flex five invented blanks on a simulated rig, judge them, and compare with the truth.

    Example: blankbench demo
    """
    begun = time.monotonic()
    console = Console(stderr=True, quiet=True) if as_json else options.out()
    system = units or "metric"
    place = _fresh_folder(into)
    settings = Settings(shop=SHOP, rig=Rig(load_limit_N=LIMIT_N))
    blanks = load_blanks()
    console.print(Rule("A simulated rig, five invented blanks, one real serial port"))
    with (
        VirtualRig(blanks, seed=seed, speed=None if quick else speed, streaming=False) as rig,
        board_at(rig.url, None, settings) as board,
    ):
        console.print(f"{board.hello.device} says hello at {rig.url}.", markup=False)
        calibration = _calibrate(rig, board, console)
        state_cautions(console, LIMIT_N)
        for blank, mount in zip(blanks, MOUNTS_DEG, strict=False):
            _record_blank(rig, board, blank, mount, calibration, RunFolder(place / "runs"), console, system)
    paths = sorted(str(path) for path in (place / "runs").glob("*.csv"))
    console.print(Rule("What the runs say"))
    rolls, flexes = work_blanks(read_runs(paths), settings, curve=True)
    batch = work_batch(rolls, flexes, DEFAULT_TOLERANCES)
    console.print(tables.roll_summary([(n, works[0].result) for n, works in rolls.items()], units=system))
    console.print(tables.flex_summary([(n, works[0].result) for n, works in flexes.items()], units=system))
    console.print(tables.batch_table(batch, units=system))
    report = write_text(place / "report.html", report_html(rolls, flexes, batch, settings, system))
    if not quick:
        save_roll_figures([work for works in rolls.values() for work in works], place / "figures")
        save_flex_figures([work for works in flexes.values() for work in works], place / "figures")
    rows = measured_against_true(blanks, rolls, flexes)
    console.print(Rule("The truth, which only a simulation knows"))
    console.print(tables.truth_table(rows, units=system))
    if as_json:
        options.print_json(_document(rolls, flexes, batch, rows, report))
        return
    console.print(f"Report:  {report}", markup=False, soft_wrap=True)
    console.print(f"Runs:    {place / 'runs'}", markup=False, soft_wrap=True)
    if not quick:
        console.print(f"Figures: {place / 'figures'}", markup=False, soft_wrap=True)
    console.print(
        f"That took {time.monotonic() - begun:.0f} s. Next: blankbench spine {paths[1]}",
        markup=False,
        soft_wrap=True,
    )


def _fresh_folder(into: Path) -> Path:
    """A new folder for this demo; nothing that is there is touched."""
    stamp = f"{datetime.now():%Y-%m-%dT%H%M%S}"
    try:
        for number in range(1, 1000):
            place = into / (stamp if number == 1 else f"{stamp}-{number}")
            if not place.exists():
                place.mkdir(parents=True)
                return place
    except OSError as error:
        raise FileError(
            into, None, f"the folder cannot be made ({error.strerror})", "name another with --into"
        ) from error
    raise FileError(into, None, "no free name is left in this folder", "name another with --into")


def _calibrate(rig: VirtualRig, board: Board, console: Console) -> Calibration:
    """Find the first newton as on a real rig: zero and a known weight, two positions, zeros and senses."""
    stills = {
        "load": (Still(10.0), Still(10.0, hung_kg=WEIGHT_KG)),
        "travel": (Still(10.0), Still(10.0, travel_m=DISTANCE_M)),
        "angle": (Still(10.0), Still(10.0, chuck_deg=90.0)),
    }
    # The tip's sensor is taken as its maker set it; its zero needs a hand that tilts it.
    calibration = Calibration(tip=rig.bench.gear.calibration().tip)
    for channel, steps in stills.items():
        taken = iter(steps)
        calibration = make(
            channel, _taker(rig, board, taken), calibration,
            weight_kg=WEIGHT_KG, distance_m=DISTANCE_M, tolerance=0.2 if channel != "angle" else 0.3,
            gravity_m_s2=9.80665,
        )  # fmt: skip
        console.print(said(calibration, channel), markup=False)
    return replace(calibration, dated=f"{datetime.now().astimezone():%Y-%m-%dT%H:%M}")


def _taker(rig: VirtualRig, board: Board, steps: Iterator[Still]) -> Take:
    def take(name: str, what: str) -> Floats:
        rig.bench.do(next(steps))
        taken = board.capture(2.5)[name]
        rig.bench.halt()  # what is left of this step would mix with the next one
        return taken

    return take


def _record_blank(
    rig: VirtualRig,
    board: Board,
    blank: Blank,
    mount: float,
    calibration: Calibration,
    folder: RunFolder,
    console: Console,
    units: System,
) -> None:
    """Roll a blank two turns on and two back, then flex it to a third of its length and let it back."""
    header = Header(
        kind="roll",
        blank=blank.name,
        free_length_m=blank.free_length,
        model=blank.model,
        mount_deg=mount,
        pull="sideways",
        operator=SHOP.operator,
        mass_g=None if blank.mass is None else round(1e3 * blank.mass, 1),
        length_m=blank.length,
        clamped_length_m=blank.clamped_length,
        label_power=blank.label_power,
        label_action=blank.label_action,
    )
    rig.bench.mount(blank.name, mount)
    steps: tuple[tuple[Kind, Step], ...] = (
        ("roll", Roll(0.25 * blank.free_length, turns=(2.0, -2.0))),
        ("flex", Flex(0.33 * blank.free_length, roll_deg=mount)),
    )
    for kind, step in steps:
        task = rig.bench.do(step)
        snapshot, _ = record_run(
            board,
            replace(header, kind=kind),
            calibration,
            folder,
            console,
            units=units,
            limit_N=LIMIT_N,
            done=partial(_hand_is_done, task),
        )
        came = f"{snapshot.readings} readings, {snapshot.lost} lost, {snapshot.faulty} faulty"
        console.print(f"{blank.name} {kind}: {came}", markup=False)


def _hand_is_done(task: Task, now: Snapshot) -> str | None:
    return "the hand is done" if task.done.is_set() else None


def measured_against_true(
    blanks: Sequence[Blank], rolls: Mapping[str, Sequence[RollWork]], flexes: Mapping[str, Sequence[FlexWork]]
) -> list[TruthRow]:
    """Rows of what was measured beside what the blanks were made from."""
    rows = []
    for blank in blanks:
        roll, flex = rolls[blank.name][0].result, flexes[blank.name][0].result
        true = true_values(blank, roll.travel_m)
        snap, *others = true.snaps
        tied = others[0].angle if others and roll.mark.tie is not None else None
        hidden = not roll.plane_found
        rows += [
            TruthRow(blank.name, "mark (firmest snap)", roll.mark.angle, snap.angle, "angle", also=tied),
            TruthRow(
                blank.name, "stiff plane", roll.stiff_plane, None if hidden else blank.stiff_plane, "plane"
            ),
            TruthRow(blank.name, "anisotropy", roll.anisotropy, blank.anisotropy, "percent"),
            TruthRow(blank.name, "natural bow", roll.bow, blank.bow, "small length"),
            TruthRow(blank.name, "reference load", flex.reference_load, true.reference_load, "load"),
            TruthRow(blank.name, "bend centre", flex.bend_centre, true.bend_centre, "bare"),
        ]
    return rows


def _document(
    rolls: Mapping[str, Sequence[RollWork]],
    flexes: Mapping[str, Sequence[FlexWork]],
    batch: BatchResult,
    rows: Sequence[TruthRow],
    report: Path,
) -> dict[str, object]:
    """Everything the demo found, for ``--json``."""
    return {
        "spine": [spine_record(work) for works in rolls.values() for work in works],
        "flex": [flex_record(work) for works in flexes.values() for work in works],
        "batch": records.batch_record(batch),
        "truth": {"values": len(rows), "inside": sum(row.inside for row in rows)},
        "report": str(report),
    }
