"""`blankbench calibrate chuck` and `calibrate lag`: what the rig itself does to a roll."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.calibration import Calibration, all_calibrations, latest_calibration, save_calibration
from rig.commands import options
from rig.commands.calibrate_load import CalibrationsInto
from rig.commands.connect import Baud, Port, ask, board_at, calibration_in_force
from rig.commands.lengths import parse_length
from rig.commands.recording import record_run, state_cautions
from rig.errors import CallError
from rig.recording.channels import can_read, require
from rig.recording.recorder import Snapshot
from rig.runs import Header, RunFolder
from rig.settings import Settings, load_settings
from rig.workup.chucks import ChuckFound, work_chuck
from rig.workup.lags import LagFound, work_lag
from rig.workup.one_run import read_runs

LED_THROUGH = 5
"""Mounts that a person is led through: they leave six numbers over, and tell the index mark from support."""
Runs = Annotated[
    list[str] | None,
    typer.Argument(metavar="[RUN…]", help="Roll runs; without any you are led through them at the port."),
]
FreeLength = Annotated[
    float | None,
    typer.Option("--free-length", metavar="LENGTH", parser=parse_length, help="Of the blank, at the port."),
]
Travel = Annotated[
    float | None,
    typer.Option(
        "--travel", metavar="LENGTH", parser=parse_length, help="How far the tip is held, at the port."
    ),
]
BlankName = Annotated[str | None, typer.Option("--blank", help="Name of the blank, at the port.")]


def chuck(
    runs: Runs = None,
    port: Port = None,
    baud: Baud = None,
    blank: BlankName = None,
    free_length: FreeLength = None,
    travel: Travel = None,
    into: CalibrationsInto = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Find out what the chuck does, from runs of one blank at three mounts or more; best five, 72° apart.

    Take the straightest and roundest blank you have.

    Example: blankbench calibrate chuck runs/CHECK*roll*
    """
    settings = load_settings(settings_file)
    folder = into or Path(settings.shop.calibrations)
    paths = options.expand(runs) if runs else _led_through(settings, port, baud, blank, free_length, travel)
    earlier = [made.chuck for _, made in all_calibrations(folder) if made.chuck is not None]
    before = list({scale.dated: scale for scale in earlier}.values())
    now = f"{datetime.now().astimezone():%Y-%m-%dT%H:%M:%S}"
    found = work_chuck(read_runs(paths, "roll"), settings, now, before)
    path = _save(folder, replace(latest_calibration(folder) or Calibration(), chuck=found.scale))
    if as_json:
        options.print_json(chuck_record(found, path))
        return
    console = options.out()
    for line in chuck_lines(found):
        console.print(line, markup=False)
    console.print(f"Kept in {path}; every run recorded from now on carries it.", markup=False)


def chuck_record(found: ChuckFound, path: Path) -> dict[str, object]:
    """Give what was found as ``--json`` prints it."""
    now = found.chuck
    return {
        "blank": found.scale.blank,
        "runs": list(found.runs),
        "mounts_deg": list(found.scale.mounts_deg),
        "runout_m": now.runout_m,
        "runout_ci95_m": now.runout_ci95_m(),
        "runout_deg": math.degrees(now.runout_direction),
        "support_pct": 100.0 * now.support,
        "support_ci95_pct": 100.0 * now.support_ci95(),
        "support_deg": math.degrees(now.support_plane),
        "seating_m": now.seating_m,
        "seating_degrees_of_freedom": found.scale.numbers.seating_degrees_of_freedom,
        "file": str(path),
        "warnings": list(found.warnings),
        "index_sd_deg": math.degrees(now.index),
        "free_length_m": now.free_length_m,
        "stiffness_N_per_m": now.stiffness_N_per_m,
        "calibrations": found.scale.pooled,
    }


def chuck_lines(found: ChuckFound) -> list[str]:
    """Say what was found."""
    now = found.chuck
    said = [
        f"Run-out {1e3 * now.runout_m:.2f} ± {1e3 * now.runout_ci95_m():.2f} mm at the tip, toward"
        f" {math.degrees(now.runout_direction):.0f}° of the chuck.",
        f"Uneven support {100 * now.support:.2f} ± {100 * now.support_ci95():.2f} %, stiffest at"
        f" {math.degrees(now.support_plane):.0f}° of the chuck.",
        f"Seating: a blank sits differently by {1e3 * now.seating_m:.2f} mm at the tip each time (one"
        f" standard deviation along one axis); index mark {math.degrees(now.index):.1f}°.",
    ]
    if found.scale.pooled > 1:
        said.append(f"From {found.scale.pooled} calibrations that agree.")
    return [*said, *found.warnings]


