"""A table by hand, entry by entry: what comes next, what looks wrong, what it says so far, when it is enough.

A state machine without terminal, file or clock: text goes in, what to say comes out. Positions and weights in
any order, with gaps, with repeats; an earlier entry is corrected by entering it again behind ``fix``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from scipy import constants

from analysis.bend import fit_flex
from analysis.bend.by_hand import FEWEST_WEIGHTS, weights_in
from analysis.errors import BlankbenchError
from analysis.readings import FlexReadings, RollReadings, Steps
from analysis.roll import Chuck, fit_roll
from analysis.roll.by_hand import FEWEST, positions
from rig.runs.foreign.cells import Cell, read_cell, read_clock
from rig.runs.foreign.units import Quantity, unit_of

Outcome = Literal["taken", "doubt", "refused", "corrected", "undone", "done"]
"""What became of an entry."""
ENOUGH_PLANE = math.radians(5.0)
"""A plane known to this is marked as well as tape is put on: 0.5 mm on a butt of 12 mm (ours)."""
ENOUGH_LOAD = 0.03
"""A reference load known to this tells two neighbouring power classes apart (ours)."""
_FAR = 8.0
"""An entry that many standard deviations of the prediction from what is expected is asked about."""
_GRAM = 1e-3 * constants.g


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is measured, and how."""

    kind: Literal["roll", "flex"]
    """Roll or flex."""
    free_length_m: float
    """From the chuck's (or the V-block's) face to the tip, m."""
    held_load_N: float | None = None
    """Roll: weight that hangs from the tip, N."""
    held_travel_m: float | None = None
    """Roll: travel at which the tip is held, m, where a scale is read."""
    dial: Literal["clock", "degrees"] = "clock"
    """How positions are said."""
    count: int = 12
    """Roll: positions that are led through."""
    steps: Steps = field(default_factory=Steps)
    """What is read to."""
    chuck: Chuck | None = None
    """What holds the butt: its errors stand in the running answer as they do in that of `spine`."""

    @property
    def read(self) -> Literal["travel", "load"]:
        """What is read at each place."""
        return "load" if self.kind == "roll" and self.held_travel_m is not None else "travel"


@dataclass(frozen=True, slots=True)
class Row:
    """One entry that counts, or one that was taken back."""

    place: float
    """Roll: degrees; flex: load, N."""
    value: float
    """Travel in m, or load in N."""
    withdrawn: bool = False
    """True for an entry that was corrected or taken back: kept, not used."""


@dataclass(frozen=True, slots=True)
class Said:
    """What became of an entry, and the words for it."""

    outcome: Outcome
    """What became of it."""
    words: str
    """Plain, short."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the table says so far."""

    words: str
    """Plain, short; what is missing where nothing can be told."""
    enough: bool
    """True where more readings are not worth the work."""


