"""From a few seconds of any sketch's text to a proposal how its lines are to be read.

Pure: bytes in, a proposal out. Nothing is taken silently: what the text does not say by label, unit or range
is a question, and the answer may be learnt from the rig itself, by turning the chuck and pressing the tip.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.readings import Floats
from rig.line.mapping import Field, Name, PlainMapping, unit_called
from rig.line.tokens import Decimal, Token, shape_of, tokens

_FEWEST = 8
"""Lines of one shape that a proposal rests on."""
_LABELS: dict[Name, str] = {
    "time": r"t|time|ms|millis|micros|us|timestamp|sec|seconds|uptime|elapsed|zeit",
    "angle": r"a|ang|angle|angle deg|deg|degrees|roll|rot|rotation|position|pos|heading|winkel|enc|encoder"
    r"|chuck",
    "load": r"f|l|w|load|force|weight|wt|hx711|hx711 reading|reading|units|read|scale|cell|loadcell|load cell"
    r"|load_cell|load_cell output val|val|kraft|last|gewicht|raw|grams|mass|load_n|load_g|avg|average",
    "travel": r"y|travel|ruler|dist|distance|displacement|deflection|weg|mm",
    "tip": r"tip|slope|tip angle|tilt",
}
_IGNORED = (
    r"delta|temp|temperature|status|speed|rpm|vel|velocity|rate|hz|batt|battery|volt|voltage|seq|n|count"
    r"|samples?|id|no|tare|offset|gain|magnet|agc|magnitude|step|steps|error|err"
)
_SURE_UNITS: dict[str, Name] = {
    **dict.fromkeys(("N", "mN", "g", "gf", "kg", "oz", "lb"), "load"),
    **dict.fromkeys(("deg", "rad", "turn"), "angle"),
    **dict.fromkeys(("mm", "cm", "m", "in"), "travel"),
    **dict.fromkeys(("ms", "us"), "time"),
}
_PLAUSIBLE_HZ = (2.0, 1000.0)
_CLEAR = 4.0
"""A column moved that changes so many times more than at rest, and more than any other does."""


@dataclass(frozen=True, slots=True)
class Column:
    """One number of the lines, and what it was seen to do."""

    line: int
    """Which of a reading's lines it stands in."""
    index: int
    """Which number of it."""
    label: str
    """Its label, or its heading; empty where it has none."""
    unit: str
    """What stands behind it."""
    base: int
    """10 or 16."""
    values: Floats
    """What came, shape (n,)."""
    decimals: int
    """Digits behind its decimal sign."""
    name: Name | None = None
    """What it is taken for; None: not taken, or a question."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """How lines may be read."""

    shapes: tuple[tuple[str, ...], ...]
    """Labels of each line of a reading."""
    columns: tuple[Column, ...]
    """All numbers of a reading."""
    decimal: Decimal
    """Sign of the numbers."""
    separator: str
    """What parts them."""
    heading: str
    """The line of headings, if one was printed."""
    rate_hz: float
    """Readings a second, as far as it is known."""
    explained: float
    """Part of the whole lines that have this shape, 0 to 1."""
    ignored: tuple[str, ...]
    """Lines that are passed over, some of them."""
    questions: tuple[str, ...]
    """What the text does not tell, in plain words; empty where all is sure."""

    def column(self, name: Name) -> Column | None:
        """Find a column by what it is taken for."""
        return next((column for column in self.columns if column.name == name), None)

    def mapping(self, baud: int | None = None) -> PlainMapping:
        """Make the mapping of the columns that have a name.

        Raises
        ------
        ValueError
            If none has one.
        """
        return PlainMapping(
            self.shapes,
            tuple(
                field_of(column, self._label(column)) for column in self.columns if column.name is not None
            ),
            self.rate_hz,
            self.decimal,
            self.separator,
            baud,
            self.heading,
        )

    def _label(self, column: Column) -> str:
        """Give the label by which a number is found in its line; empty where it is found by its place."""
        shape = self.shapes[column.line]
        return shape[column.index] if len(set(shape)) == len(shape) else ""

    def named(self, names: Mapping[int, Name | None]) -> Proposal:
        """Give the proposal with columns named, by their place among all columns."""
        taken = {name for name in names.values() if name is not None}
        columns = [
            replace(column, name=names[at])
            if at in names
            else replace(column, name=None if column.name in taken else column.name)
            for at, column in enumerate(self.columns)
        ]
        return replace(self, columns=tuple(columns), questions=())


def sniff(data: bytes, seconds: float | None = None) -> Proposal | None:
    """Propose how a sketch's lines are to be read.

    Parameters
    ----------
    data : bytes
        What came from the port.
    seconds : float or None
        How long it took, s; tells the unit of the sketch's clock and the rate.

    Returns
    -------
    Proposal or None
        None where nothing but words, or nothing that is text, came.
    """
    if _strange(data) > 0.05:
        return None
    lines = [line.strip() for line in data.decode("utf-8", "replace").replace("\r", "\n").split("\n")]
    lines = [
        line for line in lines[:-1] if line
    ]  # the last may be cut, and the first, which is seen to below
    best: tuple[float, Decimal, bool] | None = None
    for decimal in ("point", "comma"):
        for hexadecimal in (False, True):
            found = [tokens(line, decimal, hexadecimal=hexadecimal) for line in lines]
            score = _consistency(found) - (0.02 if hexadecimal else 0.0)
            score += 0.01 if decimal == "comma" and _by_comma(lines, found) else 0.0
            if best is None or score > best[0] + 1e-9:
                best = (score, decimal, hexadecimal)
    assert best is not None
    _, decimal, hexadecimal = best
    parsed = [(line, tokens(line, decimal, hexadecimal=hexadecimal)) for line in lines]
    shapes = _cycle([shape_of(found) for _, found in parsed if found])
    if not shapes:
        return None
    readings, heading, ignored = _readings(parsed, shapes)
    readings = readings[1:]  # the first line may have lost its first digits
    if len(readings) < _FEWEST:
        return None
    used = len(readings) * len(shapes)
    columns, rate, questions = _named(_columns(readings, shapes, decimal, heading), seconds, len(readings))
    separators = Counter(t.separator for reading in readings for t in reading[0] if t.separator)
    separator = separators.most_common(1)[0][0] if separators else ""
    return Proposal(
        shapes, columns, decimal, separator, heading, rate, used / max(1, len(lines)), ignored, questions
    )


def _strange(data: bytes) -> float:
    odd = sum(1 for byte in data if byte < 9 or 13 < byte < 32)
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        odd += sum(1 for byte in data if byte >= 128 and byte not in (0xB0, 0xB5, 0xBA))
    return odd / max(1, len(data))


def _consistency(found: Sequence[tuple[Token, ...] | None]) -> float:
    shapes = Counter(shape_of(each) for each in found if each)
    common = shapes.most_common(3)
    # Fewer, longer shapes first: 12,5;3,0 is two numbers by a decimal comma, and not three.
    return sum(count for _, count in common[:1]) / max(1, len(found)) + 0.3 * sum(
        count for _, count in common[1:]
    ) / max(1, len(found))


def _by_comma(lines: Sequence[str], found: Sequence[tuple[Token, ...] | None]) -> bool:
    """Tell whether commas stand inside the numbers: then something else parts the numbers from each other."""
    for line, by_comma in zip(lines, found, strict=True):
        by_point = tokens(line)
        if not by_comma or not by_point or len(by_comma) >= len(by_point):
            continue
        parted = {token.separator for token in by_comma} & set(";|\t")
        told = all(token.label or token.unit for token in by_comma)
        if (parted or told) and not any(token.separator == "," for token in by_comma):
            return True
    return False


def _cycle(shapes: Sequence[tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    """Find the lines that one reading is made of, in their order."""
    counts = Counter(shapes)
    if not counts:
        return ()
    most = counts.most_common(1)[0][1]
    kept = [shape for shape, count in counts.items() if count > 0.6 * most]
    if len(kept) == 1 or len(kept) > 6:
        return (counts.most_common(1)[0][0],)
    # More than one frequent shape: a reading over several lines, if they come in turn.
    row = [shape for shape in shapes if shape in kept]
    first = row[0]
    turn = []
    for shape in row[: 2 * len(kept)]:
        if shape in turn:
            break
        turn.append(shape)
    expected = [turn[at % len(turn)] for at in range(len(row))]
    same = sum(a == b for a, b in zip(row, expected, strict=True)) / len(row)
    if len(turn) == len(kept) and same > 0.8 and first == turn[0]:
        return tuple(turn)
    return (counts.most_common(1)[0][0],)


def _readings(
    parsed: Sequence[tuple[str, tuple[Token, ...] | None]], shapes: tuple[tuple[str, ...], ...]
) -> tuple[list[list[tuple[Token, ...]]], str, tuple[str, ...]]:
    readings: list[list[tuple[Token, ...]]] = []
    part: list[tuple[Token, ...]] = []
    heading = ""
    ignored: list[str] = []
    width = len(shapes[0])
    for line, found in parsed:
        if found is not None and shape_of(found) in shapes:
            at = shapes.index(shape_of(found))
            if at == 0:
                part = []
            if at == len(part):
                part.append(found)
            if len(part) == len(shapes):
                readings.append(part)
                part = []
            continue
        cells = [cell.strip() for cell in re.split(r"[;,|\t]|\s{2,}|\s", line) if cell.strip()]
        if len(cells) == width > 1 and not heading and not any(re.search(r"^\d", cell) for cell in cells):
            heading = line
        elif len(ignored) < 5:
            ignored.append(line[:60])
    return readings, heading, tuple(ignored)


def _columns(
    readings: Sequence[Sequence[tuple[Token, ...]]],
    shapes: tuple[tuple[str, ...], ...],
    decimal: Decimal,
    heading: str,
) -> list[Column]:
    heads = [cell.strip().lower() for cell in re.split(r"[;,|\t]|\s+", heading) if cell.strip()]
    out = []
    for line, shape in enumerate(shapes):
        for index, label in enumerate(shape):
            cells = [reading[line][index] for reading in readings]
            base = (
                16
                if any(re.search(r"[A-Fa-fxX]", cell.text) and _is_hex(cell.text) for cell in cells)
                else 10
            )
            values = np.array([_number(cell, base, decimal) for cell in cells])
            units = Counter(cell.unit for cell in cells if cell.unit)
            sign = "," if decimal == "comma" else "."
            decimals = max(
                (len(cell.text.partition(sign)[2]) for cell in cells if not cell.missing), default=0
            )
            head = heads[index] if len(shapes) == 1 and len(heads) == len(shape) else ""
            unit = units.most_common(1)[0][0] if units else ""
            out.append(Column(line, index, label or head, unit, base, values, min(decimals, 6)))
    return out


def _is_hex(text: str) -> bool:
    if re.fullmatch(r"nan|inf|none|null|err|ovf|n/a", text, re.IGNORECASE):
        return False
    return re.fullmatch(r"(?:0[xX])?[0-9A-Fa-f]+", text) is not None and not re.fullmatch(r"\d+[eE]\d+", text)


def _number(cell: Token, base: int, decimal: Decimal) -> float:
    value = cell.value(base, decimal)
    return float("nan") if value is None else value


def _named(
    columns: list[Column], seconds: float | None, count: int
) -> tuple[tuple[Column, ...], float, tuple[str, ...]]:
    """Name the columns that say what they are, and ask about the rest."""
    questions: list[str] = []
    rate = count / seconds if seconds else 0.0
    claims: dict[Name, list[int]] = {}
    clock = None
    for at, column in enumerate(columns):
        if clock is None and _runs_on(column):
            unit = _clock_unit(column, seconds)
            if unit is not None and unit != "count":
                clock = at
                columns[at] = replace(column, name="time", unit=unit)
                step = float(np.median(np.diff(column.values)))
                rate = 1.0 / (step * {"us": 1e-6, "ms": 1e-3, "s": 1.0}[unit])
                continue
            if unit is None:
                questions.append(f"column {_called(column, at)} runs on: is it a time, and in ms, us or s?")
            continue
        name = _claimed(column)
        if name is not None:
            claims.setdefault(name, []).append(at)
    for name, places in claims.items():
        if len(places) > 1:
            # A raw column beside one in units: the one in units is meant.
            with_unit = [at for at in places if unit_called(name, columns[at].unit)]
            if len(with_unit) == 1:
                places = with_unit
            else:
                shown = " and ".join(_called(columns[at], at) for at in places)
                questions.append(f"columns {shown} could both be the {name}: which is it?")
                continue
        columns[places[0]] = replace(columns[places[0]], name=name)
    if not any(column.name == "load" or column.name == "angle" for column in columns):
        loose = [at for at, c in enumerate(columns) if c.name is None and not _is_ignored(c) and at != clock]
        if loose:
            shown = ", ".join(_called(columns[at], at) for at in loose)
            questions.append(f"nothing says which is the load and which the angle, among column {shown}")
    else:
        for at, column in enumerate(columns):
            if column.name is None and at != clock and not _is_ignored(column) and _moves(column):
                questions.append(f"column {_called(column, at)}: is it the load, the angle or neither?")
    for at, column in enumerate(columns):
        if (
            column.name in ("load", "travel")
            and not unit_called(column.name, column.unit)
            and column.decimals
        ):
            questions.append(f"column {_called(column, at)} names no unit: calibrate it, or say the unit")
        if column.name in ("angle", "tip") and not unit_called(column.name, column.unit):
            columns[at] = _angle_unit(column, questions, at)
    if not rate or not np.isfinite(rate):
        rate = 10.0
        questions.append("how many readings come in a second cannot be told")
    return tuple(columns), float(rate), tuple(questions)


def _called(column: Column, at: int) -> str:
    return column.label or str(at + 1)


def _runs_on(column: Column) -> bool:
    if column.label and not column.unit and not re.fullmatch(_LABELS["time"], column.label):
        return False
    step = np.diff(column.values[np.isfinite(column.values)])
    if step.size < 4 or column.unit not in ("", "ms", "us", "s", "µs", "sec"):
        return False
    usual = float(np.median(step))
    rising = np.count_nonzero(step > 0.0) >= 0.97 * step.size
    return bool(usual > 0.0 and rising and float(np.median(np.abs(step - usual))) <= 0.5 * usual)


def _clock_unit(column: Column, seconds: float | None) -> str | None:
    """Unit of a column that runs on; ``count`` for a mere number of the line, None where it is not told."""
    said = unit_called("time", column.unit) if column.unit else None
    if said is not None:
        return said
    for word, unit in (("micros", "us"), ("us", "us"), ("millis", "ms"), ("ms", "ms"), ("sec", "s")):
        if word in column.label.replace("_", " ").split() or column.label in (word, f"{word}onds"):
            return unit
    step = float(np.median(np.diff(column.values)))
    if step == 1.0 and column.decimals == 0 and np.ptp(np.diff(column.values)) == 0.0:
        return "count"
    if seconds:
        per = float(column.values[-1] - column.values[0]) / seconds
        for unit, ticks in (("us", 1e6), ("ms", 1e3), ("s", 1.0)):
            if 0.7 < per / ticks < 1.4:
                return unit
        return None
    likely = [
        unit
        for unit, ticks in (("us", 1e6), ("ms", 1e3), ("s", 1.0))
        if _PLAUSIBLE_HZ[0] <= ticks / step <= _PLAUSIBLE_HZ[1] and (unit == "s") == (column.decimals > 0)
    ]
    label_is_time = re.fullmatch(_LABELS["time"], column.label) is not None
    return likely[0] if len(likely) == 1 and (label_is_time or column.index == 0) else None


def _claimed(column: Column) -> Name | None:
    """What a column says it is, by its unit, then by its label."""
    if _is_ignored(column):
        return None
    label = re.sub(r"[\s_]*[\[(]?(deg|n|g|mm|kg)[\])]?$", "", column.label).strip() or column.label
    for text in (column.label, label):
        for name, pattern in _LABELS.items():
            if name != "time" and text and re.fullmatch(pattern, text):
                wanted = unit_called(name, column.unit) if column.unit else "none"
                return name if wanted is not None or not column.unit else None
    for form in (column.unit, column.label):
        for name in ("load", "angle", "travel"):
            unit = unit_called(name, form) if form else None
            if unit is not None and _SURE_UNITS.get(unit) == name and form not in ("m", "n"):
                return name
    return None


def _is_ignored(column: Column) -> bool:
    return re.fullmatch(_IGNORED, column.label) is not None or column.unit in (
        "V",
        "mV",
        "%",
        "C",
        "°C",
        "Hz",
    )


def _moves(column: Column) -> bool:
    values = column.values[np.isfinite(column.values)]
    return values.size > 0 and float(np.ptp(values)) > 0.0


def _angle_unit(column: Column, questions: list[str], at: int) -> Column:
    values = column.values[np.isfinite(column.values)]
    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 0.0)
    if column.label in ("deg", "degrees", "angle deg", "angle_deg") or column.label.endswith("deg"):
        return replace(column, unit="deg")
    if column.decimals and low >= -360.0 and high <= 360.0 and high > 6.3:
        return replace(column, unit="deg")
    if not column.decimals and low >= 0.0 and 360.0 < high < 4096.0:
        return replace(column, unit="")  # whole counts of a 12-bit sensor
    questions.append(f"column {_called(column, at)}: is it in degrees, or counts of a 12-bit sensor?")
    return replace(column, unit="deg") if low >= -360.0 and high <= 360.0 else column


def field_of(column: Column, label: str = "") -> Field:
    """Make the mapping's field of a column that has a name."""
    assert column.name is not None
    unit = unit_called(column.name, column.unit) if column.unit else None
    if column.name == "time":
        bits = 64 if column.decimals else 32
        return Field("time", column.line, column.index, label, unit or "ms", column.base, 1.0, bits)
    if unit is not None:
        return Field(column.name, column.line, column.index, label, unit, column.base)
    scale = 10.0**column.decimals
    bits = 24 if not column.decimals else 32
    return Field(column.name, column.line, column.index, label, "counts", column.base, scale, bits)


