"""`blankbench calibrate`: from counts to newtons, metres and degrees, one channel at a time."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from rig.calibration import Calibration, TurnScale, latest_calibration, save_calibration
from rig.calibration.geometry import Winch
from rig.calibration.points import angle_scale, tip_scale, travel_scale
from rig.calibration.turning_points import turn_scale
from rig.commands import calibrate_chuck, calibrate_load, options
from rig.commands.calibrate_load import CalibrationsInto, Take, one_weight, said_of_load, taker
from rig.commands.connect import Baud, Board, Port, board_at
from rig.commands.lengths import parse_length
from rig.errors import CallError
from rig.settings import Settings, Turning, load_settings

calibrate = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Calibrate one part of the rig; the result is dated and kept in every run.\n\n"
    "Example: blankbench calibrate load --weights 0,100,200,500,200,100,0",
)
"""The command and those below it."""
calibrate.command("load")(calibrate_load.load)
calibrate.command("chuck")(calibrate_chuck.chuck)
calibrate.command("lag")(calibrate_chuck.lag)

Seconds = Annotated[float, typer.Option("--seconds", min=0.5, help="How long to read each time.")]


@calibrate.command("travel")
def travel(
    port: Port = None,
    baud: Baud = None,
    distance: Annotated[
        float | None,
        typer.Option(
            "--distance",
            metavar="LENGTH",
            parser=parse_length,
            help="How far the second position is from the first; on a winch, along the string.",
        ),
    ] = None,
    tolerance: Annotated[
        float, typer.Option("--tolerance", min=0.0, help="How sure the distance is, ± millimetres.")
    ] = 0.0,
    seconds: Seconds = 3.0,
    into: CalibrationsInto = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Calibrate the travel from two known positions.

    Example: blankbench calibrate travel --distance 400mm
    """
    settings = load_settings(settings_file)
    if distance is None:
        raise CallError(
            "--distance is missing", "give how far apart the two positions are, as in --distance 400mm"
        )
    _at_the_port("travel", port, baud, seconds, into, as_json, settings, distance, tolerance)


