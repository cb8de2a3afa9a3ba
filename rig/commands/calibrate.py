"""`blankbench calibrate`: from counts to newtons, metres and degrees, one channel at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from analysis.readings import Floats
from rig.calibration import Calibration, TurnScale, latest_calibration, save_calibration
from rig.calibration.geometry import Winch
from rig.calibration.points import KnownWeight, angle_scale, load_scale, tip_scale, travel_scale
from rig.calibration.turning_points import turn_scale
from rig.commands import options
from rig.commands.connect import Baud, Board, Port, board_at
from rig.commands.lengths import parse_length
from rig.errors import CallError, PortError
from rig.settings import Turning, load_settings

Take = Callable[[str, str], Floats]
"""Tells the person what to do, waits for Enter, and gives the raw counts of a channel."""


def calibrate(
    channel: Annotated[
        Literal["load", "travel", "angle", "tip"],
        typer.Argument(
            help="load: zero and one known weight. travel: two known positions. angle, tip: zero and sense."
        ),
    ],
    port: Port = None,
    baud: Baud = None,
    weight: Annotated[
        float | None, typer.Option("--weight", metavar="GRAMS", min=1.0, help="load: the known weight.")
    ] = None,
    distance: Annotated[
        float | None,
        typer.Option(
            "--distance",
            metavar="LENGTH",
            parser=parse_length,
            help="travel: how far the second position is from the first; on a winch, along the string.",
        ),
    ] = None,
    tolerance: Annotated[
        float,
        typer.Option(
            "--tolerance", min=0.0, help="How sure the known value is, ±: grams, millimetres or degrees."
        ),
    ] = 0.0,
    seconds: Annotated[float, typer.Option("--seconds", min=0.5, help="How long to read each time.")] = 3.0,
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Folder of calibrations (default: the shop's)."),
    ] = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Calibrate one channel of the rig; the result is dated and kept in every run.

    Example: blankbench calibrate load --weight 200 --tolerance 0.5
    """
    settings = load_settings(settings_file)
    if channel == "load" and weight is None:
        raise CallError("--weight is missing", "give the known weight in grams, as in --weight 200")
    if channel == "travel" and distance is None:
        raise CallError(
            "--distance is missing", "give how far apart the two positions are, as in --distance 400mm"
        )
    folder = into or Path(settings.shop.calibrations)
    with board_at(port, baud, settings) as board:
        take = _taker(board, channel, seconds)
        before = latest_calibration(folder) or Calibration()
        fresh = make(
            channel, take, before,
            weight_kg=(weight or 0.0) * 1e-3,
            distance_m=distance or 0.0,
            tolerance=tolerance,
            gravity_m_s2=settings.shop.gravity_m_s2,
            turning=settings.travel,
            wraps_at=_wraps_at(board, channel),
        )  # fmt: skip
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
        zero = take("load", "Take everything off the load cell")
        hung = take(
            "load", f"Hang the weight of {weight_kg * 1e3:g} g where the tip pulls, and let it come to rest"
        )
        known = KnownWeight(weight_kg, hung, tolerance * 1e-3)
        return replace(before, load=load_scale(zero, [known], gravity_m_s2=gravity_m_s2))
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
    if channel == "load" and (load := calibration.load) is not None:
        sure = "" if load.scale_ci95 is None else f" ± {100.0 * load.scale_ci95:.2g} %"
        zero = "" if load.zero_ci95_N is None else f", zero ± {1e3 * load.zero_ci95_N:.2g} mN"
        return f"Load: {1e6 * load.N_per_count:.5g} µN a count{sure}{zero}."
    if channel == "travel" and (travel := calibration.travel) is not None:
        if isinstance(travel, TurnScale):
            turns = travel.geometry
            if isinstance(turns, Winch):
                return (
                    f"Travel: drum radius {1e3 * turns.drum_radius_m:.2f} ± {1e3 * turns.drum_ci95_m:.2g} mm."
                )
            return f"Travel: arm {1e3 * turns.arm_m:.1f} ± {1e3 * turns.arm_ci95_m:.2g} mm to the roller."
        sure = "" if travel.scale_ci95 is None else f" ± {100.0 * travel.scale_ci95:.2g} %"
        return f"Travel: {1e6 * travel.m_per_count:.5g} µm a count{sure}."
    scale = calibration.angle if channel == "angle" else calibration.tip
    if scale is None:
        return f"{channel}: not calibrated."
    way = "with" if scale.sign > 0 else "against"
    return f"{channel.capitalize()}: zero at {scale.zero_counts:.1f} counts, counts grow {way} the angle."


def _taker(board: Board, channel: str, seconds: float) -> Take:
    known = {c.name: c for c in board.hello.channels}
    if channel not in known:
        raise PortError(
            f"{board.hello.device} has no channel {channel}, only {', '.join(known)}",
            "calibrate one of those, or add the sensor to the board",
        )
    if not known[channel].in_counts:
        raise PortError(
            f"{board.hello.device} sends {channel} in {known[channel].unit} already",
            "there is nothing to calibrate here",
        )

    def take(name: str, what: str) -> Floats:
        typer.prompt(f"{what}, then press Enter", default="", show_default=False, prompt_suffix=" ", err=True)
        return board.capture(seconds)[name]

    return take