def learnt(rest: Sequence[Floats], turning: Sequence[Floats], pressing: Sequence[Floats]) -> dict[int, Name]:
    """Learn which column is which from what moves when the chuck is turned and the tip is pressed.

    Parameters
    ----------
    rest, turning, pressing : sequences of ndarray
        Each column's values while nothing moves, while the chuck turns (the tip free), and while the tip is
        pressed (the chuck at rest).

    Returns
    -------
    dict of int to str
        Columns that are clear; one that moved with both, or less than another did, is left out.
    """

    def moved(during: Sequence[Floats]) -> Floats:
        out = []
        for still, now in zip(rest, during, strict=True):
            noise = float(np.nanstd(still)) + 1e-3 * float(np.nanmax(np.abs(still)) if still.size else 0.0)
            out.append(float(np.nanstd(now)) / max(noise, 1e-9))
        return np.array(out)

    by_turn, by_press = moved(turning), moved(pressing)
    out: dict[int, Name] = {}
    for name, own, other in (("angle", by_turn, by_press), ("load", by_press, by_turn)):
        clear = [at for at in range(len(rest)) if own[at] > _CLEAR and own[at] > _CLEAR * other[at]]
        if len(clear) == 1:
            out[clear[0]] = name  # type: ignore[assignment]
    return out
