"""What stands on the screen while a run is recorded: a plain snapshot in, a renderable out.

The panel keeps its height and the places of its numbers from one snapshot to the next, so that nothing
jumps under a builder's eyes. It reads no clock and keeps no state: the caller draws it as often as it likes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from analysis.angles import wrap
from analysis.estimate import Estimate
from analysis.show import wording as say
from analysis.show.rounding import CANNOT_TELL, plain_quantity, show_direction, show_plane
from analysis.units import System, display

_FULL: Final = {False: "█", True: "#"}
_EMPTY: Final = {False: "░", True: "."}
_HERE: Final = {False: "▲", True: "^"}
_NEAR_LIMIT: Final = 0.8
_DEG: Final = math.degrees(1.0)


@dataclass(frozen=True, slots=True)
class LiveSnapshot:
    """Everything the screen shows at one moment of a recording."""

    blank: str
    """Name of the blank."""
    kind: Literal["roll", "flex"]
    """What is being recorded."""
    status: str
    """What the builder should do or what is going on, one short sentence."""
    time_s: float = 0.0
    """Since the recording began, s."""
    readings: int = 0
    """Readings kept so far."""
    rate_hz: float | None = None
    """Readings a second, lately."""
    lost: int = 0
    """Readings known to be missing."""
    load_N: float | None = None
    """Latest load along the pull, N."""
    load_limit_N: float | None = None
    """Where the alarm goes off, N."""
    travel_m: float | None = None
    """Latest travel, m."""
    roll: float | None = None
    """Blank angle that faces the pull now, rad."""
    covered: Sequence[bool] = ()
    """The turn in equal parts from blank angle 0 on, True where there are readings."""
    turns: float = 0.0
    """Turns rolled in all, both directions added up."""
    plane: Estimate | None = None
    """Stiff plane so far, rad; None while it cannot be told."""
    mark: Estimate | None = None
    """Mark so far, rad; None while it cannot be told."""
    target_ci95: float = math.radians(1.0)
    """Half-width at which the run is enough, rad."""
    enough: bool = False
    """True once the half-width has reached the target."""
    alarm: str = ""
    """A fault that must be seen at once; empty while all is well."""

    @property
    def covered_part(self) -> float:
        """Covered part of the turn, 0 to 1."""
        return sum(map(bool, self.covered)) / len(self.covered) if self.covered else 0.0

    @property
    def past_limit(self) -> bool:
        """True if the load is past its limit."""
        return (
            self.load_N is not None
            and self.load_limit_N is not None
            and math.isfinite(self.load_N)
            and abs(self.load_N) > self.load_limit_N
        )


@dataclass(frozen=True, slots=True)
class TurnBar:
    """The turn unrolled over the width at hand: what is covered, and where the blank stands now."""

    covered: Sequence[bool]
    """The turn in equal parts, True where there are readings."""
    roll: float | None
    """Blank angle that faces the pull now, rad."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield three lines: bar, pointer, degrees."""
        width = max(8, options.max_width)
        plain = options.ascii_only
        # A cell is full only if all of its part of the turn is covered: no gap is painted over.
        cells = "".join(_FULL[plain] if full else _EMPTY[plain] for full in resample(self.covered, width))
        yield Text(cells, style="cyan", no_wrap=True, overflow="crop")
        at = None
        if self.roll is not None and math.isfinite(self.roll):
            at = min(int(wrap(self.roll) / (2.0 * math.pi) * width), width - 1)
        yield Text(" " * at + _HERE[plain] if at is not None else " ", style="bold", no_wrap=True)
        scale = [" "] * width
        for degrees in (0, 90, 180, 270, 360):
            word = f"{degrees}°"
            middle = round(degrees / 360.0 * width)
            start = min(max(0, middle - len(word) // 2), width - len(word))
            scale[start : start + len(word)] = word
        yield Text("".join(scale), style="dim", no_wrap=True, overflow="crop")


def live_panel(snapshot: LiveSnapshot, *, units: System = "metric") -> RenderableType:
    """Draw a snapshot: status, load against its limit, angle or travel, rate, coverage, result so far."""
    parts: list[RenderableType] = [_status(snapshot, units), _numbers(snapshot, units)]
    if snapshot.kind == "roll":
        parts.append(
            Text(f"covered {100.0 * snapshot.covered_part:.0f} % of the turn, {snapshot.turns:.1f} turns")
        )
        parts.append(TurnBar(snapshot.covered, snapshot.roll))
        parts.append(_so_far(snapshot))
    alarmed = bool(snapshot.alarm) or snapshot.past_limit
    title = Text(f" {'Rolling' if snapshot.kind == 'roll' else 'Flexing'} {say.label(snapshot.blank, 30)} ")
    return Panel(Group(*parts), title=title, border_style="bold red" if alarmed else "cyan", padding=(0, 1))


def resample(covered: Sequence[bool], width: int) -> list[bool]:
    """Bring the parts of a turn to `width` cells; a cell is full if every part that touches it is.

    Examples
    --------
    >>> resample([True, True, False, True], 2)
    [True, False]
    """
    count = len(covered)
    if count == 0:
        return [False] * width
    cells = []
    for cell in range(width):
        first = cell * count // width
        last = max(first + 1, -(-(cell + 1) * count // width))
        cells.append(all(covered[first:last]))
    return cells


def _status(snapshot: LiveSnapshot, units: System) -> Text:
    if snapshot.past_limit and snapshot.load_limit_N is not None:
        limit = plain_quantity(snapshot.load_limit_N, "load", units)
        return Text(f"RELEASE THE LOAD: it is past the limit of {limit}", style="bold white on red")
    if snapshot.alarm:
        return Text(say.label(snapshot.alarm, 200), style="bold white on red")
    return Text(say.label(snapshot.status, 200), style="bold")


def _numbers(snapshot: LiveSnapshot, units: System) -> Table:
    """Four numbers, each in a place of its own width."""
    table = Table.grid(expand=True, padding=(0, 2, 0, 0))
    for _ in range(4):
        table.add_column(no_wrap=True, ratio=1)
    load = display("load", units)
    value = _number(snapshot.load_N, load.per_si, load.decimals)
    limit = (
        ""
        if snapshot.load_limit_N is None
        else f", max {plain_quantity(snapshot.load_limit_N, 'load', units)}"
    )
    if snapshot.kind == "roll":
        angle = None if snapshot.roll is None or not math.isfinite(snapshot.roll) else wrap(snapshot.roll)
        second = ("angle", f"{_number(angle, _DEG, 1)}°")
    else:
        how = display("small length" if units == "metric" else "length", units)
        second = ("travel", f"{_number(snapshot.travel_m, how.per_si, how.decimals)} {how.symbol}")
    lost = f"{snapshot.lost:d} lost" if snapshot.lost else "none lost"
    heads = ("load", second[0], "rate", "readings")
    cells = (
        Text(f"{value} {load.symbol}", style=_load_style(snapshot)),
        Text(second[1], style="bold"),
        Text(f"{_number(snapshot.rate_hz, 1.0, 0)} /s"),
        Text(f"{snapshot.readings:d}, {lost}", style="bold yellow" if snapshot.lost else ""),
    )
    table.add_row(*(Text(head + (limit if head == "load" else ""), style="dim") for head in heads))
    table.add_row(*cells)
    return table


def _load_style(snapshot: LiveSnapshot) -> str:
    if snapshot.past_limit:
        return "bold red"
    load, limit = snapshot.load_N, snapshot.load_limit_N
    near = load is not None and limit is not None and abs(load) > _NEAR_LIMIT * limit
    return "bold yellow" if near else "bold"


def _so_far(snapshot: LiveSnapshot) -> Text:
    plane, mark = show_plane(snapshot.plane), show_direction(snapshot.mark)
    words = Text(f"so far: stiff plane {plane.text}, mark {mark.text}")
    if snapshot.enough:
        words.append("  ENOUGH", style="bold green")
    elif plane.text != CANNOT_TELL or mark.text != CANNOT_TELL:
        words.append(f"  (enough at ± {snapshot.target_ci95 * _DEG:.2g}°)", style="dim")
    else:
        words.append("  (roll on)", style="dim")
    return words


def _number(value: float | None, factor: float, decimals: int) -> str:
    """Write a number in a fixed width; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return f"{'-':>7}"
    return f"{value * factor:>7.{decimals}f}"
