"""`blankbench mark`: guide the hand to the angle that gets the tape."""

from __future__ import annotations

import math
import time
from typing import Annotated, Literal

import numpy as np
import typer
from rich.console import Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from analysis.angles import wrap
from analysis.roll.aim import Aim, Guidance
from analysis.roll.result import RollResult
from rig.channels import converter, require
from rig.commands import options
from rig.commands.connect import Baud, Board, CalibrationFile, Port, board_at, calibration_in_force
from rig.commands.recording import interrupted, state_cautions
from rig.errors import CallError, PortError
from rig.line import Command, Reading
from rig.recorder import Convert
from rig.settings import load_settings
from rig.workup import read_runs, work_roll

Place = Literal["mark", "stiff", "stiff-back", "soft", "soft-back", "snap", "snap-2"]
"""What can be aimed at; ``-back`` is the other end of a plane."""
_PATIENCE_S = 10.0
_FRAME_S = 0.1


def mark(
    run: Annotated[str, typer.Argument(metavar="RUN", help="A roll run of the blank that is in the chuck.")],
    at: Annotated[
        Place, typer.Option("--at", help="Where to go: the mark, an end of a plane, or a snap position.")
    ] = "mark",
    port: Port = None,
    baud: Baud = None,
    mount: Annotated[
        float | None,
        typer.Option("--mount", metavar="DEG", help="If the blank was chucked again: as in record."),
    ] = None,
    rule: options.Rule = None,
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=0.5, help="Give up after so many seconds.")
    ] = None,
    calibration: CalibrationFile = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Guide the hand to the angle that gets the tape: which way to turn, how far, and when it is there.

    Example: blankbench mark runs/A-03_roll.csv --at mark
    """
    settings = load_settings(settings_file)
    (rolled,) = read_runs([run], "roll")
    work = work_roll(rolled, settings, rule=rule)
    target = target_of(work.result, at)
    header = rolled.header
    with board_at(port, baud, settings) as board:
        force = calibration_in_force(calibration, settings)
        require(board.hello, force, ("angle",))
        console = options.messages()
        state_cautions(console, settings.rig.load_limit_N)
        convert = converter(board.hello, force, header.mount_deg if mount is None else mount)
        aim = Aim(target)
        with interrupted() as ctrl_c, Live(console=console, transient=True, auto_refresh=False) as live:
            begun = drawn = time.monotonic()
            last = begun
            guidance, roll = Guidance("hold", math.nan, False), math.nan
            start = board.source.say(Command("start"))
            if start is not None:
                board.link.write(start)
            while not guidance.steady and not ctrl_c():
                now = time.monotonic()
                if seconds is not None and now - begun > seconds:
                    break
                seen = _latest_angle(board, convert)
                if seen is not None:
                    roll, last = seen, now
                    guidance = aim.see(roll, now)
                elif now - last > _PATIENCE_S:
                    raise PortError(
                        f"{board.link.url} sends no angle", "look at the angle sensor and its magnet"
                    )
                if console.is_terminal and now - drawn >= _FRAME_S:
                    drawn = now
                    live.update(panel(header.blank, at, target, roll, guidance), refresh=True)
            stop = board.source.say(Command("stop"))
            if stop is not None:
                board.link.write(stop)
    if as_json:
        options.print_json(
            {
                "blank": header.blank,
                "at": at,
                "target_deg": wrap(math.degrees(target), 360.0),
                "roll_deg": wrap(math.degrees(roll), 360.0) if math.isfinite(roll) else None,
                "steady": guidance.steady,
            }
        )
        return
    where = f"{math.degrees(target):.1f}°"
    if guidance.steady:
        options.out().print(
            f"There: blank angle {where} faces the pull. The tape goes on the side that faces the pull.",
            markup=False,
        )
    else:
        options.out().print(f"Ended before {where} stood still toward the pull.", markup=False)


def target_of(result: RollResult, at: Place) -> float:
    """Blank angle of a place, rad.

    Raises
    ------
    CallError
        If the run could not tell it.
    """
    found: float | None = None
    if at == "mark":
        found = None if result.mark.angle is None else result.mark.angle.value
    elif at.startswith("snap"):
        rank = 1 if at == "snap-2" else 0
        found = result.snaps[rank].angle.value if len(result.snaps) > rank else None
    elif result.plane_found and result.stiff_plane is not None:
        found = result.stiff_plane.value + (0.5 * math.pi if at.startswith("soft") else 0.0)
        found += math.pi if at.endswith("-back") else 0.0
    if found is None:
        why = result.mark.why if at == "mark" else f"this run tells no {at.removesuffix('-back')}"
        raise CallError(why.rstrip("."), "roll the blank again, or choose another --at")
    return wrap(found)


def _latest_angle(board: Board, convert: Convert) -> float | None:
    """Blank angle of the latest reading that came in, rad; None if none came."""
    latest: Reading | None = None
    for record in board.source.feed(board.link.read()):
        if isinstance(record, Reading):
            latest = record
    if latest is None:
        return None
    raw = {
        name: np.array([math.nan if value is None else float(value)])
        for name, value in zip(board.hello.names, latest.values, strict=True)
    }
    angle = float(convert(raw)["roll_deg"][0])
    return math.radians(angle) if math.isfinite(angle) else None


def panel(blank: str, at: str, target: float, roll: float, guidance: Guidance) -> RenderableType:
    """Big and plain: which way to turn, and how far."""
    if math.isnan(guidance.away):
        words, style = "waiting for the angle", "bold"
    elif guidance.turn == "hold":
        words, style = "HOLD IT THERE", "bold white on green"
    else:
        arrow = "↺" if guidance.turn == "anticlockwise" else "↻"
        words = f"{arrow}  turn {guidance.turn}  {abs(math.degrees(guidance.away)):6.1f}°"
        style = "bold"
    lines = (
        Text(words, style=style, justify="center"),
        Text(
            f"now {math.degrees(roll):6.1f}°   {at} {math.degrees(target):6.1f}°   seen from the butt",
            justify="center",
            style="dim",
        ),
    )
    return Panel(Group(Text(), lines[0], Text(), lines[1]), title=f" {at} of {blank[:30]} ", width=60)