class Entry:
    r"""A table that is being filled.

    Examples
    --------
    >>> entry = Entry(Sheet("roll", 1.8, held_load_N=3.0))
    >>> entry.due(), entry.take("412").words, entry.due()
    ("12 o'clock", "12 o'clock: 412 mm", "1 o'clock")
    """

    def __init__(self, sheet: Sheet, rows: tuple[Row, ...] = ()) -> None:
        self.sheet = sheet
        self.rows: list[Row] = list(rows)
        """All entries, the withdrawn ones too, in their order."""
        self._doubted: tuple[float, float] | None = None

    @property
    def used(self) -> list[Row]:
        """Entries that count."""
        return [row for row in self.rows if not row.withdrawn]

    # what comes next

    def due(self) -> str:
        """Name the place that comes next."""
        return self.called(self._due())

    def _due(self) -> float:
        if self.sheet.kind == "roll":
            return self._due_position()
        return self._due_weight()

    def _due_position(self) -> float:
        step = 360.0 / self.sheet.count
        there = [row.place for row in self.used]
        counts = [
            sum(_apart(place, step * at) < 0.5 * step for place in there) for at in range(self.sheet.count)
        ]
        return step * counts.index(min(counts))

    def _due_weight(self) -> float:
        """Up in even steps to a quarter of the length, as far as the travel so far tells, then down again."""
        used = self.used
        loads = [row.place for row in used]
        if not loads or max(loads) <= 0.0:
            return 50.0 * _GRAM if used else 0.0
        top = max(used, key=lambda row: row.place)
        reached = top.value / (0.25 * self.sheet.free_length_m)
        going_down = len(loads) > 1 and loads[-1] < max(loads)
        if reached < 0.9 and not going_down and top.value > 0.0:
            # Six steps or so to the reference bend, by the line through what is there.
            whole = top.place / max(reached, 1e-3)
            return _round(min(top.place + whole / 5.0, 2.0 * top.place))
        below = sorted({load for load in loads if load < loads[-1]}, reverse=True)
        return below[0] if below else 0.0

    def called(self, place: float) -> str:
        """Name a place: an hour, an angle or a weight."""
        if self.sheet.kind == "flex":
            return f"{place / _GRAM:.0f} g"
        if self.sheet.dial == "clock":
            hours = place / 30.0
            whole, minutes = divmod(round(60.0 * hours), 60)
            whole = (whole - 1) % 12 + 1
            return f"{whole} o'clock" if minutes == 0 else f"{whole}:{minutes:02d}"
        return f"{place % 360.0:g}°"

    # taking entries

    def take(self, text: str) -> Said:
        """Take what was typed: ``READING``, ``PLACE READING``, ``fix PLACE READING``, ``undo``, ``done``."""
        words = text.replace("=", " ").split()
        if not words or words[0].lower() in ("done", "end", "quit", "stop"):
            return Said("done", "")
        if words[0].lower() == "undo":
            return self._undo()
        fix = words[0].lower() == "fix"
        words = _joined(words[1:] if fix else words)
        if not 1 <= len(words) <= 2 or (fix and len(words) != 2):
            return Said("refused", "type a reading, or a place and a reading, such as  3 412")
        try:
            value = self._value(words[-1])
            place = self._place(words[0]) if len(words) == 2 else self._due()
        except ValueError as error:
            return Said("refused", str(error))
        return self._fix(place, value) if fix else self._add(place, value)

    def _value(self, text: str) -> float:
        read = self.sheet.read
        value = _quantity(text, read, "g" if read == "load" else "mm")
        if read == "travel" and not -0.05 * self.sheet.free_length_m <= value < self.sheet.free_length_m:
            raise ValueError(f"a travel of {1e3 * value:.0f} mm is more than the blank has; check its unit")
        return value

    def _place(self, text: str) -> float:
        if self.sheet.kind == "flex":
            load = _quantity(text, "load", "g")
            if load < 0.0:
                raise ValueError("a weight is zero or more")
            return load
        minutes = read_clock(text)
        if minutes is not None:
            return _hour(minutes)
        cell = read_cell(text.lower().removesuffix("o'clock").removesuffix("h"), "point")
        if not isinstance(cell, Cell) or cell.value is None:
            raise ValueError(f"'{text[:20]}' is no position")
        unit = unit_of(cell.unit, "angle") if cell.unit else None
        if cell.unit and unit is None:
            raise ValueError(f"{cell.unit[:10]} is no unit of an angle; use deg or hours of the clock")
        if unit is not None and unit.name != "clock":
            return float(cell.value * unit.factor % 360.0)
        if self.sheet.dial == "clock":
            return _hour(cell.value)
        return cell.value % 360.0

    def _add(self, place: float, value: float) -> Said:
        doubt = self._doubt(place, value)
        if doubt and self._doubted != (place, value):
            self._doubted = (place, value)
            return Said("doubt", f"{doubt}; read it again, or enter the same once more to keep it")
        self._doubted = None
        self.rows.append(Row(place, value))
        return Said("taken", f"{self.called(place)}: {self.shown(value)}")

    def shown(self, value: float) -> str:
        """Show a reading in its unit."""
        return f"{value / _GRAM:g} g" if self.sheet.read == "load" else f"{1e3 * value:g} mm"

    def _fix(self, place: float, value: float) -> Said:
        """Put a reading in place of all earlier ones of its place."""
        near = 1.0 if self.sheet.kind == "roll" else 0.5 * _GRAM
        hit = False
        for at, row in enumerate(self.rows):
            away = _apart(row.place, place) if self.sheet.kind == "roll" else abs(row.place - place)
            if not row.withdrawn and away <= near:
                self.rows[at] = replace(row, withdrawn=True)
                hit = True
        if not hit:
            return Said("refused", f"there is no entry at {self.called(place)} to correct")
        self.rows.append(Row(place, value))
        return Said("corrected", f"{self.called(place)} is now {self.shown(value)}")

    def _undo(self) -> Said:
        for at in reversed(range(len(self.rows))):
            if not self.rows[at].withdrawn:
                self.rows[at] = replace(self.rows[at], withdrawn=True)
                return Said("undone", f"{self.called(self.rows[at].place)} is taken back")
        return Said("refused", "there is nothing to take back")

    def _doubt(self, place: float, value: float) -> str:
        """Say why a reading looks like a slip; empty where it does not."""
        used = self.used
        if len(used) < 2:
            return ""
        if self.sheet.kind == "flex":
            return self._flex_doubt(place, value)
        values = np.array([row.value for row in used])
        # Two waves a turn about a mean: nobody's blank is four times as soft on one side.
        middle = float(np.median(values))
        if not 0.4 * middle < value < 2.5 * middle:
            return f"{self.shown(value)} is far from {self.shown(round(middle, 4))} before"
        if len(used) < FEWEST:
            return ""
        roll = np.radians([row.place for row in used])
        design = _waves(roll)
        found, *_ = np.linalg.lstsq(design, values, rcond=None)
        step = self.sheet.steps.scale_N if self.sheet.read == "load" else self.sheet.steps.ruler_m
        square = float(np.sum((values - design @ found) ** 2)) + (0.5 * step) ** 2
        spread = math.sqrt(square / max(1, len(used) - 5))
        row = _waves(np.radians([place]))[0]
        wide = spread * math.sqrt(1.0 + float(row @ np.linalg.pinv(design.T @ design) @ row))
        expected = float(row @ found)
        if abs(value - expected) > _FAR * wide:
            return f"{self.shown(value)} where the others make {self.shown(round(expected, 4))} likely"
        return ""

    def _flex_doubt(self, load: float, travel: float) -> str:
        known = [row for row in self.used if row.place > 0.0 and row.value > 0.0]
        if load <= 0.0:
            most = max((row.value for row in known), default=0.0)
            return "the tip stands off without a weight" if most and abs(travel) > 0.1 * most else ""
        if not known:
            return ""
        nearest = min(known, key=lambda row: abs(math.log(row.place / load)))
        ratio = (travel / load) / (nearest.value / nearest.place)
        factor = 1.3 + 0.3 * abs(math.log(load / nearest.place))
        if not 1.0 / factor < ratio < factor:
            likely = nearest.value * load / nearest.place
            return f"{self.shown(travel)} where about {self.shown(round(likely, 3))} is likely"
        return ""

    # what it says

    def readings(self, blank: str = "") -> RollReadings | FlexReadings:
        """Give the table to a fit."""
        used = self.used
        place = np.array([row.place for row in used])
        value = np.array([row.value for row in used])
        order = np.arange(len(used), dtype=float)
        sheet = self.sheet
        if sheet.kind == "flex":
            return FlexReadings(
                order, place, value, None, sheet.free_length_m, blank=blank, at_rest=True, steps=sheet.steps
            )
        hanging = sheet.held_load_N is not None
        return RollReadings(
            time_s=order,
            roll=np.radians(place),
            load_N=None if hanging else value,
            travel_m=value if hanging else None,
            held_travel_m=sheet.held_travel_m,
            held_load_N=sheet.held_load_N,
            free_length_m=sheet.free_length_m,
            contact="free" if hanging else "held",
            blank=blank,
            at_rest=True,
            steps=sheet.steps,
        )

    def answer(self) -> Answer:
        """Say what the table tells so far, and whether it is enough."""
        if self.sheet.kind == "roll":
            return self._roll_answer()
        return self._flex_answer()

    def _roll_answer(self) -> Answer:
        there = positions(np.radians([row.place for row in self.used])) if self.used else 0
        if there < FEWEST:
            return Answer(f"{FEWEST - there} more positions until a first answer", False)
        try:
            readings = self.readings()
            assert isinstance(readings, RollReadings)
            found = fit_roll(readings, chuck=self.sheet.chuck)
        except BlankbenchError as error:
            return Answer(f"cannot tell yet: {error.what}", False)
        if found.stiff_plane is None:
            return Answer("no stiff plane can be told yet: read each position once more", False)
        plane, sure = math.degrees(found.stiff_plane.value), math.degrees(found.stiff_plane.ci95)
        said = f"stiff plane {plane:.0f}° ± {sure:.1f}°"
        if found.mark.angle is not None:
            mark = found.mark.angle
            said += f", mark {math.degrees(mark.value):.0f}° ± {math.degrees(mark.ci95):.0f}°"
        return Answer(said, math.radians(sure) <= ENOUGH_PLANE and there >= min(self.sheet.count, 12))

    def _flex_answer(self) -> Answer:
        used = self.used
        there = weights_in(np.array([row.place for row in used])) if used else 0
        if there < FEWEST_WEIGHTS:
            return Answer(f"{FEWEST_WEIGHTS - there} more weights until a first answer", False)
        try:
            readings = self.readings()
            assert isinstance(readings, FlexReadings)
            found = fit_flex(readings)
        except BlankbenchError as error:
            return Answer(f"cannot tell yet: {error.what}", False)
        load = found.reference_load
        if load is None:
            return Answer("cannot tell yet: hang more weight", False)
        said = f"reference load {load.value:.2f} N ± {100.0 * load.ci95 / load.value:.1f} %"
        loads = [row.place for row in used]
        both = len(loads) > 1 and loads[-1] < 0.3 * max(loads)
        return Answer(said, load.ci95 <= ENOUGH_LOAD * load.value and both and not found.extrapolated)