def lag(
    runs: Annotated[list[str], typer.Argument(metavar="RUN…", help="Roll runs both ways, at two speeds.")],
    into: CalibrationsInto = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Find how long the load comes behind the angle, from runs rolled both ways; two speeds tell backlash.

    Example: blankbench calibrate lag runs/slow_roll.csv runs/fast_roll.csv
    """
    settings = load_settings(settings_file)
    folder = into or Path(settings.shop.calibrations)
    now = f"{datetime.now().astimezone():%Y-%m-%dT%H:%M:%S}"
    found = work_lag(read_runs(options.expand(runs), "roll"), settings, now)
    path = _save(folder, replace(latest_calibration(folder) or Calibration(), lag=found.scale))
    if as_json:
        options.print_json(lag_record(found, path))
        return
    console = options.out()
    for line in lag_lines(found):
        console.print(line, markup=False)
    console.print(f"Kept in {path}; every run recorded from now on carries it.", markup=False)


def lag_record(found: LagFound, path: Path) -> dict[str, object]:
    """Give what was found as ``--json`` prints it."""
    scale = found.scale
    return {
        "lag_s": scale.lag_s,
        "lag_ci95_s": scale.lag_ci95_s,
        "backlash_deg": scale.backlash_deg,
        "backlash_ci95_deg": scale.backlash_ci95_deg,
        "friction_N": scale.friction_N,
        "friction_ci95_N": scale.friction_ci95_N,
        "file": str(path),
        "warnings": list(found.warnings),
        "runs": list(found.runs),
    }


def lag_lines(found: LagFound) -> list[str]:
    """Say what was found."""
    scale = found.scale
    said = [f"The load comes {1e3 * scale.lag_s:.0f} ± {1e3 * scale.lag_ci95_s:.0f} ms behind the angle."]
    if scale.backlash_deg is not None and scale.backlash_ci95_deg is not None:
        said.append(f"Backlash ± {abs(scale.backlash_deg):.2f}° (known to {scale.backlash_ci95_deg:.2f}°).")
    if scale.friction_N is not None and scale.friction_ci95_N is not None:
        said.append(f"Friction {1e3 * scale.friction_N:.1f} ± {1e3 * scale.friction_ci95_N:.1f} mN.")
    return [*said, *found.warnings]


def _save(folder: Path, calibration: Calibration) -> Path:
    dated = f"{datetime.now().astimezone():%Y-%m-%dT%H:%M}"
    return save_calibration(replace(calibration, dated=dated), folder)


def _led_through(
    settings: Settings,
    port: str | None,
    baud: int | None,
    blank: str | None,
    free_length: float | None,
    travel: float | None,
) -> list[str]:
    """Record the mounts at the port, one after the other."""
    interactive = sys.stdin.isatty()
    console = options.messages()
    blank = blank or ask("Which blank is it?", "--blank", interactive)
    free = free_length or settings.rig.free_length_m
    free = free or parse_length(
        ask("Free length, from the chuck's face to the tip?", "--free-length", interactive)
    )
    folder = RunFolder(Path(settings.shop.runs))
    paths = []
    with board_at(port, baud, settings) as board:
        force = calibration_in_force(None, settings)
        require(board.hello, force, ("angle", "load"))
        if travel is None and not can_read(board.hello, force, "travel"):
            travel = settings.rig.held_travel_m
            travel = travel or parse_length(ask("How far is the tip held (travel)?", "--travel", interactive))
        limit = settings.rig.load_limit_N
        state_cautions(console, limit)
        for step in range(LED_THROUGH):
            mount = 360.0 / LED_THROUGH * step
            if interactive:
                typer.prompt(
                    f"Mount {step + 1} of {LED_THROUGH}: chuck the blank so that blank angle {mount:g}° faces"
                    " the pull when the chuck reads 0, hold the tip, press Enter, then roll a turn and back",
                    default="",
                    show_default=False,
                    prompt_suffix=" ",
                    err=True,
                )
            header = Header(
                kind="roll",
                blank=blank,
                free_length_m=free,
                held_travel_m=travel,
                mount_deg=mount,
                contact=settings.rig.contact,
                pull=settings.rig.pull,
                operator=settings.shop.operator,
            )
            _, path = record_run(
                board,
                header,
                force,
                folder,
                console,
                units=settings.shop.units,
                limit_N=limit,
                rule=settings.shop.mark_rule,
                done=_there_and_back,
            )
            paths.append(str(path))
    if not paths:
        raise CallError("no mount was recorded", "start again")
    return paths


def _there_and_back(now: Snapshot) -> str | None:
    """A turn and back: both ways, so that friction and lag are told."""
    return "a turn and back" if now.turned >= 2.0 and now.covered > 0.99 else None
