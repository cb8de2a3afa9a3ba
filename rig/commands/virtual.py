"""`blankbench virtual`: a simulated rig on a real port, for trying things out."""

from __future__ import annotations

import signal
import threading
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from rig.calibration import save_calibration
from rig.commands import options
from rig.errors import CallError
from rig.virtual import Flex, Gear, Roll, Step, Still, VirtualRig, example_blanks, load_blanks
from rig.virtual.gear import example_arm, example_winch


def virtual(
    do: Annotated[
        Literal["roll", "flex", "still"],
        typer.Argument(help="What the hand at the bench does, over and over."),
    ] = "roll",
    blanks: Annotated[
        Path | None,
        typer.Option("--blanks", metavar="FILE", help="Blanks file (default: the one that ships)."),
    ] = None,
    blank: Annotated[
        str | None, typer.Option("--blank", help="Which of them is in the chuck (default: the first).")
    ] = None,
    mount: Annotated[
        float,
        typer.Option(
            "--mount", metavar="DEG", help="Blank angle that faces the pull when the chuck reads 0."
        ),
    ] = 0.0,
    side: Annotated[
        float, typer.Option("--side", metavar="DEG", help="flex: blank angle that faces the pull.")
    ] = 0.0,
    travel: Annotated[
        float | None,
        typer.Option(
            "--travel",
            metavar="M",
            min=0.01,
            help="How far the tip is taken (default: a quarter of the free length, a third for flex).",
        ),
    ] = None,
    hung: Annotated[
        float, typer.Option("--hung", metavar="GRAMS", min=0.0, help="still: weight on the load cell.")
    ] = 0.0,
    rate: Annotated[int, typer.Option("--rate", min=1, max=10000, help="Readings a second.")] = 80,
    speed: Annotated[
        float, typer.Option("--speed", min=0.01, help="Board seconds a second; 1 is real time.")
    ] = 1.0,
    kind: Annotated[
        Literal["counter", "winch", "arm"],
        typer.Option(
            "--rig",
            help="How it reads the travel: a counter along the pull, or the angle of a winch's drum or of a "
            "swing arm (flex only).",
        ),
    ] = "counter",
    speak: Annotated[
        Literal["protocol", "plain"],
        typer.Option("--speak", help="The line protocol, or labelled text as a hobby sketch prints it."),
    ] = "protocol",
    seed: Annotated[int, typer.Option("--seed", help="Same seed, same readings.")] = 1,
    port: Annotated[
        Literal["auto", "pty", "socket"],
        typer.Option("--port", help="Kind of port: a terminal of the system, or TCP on this computer."),
    ] = "auto",
    tcp_port: Annotated[
        int, typer.Option("--tcp-port", min=0, max=65535, help="For a socket; 0 takes a free one.")
    ] = 0,
    keep_calibration: Annotated[
        Path | None,
        typer.Option(
            "--keep-calibration",
            metavar="FOLDER",
            help="Also write this rig's calibration there, so that record needs none of its own.",
        ),
    ] = None,
    example: Annotated[
        bool,
        typer.Option(
            "--example", help="Print the blanks file that ships, as a start for your own, and stop."
        ),
    ] = False,
) -> None:
    """Start a simulated rig and print its port; Ctrl-C stops it.

    Example: blankbench virtual roll --blank P-1, then in another window: blankbench record roll --port PORT
    """
    if example:
        typer.echo(example_blanks(), nl=False)
        return
    known = load_blanks(blanks)
    names = [item.name for item in known]
    chosen = blank or names[0]
    if chosen not in names:
        raise CallError(f"there is no blank {chosen} in the blanks file", f"name one of {', '.join(names)}")
    item = known[names.index(chosen)]
    reach = travel or item.free_length * (0.25 if do == "roll" else 0.33)
    step: Step = Still(hung_kg=hung * 1e-3, travel_m=travel or 0.0)
    if do == "roll":
        step = Roll(reach)
    elif do == "flex":
        step = Flex(reach, roll_deg=side)
    gear = Gear()
    if kind != "counter":
        gear = Gear(geometry=(example_winch if kind == "winch" else example_arm)(item.free_length))
    with VirtualRig(
        known,
        seed=seed,
        rate_hz=rate,
        speed=speed,
        gear=gear,
        port=port,
        tcp_port=tcp_port,
        streaming=False,
        speaks=speak,
    ) as rig:
        try:
            rig.bench.mount(chosen, mount)
            task = rig.bench.do(step)
        except ValueError as error:
            raise CallError(str(error), "change --travel, --rig or what the hand does") from error
        if keep_calibration is not None:
            save_calibration(rig.bench.gear.calibration(f"{datetime.now():%Y-%m-%dT%H:%M}"), keep_calibration)
        if threading.current_thread() is threading.main_thread():
            # A shell's background job is started deaf to Ctrl-C; a rig must stop when it is told to.
            signal.signal(signal.SIGINT, signal.default_int_handler)
        console = options.out()
        console.print(rig.url, markup=False, highlight=False, soft_wrap=True)
        told = options.messages()
        told.print(
            f"{chosen} is in the chuck, free length {item.free_length:g} m. Ctrl-C stops the rig.",
            markup=False,
        )
        try:
            while True:
                if task.wait(0.5):
                    task = rig.bench.do(step)
        except KeyboardInterrupt:
            told.print("stopped")
