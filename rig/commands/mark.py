"""`blankbench mark`: guide the hand to the angle that gets the tape."""

from __future__ import annotations

import math
import time
from typing import Annotated, Literal

import numpy as np
import typer
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from analysis.angles import wrap
from analysis.roll.mark import Aim, Guidance
from analysis.roll.result import RollResult
from rig.commands import options
from rig.commands.connect import Baud, Board, CalibrationFile, Port, board_at, calibration_in_force
from rig.commands.recording import interrupted, state_cautions
from rig.errors import CallError, PortError
from rig.line import Command, Reading
from rig.recording.channels import can_read, converter, require
from rig.recording.recorder import Convert
from rig.settings import load_settings
from rig.workup.one_run import read_runs, work_roll

Place = Literal["mark", "stiff", "stiff-back", "soft", "soft-back", "snap", "snap-2"]
"""What can be aimed at; ``-back`` is the other end of a plane."""
_PATIENCE_S = 10.0
_FRAME_S = 0.1
_ALARM_EVERY_S = 1.0
_RELEASE = "load limit passed: release the blank"


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
    chuck: options.ChuckChoice = None,
    settings_file: options.SettingsFile = None,
) -> None:
    """Guide the hand to the angle that gets the tape: which way to turn, how far, and when it is there.

    Example: blankbench mark runs/A-03_roll.csv --at mark
    """
    settings = options.with_chuck(load_settings(settings_file), chuck)
    (rolled,) = read_runs(options.expand([run]), "roll")
    work = work_roll(rolled, settings, rule=rule)
    target = target_of(work.result, at)
    header = rolled.header
    with board_at(port, baud, settings) as board:
        force = calibration_in_force(calibration, settings)
        require(board.hello, force, ("angle",))
        console = options.messages()
        limit = settings.rig.load_limit_N if can_read(board.hello, force, "load") else None
        state_cautions(console, limit, "Ctrl-C ends it.")
        convert = converter(board.hello, force, header.mount_deg if mount is None else mount)
        aim = Aim(target, limit_N=math.inf if limit is None else limit)
        alarm = _Alarm(console)
        with interrupted() as ctrl_c, Live(console=console, transient=True, auto_refresh=False) as live:
            begun = drawn = time.monotonic()
            last = begun
            guidance, roll = Guidance("hold", math.nan, False), math.nan
            say(board, "start")
            while not guidance.steady and not ctrl_c():
                now = time.monotonic()
                if seconds is not None and now - begun > seconds:
                    break
                seen, load = _fresh(board, convert)
                if math.isfinite(seen):
                    roll, last = seen, now
                if math.isfinite(seen) or math.isfinite(load):
                    guidance = aim.see(seen, now, load)
                if alarm.raise_if(guidance.over_limit, now) and board.hello.drive:
                    say(board, "stop")
                if now - last > _PATIENCE_S:
                    raise PortError(
                        f"{board.link.url} sends no angle", "look at the angle sensor and its magnet"
                    )
                if console.is_terminal and now - drawn >= _FRAME_S:
                    drawn = now
                    live.update(panel(header.blank, at, target, roll, guidance), refresh=True)
            say(board, "stop")
    if as_json:
        options.print_json(
            {
                "blank": header.blank,
                "at": at,
                "target_deg": wrap(math.degrees(target), 360.0),
                "roll_deg": wrap(math.degrees(roll), 360.0) if math.isfinite(roll) else None,
                "steady": guidance.steady,
                "over_limit": alarm.raised,
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


def say(board: Board, word: Literal["start", "stop"]) -> None:
    """Say one word to the board, if it takes commands."""
    line = board.source.say(Command(word))
    if line is not None:
        board.link.write(line)


class _Alarm:
    """Rings while the load is past the limit; says so once where there is no screen."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._rung_s = -math.inf
        self._over = False
        self.raised = False

    def raise_if(self, over: bool, now_s: float) -> bool:
        """Take whether the load is past the limit; True where it has just passed it."""
        new = over and not self._over
        self._over = over
        self.raised = self.raised or over
        if new and not self._console.is_terminal:
            self._console.print(_RELEASE, markup=False)
        if over and self._console.is_terminal and now_s - self._rung_s >= _ALARM_EVERY_S:
            self._rung_s = now_s
            self._console.bell()
        return new


def _fresh(board: Board, convert: Convert) -> tuple[float, float]:
    """Latest blank angle, rad, and largest load, N, of the readings that came in; nan where none came."""
    readings = [record for record in board.source.feed(board.link.read()) if isinstance(record, Reading)]
    if not readings:
        return math.nan, math.nan
    raw = {
        name: np.array([math.nan if value is None else float(value) for value in column])
        for name, column in zip(
            board.hello.names, zip(*(reading.values for reading in readings), strict=True), strict=True
        )
    }
    columns = convert(raw)
    angles = columns["roll_deg"][np.isfinite(columns["roll_deg"])]
    loads = columns.get("load_N", np.array([]))
    loads = loads[np.isfinite(loads)]
    return (
        math.radians(float(angles[-1])) if angles.size else math.nan,
        float(loads.max()) if loads.size else math.nan,
    )


def panel(blank: str, at: str, target: float, roll: float, guidance: Guidance) -> RenderableType:
    """Big and plain: which way to turn, and how far."""
    if guidance.over_limit:
        words, style = _RELEASE.upper(), "bold white on red"
    elif math.isnan(guidance.away):
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
