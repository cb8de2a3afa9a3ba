"""`blankbench sniff`: learn how a sketch's lines are read, and write it into the settings."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from rig.commands import options
from rig.commands.connect import Baud, Port
from rig.errors import CallError, FileError, PortError
from rig.line.mapping import NAMES, PlainMapping, unit_called
from rig.line.plain import PlainDecoder
from rig.line.record import Reading
from rig.line.sniff import Proposal, learnt
from rig.line.sniff import sniff as propose
from rig.port.link import COMMON_BAUDS, list_ports, open_link, seen
from rig.settings import edit_settings, load_settings, settings_path

_SHOWN = 3


def sniff(
    port: Port = None,
    baud: Baud = None,
    seconds: Annotated[float, typer.Option("--seconds", min=0.5, help="How long to listen.")] = 4.0,
    column: Annotated[
        list[str] | None,
        typer.Option(
            "--column",
            metavar="NAME=COLUMN[:UNIT]",
            help="What the text does not tell: load=2:g, angle=3:deg, load=2 for raw counts. Repeatable.",
        ),
    ] = None,
    from_: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE", help="Look at text that was captured before, not at a port."),
    ] = None,
    settings_file: options.SettingsFile = None,
    as_json: options.AsJson = False,
) -> None:
    """Find out what a sketch prints, so that record takes its lines.

    Example: blankbench sniff --port /dev/ttyUSB0
    """
    settings = load_settings(settings_file)
    if from_ is not None:
        data, rate, took = _captured(from_), baud, None
        source = str(from_)
    else:
        source = port or settings.rig.port or _only_port()
        data, rate, took = _listened(source, baud, seconds)
    found = propose(data, took)
    if found is None:
        raise PortError(
            f"{source} prints nothing that holds numbers in a row of lines",
            "print one line a reading, such as  load: 84000, angle: 1024",
        )
    interactive = sys.stdin.isatty() and sys.stderr.isatty()
    if interactive:
        _show(found, data)
    if column:
        found = _as_told(found, column)
    elif found.questions and interactive and from_ is None:
        found = _led(found, lambda: _listened(source, rate, seconds)[0])
    unnamed = {c.name for c in found.columns} <= {None, "time"}
    if unnamed or (found.questions and not column and _unclear(found)):
        raise CallError(found.questions[0] if found.questions else "no column is named", _how(found))
    mapping = found.mapping(rate)
    place = settings.path or settings_path()
    edit_settings(place, {"sketch": mapping.to_table()})
    checked = _parsed(mapping, data)
    if not interactive and not as_json:
        _show(found, data)
    if as_json:
        options.print_json(_document(source, rate, found, mapping, checked, place))
        return
    say = options.out()
    say.print(f"{checked} lines read so; written into {place}", markup=False, soft_wrap=True)
    say.print("Without a check sum a line counts if it is plausible. Next: blankbench record", markup=False)


def _only_port() -> str:
    found = list_ports()
    if len(found) != 1:
        what = "there are several serial ports" if found else "no port is named"
        raise PortError(what, f"name one with --port; {seen(found)}")
    return found[0].url


def _captured(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileError(path, None, f"the text cannot be read ({error.strerror})", "check the name") from None


def _listened(port: str, baud: int | None, seconds: float) -> tuple[bytes, int | None, float]:
    """Listen at the rate that is named, else at the usual ones until text comes."""
    rates: tuple[int | None, ...] = (baud,) if baud else tuple(COMMON_BAUDS)
    if "://" in port or Path(port).as_posix().startswith("/dev/pts/"):
        rates = (baud,)  # no rate has a meaning there
    latest = b""
    for rate in rates:
        data, took = _heard(port, rate, seconds)
        if propose(data, took) is not None:
            return data, rate, took
        latest = data or latest
    if not latest:
        raise PortError(
            f"nothing came from {port} in {seconds:g} s",
            "is the board powered, its sketch running, and its serial monitor closed?",
        )
    return latest, rates[0], seconds


def _heard(port: str, rate: int | None, seconds: float) -> tuple[bytes, float]:
    """Take what comes; the time runs from the first byte."""
    out = bytearray()
    with open_link(port, rate or 115200) as link:
        begun = time.monotonic()
        first = None
        while time.monotonic() - (first or begun) < seconds:
            data = link.read()
            if data and first is None:
                first = time.monotonic()  # what waited in the buffer is of before
                continue
            out += data
    return bytes(out), time.monotonic() - (first or begun)


def _as_told(found: Proposal, texts: list[str]) -> Proposal:
    """Take what the call says of the columns."""
    names: dict[int, Any] = {}
    units: dict[int, str] = {}
    for text in texts:
        name, equals, rest = (part.strip() for part in text.partition("="))
        place, _, unit = rest.partition(":")
        at = _place(found, place.strip())
        if not equals or name not in NAMES or at is None:
            raise CallError(f"--column {text} names no column of these lines", _how(found))
        if unit and unit != "counts" and unit_called(name, unit) is None:
            raise CallError(f"--column {text}: {unit} is no unit of it", "use N, g, kg, oz, deg, mm, ms …")
        names[at] = name
        units[at] = unit
    return _with_units(found.named(names), units)


def _with_units(found: Proposal, units: dict[int, str]) -> Proposal:

    columns = [
        replace(each, unit="" if units.get(at) == "counts" else units.get(at) or each.unit)
        for at, each in enumerate(found.columns)
    ]
    return replace(found, columns=tuple(columns))


def _place(found: Proposal, text: str) -> int | None:
    for at, each in enumerate(found.columns):
        if text and text.lower() == each.label:
            return at
    if text.isdigit() and 1 <= int(text) <= len(found.columns):
        return int(text) - 1
    return None


def _led(found: Proposal, listen: Callable[[], bytes]) -> Proposal:
    """Have the builder turn the chuck and press the tip, and see what moves."""
    seen_so: list[list[Any]] = []
    for words in (
        "Leave everything at rest, then press Enter",
        "Turn the chuck slowly, the tip free, while I listen; press Enter to begin",
        "Leave the chuck, and press the tip again and again; press Enter to begin",
    ):
        typer.prompt(words, default="", show_default=False, err=True)
        now = propose(listen())
        if now is None or len(now.columns) != len(found.columns):
            raise PortError("the lines have changed while they were looked at", "run sniff again")
        seen_so.append([each.values for each in now.columns])
    told = learnt(*seen_so)
    return found.named(dict(told)) if told else found


def _unclear(found: Proposal) -> bool:
    """Tell whether what is open touches load or angle; a unit that a calibration tells is not open."""
    return any("names no unit: calibrate" not in question for question in found.questions)


def _how(found: Proposal) -> str:
    shown = ", ".join(
        f"{at + 1}{' ' + each.label if each.label else ''} ({each.values[0]:g})"
        for at, each in enumerate(found.columns[:8])
    )
    return f"say it, as in --column load=1:g --column angle=2:deg; columns: {shown}"


def _parsed(mapping: PlainMapping, data: bytes) -> int:
    source = PlainDecoder(mapping, clock=lambda: 0.0)
    return sum(isinstance(record, Reading) for record in source.feed(data))


def _show(found: Proposal, data: bytes) -> None:
    """Show what was parsed beside the raw text, on stderr."""
    say = options.messages()

    def line(text: str) -> None:
        say.print(text, markup=False, highlight=False, soft_wrap=True)

    raw = [text for text in data.decode("utf-8", "replace").splitlines()[1:] if text.strip()]
    for text in raw[:_SHOWN]:
        line(f"  raw:   {''.join(sign if sign.isprintable() else ' ' for sign in text)[:100]}")
    for at, each in enumerate(found.columns):
        values = each.values[np.isfinite(each.values)]
        span = f"{values.min():g} … {values.max():g}" if values.size else "nothing"
        name = each.name or "not taken"
        line(f"  column {at + 1}{' ' + each.label if each.label else ''}: {span} {each.unit} → {name}")
    for text in found.ignored:
        line(f"  passed over: {text}")
    for question in found.questions:
        line(f"  ? {question}")


def _document(
    source: str, rate: int | None, found: Proposal, mapping: PlainMapping, checked: int, place: Path
) -> dict[str, Any]:
    units = {(field.line, field.index): field.unit for field in mapping.fields}
    return {
        "port": source,
        "baud": rate,
        "rate_hz": mapping.rate_hz,
        "separator": mapping.separator,
        "decimal": mapping.decimal,
        "columns": [
            {
                "column": at + 1,
                "label": each.label,
                "name": each.name,
                "unit": units.get((each.line, each.index)),
            }
            for at, each in enumerate(found.columns)
        ],
        "lines": checked,
        "explained": found.explained,
        "passed_over": list(found.ignored),
        "questions": list(found.questions),
        "file": str(place),
    }