@calibrate.command("angle")
def angle(
    port: Port = None,
    baud: Baud = None,
    tolerance: Annotated[
        float, typer.Option("--tolerance", min=0.0, help="How sure the chuck's zero is set, ± degrees.")
    ] = 0.0,
    seconds: Seconds = 3.0,
    into: CalibrationsInto = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Calibrate the chuck's angle: its zero and which way its sensor counts.

    Example: blankbench calibrate angle --tolerance 0.5
    """
    settings = load_settings(settings_file)
    _at_the_port("angle", port, baud, seconds, into, as_json, settings, 0.0, tolerance)


@calibrate.command("tip")
def tip(
    port: Port = None,
    baud: Baud = None,
    seconds: Seconds = 3.0,
    into: CalibrationsInto = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Calibrate the tip's slope: its zero and which way its sensor counts.

    Example: blankbench calibrate tip
    """
    _at_the_port("tip", port, baud, seconds, into, as_json, load_settings(settings_file), 0.0, 0.0)


def _at_the_port(
    channel: Literal["load", "travel", "angle", "tip"],
    port: str | None,
    baud: int | None,
    seconds: float,
    into: Path | None,
    as_json: bool,
    settings: Settings,
    distance_m: float,
    tolerance: float,
) -> None:
    """Calibrate one channel at the port, keep it and say so."""
    folder = into or Path(settings.shop.calibrations)
    with board_at(port, baud, settings) as board:
        take = taker(board, channel, seconds)
        before = latest_calibration(folder) or Calibration()
        fresh = make(
            channel,
            take,
            before,
            weight_kg=0.0,
            distance_m=distance_m,
            tolerance=tolerance,
            gravity_m_s2=settings.shop.gravity_m_s2,
            turning=settings.travel,
            wraps_at=_wraps_at(board, channel),
        )
    fresh = replace(fresh, dated=f"{datetime.now().astimezone():%Y-%m-%dT%H:%M}")
    path = save_calibration(fresh, folder)
    if as_json:
        options.print_json({"calibration": str(path), **fresh.to_tables()})
        return
    console = options.out()
    console.print(said(fresh, channel), markup=False)
    console.print(f"Kept in {path}; every run recorded from now on carries it.", markup=False)


def make(
    channel: str,
    take: Take,
    before: Calibration,
    *,
    weight_kg: float,
    distance_m: float,
    tolerance: float,
    gravity_m_s2: float,
    turning: Turning | None = None,
    wraps_at: int | None = None,
) -> Calibration:
    """Calibrate one channel and keep the others as they were.

    Parameters
    ----------
    channel : {"load", "travel", "angle", "tip"}
        Which one.
    take : callable
        See `Take`.
    before : Calibration
        The calibration so far.
    weight_kg, distance_m : float
        The known weight and the known distance.
    tolerance : float
        ± of the known value: g, mm or deg.
    gravity_m_s2 : float
        Of the shop's place.
    turning : Turning or None
        What turns with the travel; None: a counter along the pull.
    wraps_at : int or None
        Counts at which the channel's sensor begins again.
    """
    if channel == "load":
        scale = one_weight(take, weight_kg, tolerance * 1e-3, gravity_m_s2)
        return replace(before, load=scale)
    if channel == "travel" and turning is not None:
        return replace(before, travel=_turned(take, turning, distance_m, tolerance * 1e-3, wraps_at))
    if channel == "travel":
        start = take("travel", "Put the carriage where the free tip stands")
        end = take("travel", f"Move it {distance_m * 1e3:g} mm along the pull")
        return replace(before, travel=travel_scale(start, end, distance_m, known_ci95_m=tolerance * 1e-3))
    if channel == "angle":
        start = take("angle", "Turn the chuck to its zero mark")
        turned = take("angle", "Turn it about a quarter of a turn anticlockwise, seen from the butt")
        return replace(before, angle=angle_scale(start, turned, zero_ci95_deg=tolerance or None))
    start = take("tip", "Lay the tip's sensor along the chuck's axis")
    bent = take("tip", "Tilt it toward the pull by roughly 45 degrees")
    return replace(before, tip=tip_scale(start, bent))


def _turned(
    take: Take, turning: Turning, distance_m: float, tolerance_m: float, wraps_at: int | None
) -> TurnScale:
    """Ask for the positions of a winch or a swing arm."""
    winch = isinstance(turning.geometry, Winch)
    start = take(
        "travel",
        "Tie the string to the free tip, just taut" if winch else "Let the roller just touch the free blank",
    )
    little = None
    if winch and wraps_at is not None:
        little = take("travel", "Turn the drum a quarter of a turn")
    move = "Take in {:g} mm of string in all" if winch else "Raise the roller by {:g} mm along the pull"
    end = take("travel", move.format(distance_m * 1e3))
    return turn_scale(
        start,
        end,
        distance_m,
        turning.geometry,
        a_little=little,
        counts_per_turn=turning.counts_per_turn,
        wraps_at=wraps_at,
        known_ci95_m=tolerance_m,
    )


def _wraps_at(board: Board, channel: str) -> int | None:
    """Counts at which the channel's sensor begins again; None: it does not."""
    for known in board.hello.channels:
        if known.name == channel and known.coding == "turn" and known.bits is not None:
            return int(2**known.bits)
    return None


def said(calibration: Calibration, channel: str) -> str:
    """One line on a fresh calibration."""
    if channel == "load":
        return said_of_load(calibration)
    if channel == "travel" and (moved := calibration.travel) is not None:
        if isinstance(moved, TurnScale):
            turns = moved.geometry
            if isinstance(turns, Winch):
                return (
                    f"Travel: drum radius {1e3 * turns.drum_radius_m:.2f} ± {1e3 * turns.drum_ci95_m:.2g} mm."
                )
            return f"Travel: arm {1e3 * turns.arm_m:.1f} ± {1e3 * turns.arm_ci95_m:.2g} mm to the roller."
        sure = "" if moved.scale_ci95 is None else f" ± {100.0 * moved.scale_ci95:.2g} %"
        return f"Travel: {1e6 * moved.m_per_count:.5g} µm a count{sure}."
    scale = calibration.angle if channel == "angle" else calibration.tip
    if scale is None:
        return f"{channel}: not calibrated."
    way = "with" if scale.sign > 0 else "against"
    return f"{channel.capitalize()}: zero at {scale.zero_counts:.1f} counts, counts grow {way} the angle."