def _waves(roll: np.ndarray) -> np.ndarray:
    waves = [np.cos(roll), np.sin(roll), np.cos(2.0 * roll), np.sin(2.0 * roll)]
    return np.column_stack([np.ones_like(roll), *waves])


def _apart(one: float, other: float) -> float:
    return abs((one - other + 180.0) % 360.0 - 180.0)


def _round(load: float) -> float:
    """Round a weight to what a set of weights has."""
    grams = load / _GRAM
    step = 10.0 if grams < 200.0 else 50.0
    return max(step, round(grams / step) * step) * _GRAM


def _hour(hours: float) -> float:
    if not 0.0 <= hours < 13.0:
        raise ValueError(f"clock position {hours:g}: a dial goes from 1 to 12")
    return 30.0 * hours % 360.0


def _quantity(text: str, quantity: Quantity, usual: str) -> float:
    cell = read_cell(text.replace(",", "."), "point")
    if not isinstance(cell, Cell) or cell.value is None:
        raise ValueError(f"'{text[:20]}' is no number")
    unit = unit_of(cell.unit or usual, quantity)
    if unit is None:
        raise ValueError(f"{cell.unit[:10]} is no unit of a {quantity} that is known here")
    return cell.value * unit.factor


def _joined(words: list[str]) -> list[str]:
    """Put a unit that stands by itself behind its number."""
    out: list[str] = []
    for word in words:
        if out and _is_unit(word):
            out[-1] += word
        else:
            out.append(word)
    return out


def _is_unit(word: str) -> bool:
    """Tell whether a word is a unit, and no number."""
    return word[:1].isalpha() or word[:1] in "°\"'"
