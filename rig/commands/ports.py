"""`blankbench ports`: which serial ports this computer has."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table

from rig.commands import options
from rig.line import Decoder
from rig.port.handshake import identify
from rig.port.link import list_ports, open_link


def ports(
    ask: Annotated[
        str | None,
        typer.Option("--ask", metavar="PORT", help="Open this port and ask the board behind it who it is."),
    ] = None,
    baud: Annotated[int, typer.Option("--baud", min=300, help="Baud rate for --ask.")] = 115200,
    as_json: options.AsJson = False,
) -> None:
    """List the serial ports, or ask one who is behind it.

    Example: blankbench ports --ask /dev/ttyUSB0
    """
    if ask is not None:
        with open_link(ask, baud) as link:
            hello = identify(link, Decoder(), baud=baud if "://" not in ask else None).hello
        channels = {channel.name: channel.unit for channel in hello.channels}
        if as_json:
            options.print_json(
                {
                    "port": ask,
                    "device": hello.device,
                    "rate_hz": hello.rate_hz,
                    "channels": channels,
                    "drive": hello.drive,
                }
            )
        else:
            options.out().print(
                f"{hello.device} at {hello.rate_hz:g} readings a second: "
                + ", ".join(f"{name} in {unit}" for name, unit in channels.items()),
                markup=False,
            )
        return
    found = list_ports()
    if as_json:
        options.print_json(
            [
                {"port": port.url, "description": port.description, "serial_number": port.serial_number}
                for port in found
            ]
        )
    elif not found:
        options.out().print("No serial port is seen here. Plug the board in, and try another cable.")
    else:
        table = Table("port", "what it says it is", box=None)
        for port in found:
            table.add_row(port.url, port.description)
        options.out().print(table)
