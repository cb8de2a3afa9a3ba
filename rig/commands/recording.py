"""A recording as a person sees it: cautions first, a live screen, Ctrl-C as an ordinary end."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import current_thread, main_thread
from types import FrameType

import numpy as np
from rich.console import Console
from rich.panel import Panel
from rich.text import Text

from analysis.readings import Floats
from analysis.roll.result import MarkRule
from analysis.units import System
from rig.calibration import Calibration
from rig.commands.connect import Board
from rig.commands.watch import Screen
from rig.errors import PortError
from rig.recording.channels import converter
from rig.recording.recorder import Phase, Recorder, Snapshot, drive
from rig.runs import Header, RunFolder, RunWriter

CAUTIONS = (
    "Wear eye protection. Stand clear of the tip and of the line of pull.",
    "A bent blank stores energy and can break without warning.",
    "Stay below the maker's limits; bend slowly, and no further than the run needs.",
    "Your shop's own safety practice comes first.",
)
"""Stated once before the blank is bent."""


def state_cautions(
    console: Console, limit_N: float | None, ends: str = "Ctrl-C ends the recording; nothing is lost."
) -> None:
    """State what can happen with a bent blank, and the load past which the alarm sounds.

    Parameters
    ----------
    console : Console
        Where to.
    limit_N : float or None
        The load limit, N; None where this rig cannot read the load.
    ends : str
        How the person ends it.
    """
    alarm = (
        "Nothing watches the load: this rig has no calibrated load cell."
        if limit_N is None
        else f"The alarm sounds past {limit_N:g} N."
    )
    lines = [*CAUTIONS, f"{alarm} {ends}"]
    console.print(
        Panel(Text("\n".join(lines)), title="before you bend it", border_style="yellow", expand=False)
    )


def record_run(
    board: Board,
    header: Header,
    calibration: Calibration,
    folder: RunFolder,
    console: Console,
    *,
    units: System,
    limit_N: float,
    done: Callable[[Snapshot], str | None],
    rule: MarkRule = "snap",
) -> tuple[Snapshot, Path]:
    """Record one run, watched on the console.

    Parameters
    ----------
    board : Board
        An open port whose board has said hello.
    header : Header
        What is known before the first reading. The start, the rig, the calibration and, where the rig reads
        them, the held travel or the side that faces the pull are filled in here.
    calibration : Calibration
        In force.
    folder : RunFolder
        Where the run goes.
    console : Console
        For the live screen.
    units : {"metric", "imperial"}
        Shown units.
    limit_N : float
        Load past which the alarm is raised.
    done : callable
        Gives the reason to end, or None.
    rule : {"snap", "snap-back", "stiff", "soft"}
        The shop's rule for the mark, shown so far.

    Returns
    -------
    snapshot, path
        How it ended, and the run file.

    Raises
    ------
    PortError
        If no reading came, or the port went away (what came is kept and named).
    """
    leave_out = ["tip_deg"] if header.kind == "roll" else ["roll_deg"]
    if header.held_travel_m is not None:
        leave_out.append("travel_m")

    def open_run(first: Mapping[str, Floats]) -> RunWriter:
        now = datetime.now(UTC)
        tables = {
            "rig": {
                "device": board.hello.device,
                "rate_hz": board.hello.rate_hz,
                "load_limit_N": limit_N,
                **header.tables.get("rig", {}),
            },
            "calibration": calibration.to_tables(),
        }
        whole = replace(header, started=f"{now:%Y-%m-%dT%H:%M:%SZ}", tables={**header.tables, **tables})
        if header.kind == "roll" and header.held_travel_m is None and header.held_load_N is None:
            whole = replace(whole, held_travel_m=_middle(first["travel_m"], "travel"))
        if header.kind == "flex" and header.roll_deg is None:
            side = header.mount_deg
            if calibration.angle is not None and "angle_counts" in first:
                counts = first["angle_counts"]
                side = float(calibration.angle.apply(counts[np.isfinite(counts)][:1], header.mount_deg)[0])
            whole = replace(whole, roll_deg=round(side, 3))
        return RunWriter(folder.new_path(header.blank, header.kind, now), whole, list(first))

    recorder = Recorder(
        board.source,
        board.hello,
        converter(board.hello, calibration, header.mount_deg, leave_out),
        open_run,
        load_limit_N=limit_N,
        clock=time.monotonic,
    )
    with interrupted() as ctrl_c, Screen(console, header, limit_N, units, rule) as screen:
        try:
            snapshot = drive(
                board.link,
                recorder,
                watch=lambda now: screen.show(now, recorder.fresh, time.monotonic()),
                done=lambda now: "ended by hand" if ctrl_c() else _unless_over(now, done),
                clock=time.monotonic,
            )
        except PortError as error:
            if recorder.writer is None:
                raise
            recorder.finish("the port went away")
            raise PortError(
                error.what, f"what was recorded is a whole run in {recorder.writer.path}"
            ) from error
    if recorder.writer is None:
        raise PortError("the recording was ended before a reading came", "start it again")
    return snapshot, recorder.writer.path


def _unless_over(now: Snapshot, done: Callable[[Snapshot], str | None]) -> str | None:
    """Past the load limit the recording goes on until the load is released, whatever else is done."""
    return None if now.phase is Phase.OVER_LIMIT else done(now)


def _middle(values: Floats, what: str) -> float:
    finite = values[np.isfinite(values)]
    if not finite.size or not float(np.median(finite)) > 0.0:
        raise PortError(f"the {what} reads nothing above zero", f"hold the tip first, or give --{what}")
    return round(float(np.median(finite)), 6)


@contextmanager
def interrupted() -> Iterator[Callable[[], bool]]:
    """Turn Ctrl-C into a question that can be asked: it then never falls between two bytes."""
    pressed = False

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal pressed
        pressed = True

    if current_thread() is not main_thread():
        yield lambda: False
        return
    before = signal.signal(signal.SIGINT, note)
    try:
        yield lambda: pressed
    finally:
        signal.signal(signal.SIGINT, before)
