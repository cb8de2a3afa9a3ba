"""Reading a settings file strictly: what is unknown or wrong is refused with its line."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from rig.calibration.counts import TURN_COUNTS
from rig.calibration.geometry import from_table
from rig.errors import FileError
from rig.settings.specification import limit_fault


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_day(value: object) -> bool:
    try:
        return isinstance(value, str) and bool(date.fromisoformat(value))
    except ValueError:
        return False


Check = tuple[Callable[[Any], bool], str]
_TEXT: Check = (lambda v: isinstance(v, str), "text in quotes")
_YES_NO: Check = (lambda v: isinstance(v, bool), "true or false")
_POSITIVE: Check = (lambda v: _is_number(v) and v > 0, "a number above zero")
_WHOLE: Check = (lambda v: type(v) is int and v > 0, "a whole number above zero")
_NOT_NEGATIVE: Check = (lambda v: _is_number(v) and v >= 0, "a number, zero or more")
_SIGN: Check = (lambda v: type(v) is int and v in (1, -1), "1 or -1")


def _one_of(*words: str) -> Check:
    return (lambda v: isinstance(v, str) and v in words), "one of " + ", ".join(f'"{word}"' for word in words)


_CHECKS: dict[str, dict[str, Check]] = {
    "shop": {
        "name": _TEXT,
        "operator": _TEXT,
        "units": _one_of("metric", "imperial"),
        "mark_rule": _one_of("snap", "snap-back", "stiff", "soft"),
        "runs": _TEXT,
        "calibrations": _TEXT,
        "gravity_m_s2": (lambda v: _is_number(v) and 9.7 < v < 9.9, "between 9.7 and 9.9"),
    },
    "rig": {
        "port": _TEXT,
        "baud": _WHOLE,
        "rate_hz": _POSITIVE,
        "load_limit_N": _POSITIVE,
        "driven": _YES_NO,
        "free_length_m": _POSITIVE,
        "held_travel_m": _POSITIVE,
        "contact": _one_of("held", "free"),
        "pull": _one_of("down", "up", "sideways"),
        "angle_sign": _SIGN,
        "friction_N": _NOT_NEGATIVE,
        "free_length_ci95_m": _NOT_NEGATIVE,
        "index_ci95_deg": _NOT_NEGATIVE,
        "clip_g": _NOT_NEGATIVE,
        "check_blank": _TEXT,
        "check_since": (_is_day, 'a day such as "2026-05-04"'),
    },
    "by_hand": {
        "ruler_m": _POSITIVE,
        "scale_N": _POSITIVE,
        "protractor_deg": _POSITIVE,
    },
    "grading": {
        "sure_pct": (lambda v: _is_number(v) and 50 <= v < 100, "a number from 50 to below 100"),
    },
}
_TABLES = ("shop", "rig", "travel", "classes", "tolerance", "grading", "models", "by_hand", "sketch")
_METRICS = (
    "reference_load", "stiffness", "mass", "bend_centre", "anisotropy", "bow", "length",
    "even_blank_rigidity", "initial_stiffness", "hysteresis",
)  # fmt: skip
"""Properties that runs tell. Any other name is a number in the runs' headers, unless it looks like a slip."""


def read_values(text: str, path: str) -> dict[str, dict[str, Any]]:
    """Read the text of a settings file and check every value.

    Parameters
    ----------
    text : str
        TOML.
    path : str
        The file, for messages.

    Returns
    -------
    dict
        The tables ``shop, rig, travel, classes, tolerance, grading, models``, each there, with allowed values
        only; ``travel`` with what turns as a geometry.

    Raises
    ------
    FileError
        With the line.
    """
    return _Checker(text, path).tables(_parse(text, path))


def read_specification_values(text: str, path: str) -> dict[str, Any]:
    """Read the text of a specification file: what a model's table in the settings holds, and ``model``.

    Returns
    -------
    dict
        The keys ``model, rated_length_m, sure_pct, limits, grades`` that are there, with allowed values only.

    Raises
    ------
    FileError
        With the line.
    """
    return _Checker(text, path).specification(_parse(text, path))


def _parse(text: str, path: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+)", str(error))
        line = int(found[1]) if found else text.count("\n") + 1
        reason = re.sub(r"\s*\(at .*", "", str(error))
        reason = reason[:1].lower() + reason[1:]
        raise FileError(
            path, line, f"this line cannot be read ({reason})", "write it as  key = value, text in quotes"
        ) from None


class _Checker:
    """Checks parsed settings and finds the line of what is wrong."""

    def __init__(self, text: str, path: str) -> None:
        self._lines = text.split("\n")
        self._path = path

    def tables(self, values: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
        self._known(values, "", _TABLES)
        tables = {name: self._table(values, name, "") for name in _TABLES}
        for name, checks in _CHECKS.items():
            self._known(tables[name], name, tuple(checks))
            for key, value in tables[name].items():
                self._check(name, key, value, checks[key])
        tables["travel"] = self._turning(tables["travel"])
        self._known(tables["classes"], "classes", ("power", "action"))
        for name in tables["classes"]:
            self._classes(tables["classes"], name, "edges_N" if name == "power" else "edges")
        for metric, value in tables["tolerance"].items():
            self._property("tolerance", metric)
            self._check("tolerance", metric, value, _POSITIVE)
        for name in tables["models"]:
            where = f"models.{name}"
            table = self._table(tables["models"], name, "models")
            self._known(table, where, ("rated_length_m", "limits", "grades"))
            self._model(table, where)
        return tables

    def specification(self, values: Mapping[str, Any]) -> dict[str, Any]:
        self._known(values, "", ("model", "rated_length_m", "sure_pct", "limits", "grades"))
        if "model" in values:
            self._check("", "model", values["model"], _TEXT)
        if "sure_pct" in values:
            self._check("", "sure_pct", values["sure_pct"], _CHECKS["grading"]["sure_pct"])
        self._model(values, "")
        if not values.get("limits") and not values.get("grades"):
            raise FileError(
                self._path,
                1,
                "this file states no limits",
                "write  [limits]  and below it a line such as  bow = { upper = 0.010 }",
            )
        return dict(values)

    def _model(self, table: Mapping[str, Any], where: str) -> None:
        """Check what a model's table may hold beside its name."""
        if "rated_length_m" in table:
            self._check(where, "rated_length_m", table["rated_length_m"], _POSITIVE)
        self._limits(self._table(table, "limits", where), f"{where}.limits".strip("."))
        above = f"{where}.grades".strip(".")
        grades = self._table(table, "grades", where)
        for grade in grades:
            own = self._table(grades, grade, above)
            if not own:
                raise self._fault(
                    above, grade, f"grade {grade} has no limits", "state at least one, or leave it out"
                )
            self._limits(own, f"{above}.{grade}")

    def _limits(self, table: Mapping[str, Any], where: str) -> None:
        for name, entry in table.items():
            self._property(where, name)
            words = isinstance(entry, dict) and not all(map(_is_number, entry.values()))
            fault = "holds a value that is no number" if words else limit_fault(entry)
            if fault:
                raise self._fault(where, name, f"{where}.{name} {fault}", "correct the line")

    def _property(self, where: str, name: str) -> None:
        """Refuse a name that is nearly, but not quite, one of the known properties."""
        close = [] if name in _METRICS else difflib.get_close_matches(name, _METRICS, 1, 0.75)
        if close:
            raise self._fault(
                where, name, f"'{name}' in [{where}] is no property", f"did you mean {close[0]}?"
            )

    def _turning(self, table: Mapping[str, Any]) -> dict[str, Any]:
        """Read what turns with the travel; nothing where a counter runs along the pull."""
        if not table or table == {"kind": "counter"}:
            return {}
        measures = dict(table)
        count = measures.pop("counts_per_turn", TURN_COUNTS)
        self._check("travel", "counts_per_turn", count, _WHOLE)
        made = from_table(measures, lambda key, what, do: self._fault("travel", key, f"[travel]: {what}", do))
        return {"geometry": made, "counts_per_turn": count}

    def _classes(self, classes: Mapping[str, Any], name: str, edges_key: str) -> None:
        where = f"classes.{name}"
        table = self._table(classes, name, "classes")
        self._known(table, where, ("names", edges_key))
        for key in ("names", edges_key):
            if key not in table:
                raise self._fault(
                    where, key, f"[{where}] does not give {key}", "give names and edges together"
                )
        names, edges = table["names"], table[edges_key]
        words = isinstance(names, list) and all(isinstance(word, str) and word for word in names)
        if not words or len(set(names)) != len(names) or len(names) < 2:
            raise self._fault(
                where, "names", f"{where}.names must be a list of different words", "list two or more"
            )
        rising = isinstance(edges, list) and all(map(_is_number, edges)) and edges == sorted(set(edges))
        if not rising or len(edges) != len(names) - 1:
            raise self._fault(
                where,
                edges_key,
                f"{where}.{edges_key} must be {len(names) - 1} rising numbers, one less than names",
                "correct the list",
            )

    def _table(self, values: Mapping[str, Any], name: str, above: str) -> dict[str, Any]:
        table = values.get(name, {})
        if not isinstance(table, dict):
            raise self._fault(
                above, name, f"{name} must be a table", f"write it as  [{name}]  with its keys below"
            )
        return dict(table)

    def _known(self, table: Mapping[str, Any], where: str, names: tuple[str, ...]) -> None:
        for key in table:
            if key not in names:
                close = difflib.get_close_matches(key, names, 1)
                place = f" in [{where}]" if where else ""
                raise self._fault(
                    where,
                    key,
                    f"'{key}'{place} is no setting",
                    f"did you mean {close[0]}?" if close else f"the settings there are: {', '.join(names)}",
                )

    def _check(self, where: str, key: str, value: object, check: Check) -> None:
        allowed, words = check
        if not allowed(value):
            raise self._fault(where, key, f"{where}.{key} must be {words}", "correct the line")

    def _fault(self, where: str, key: str, what: str, do: str) -> FileError:
        return FileError(self._path, self._line(f"{where}.{key}".strip(".")), what, do)

    def _line(self, dotted: str) -> int | None:
        """Find the line of a key by its dotted name, or of the nearest table above it."""
        table = ""
        lines: dict[str, int] = {}
        for number, line in enumerate(self._lines, start=1):
            head = re.match(r"\s*\[+(.*?)\]+\s*(#.*)?$", line)
            if head:
                table = _plain(head[1])
                lines.setdefault(table, number)
            elif "=" in line:
                lines.setdefault(f"{table}.{_plain(line.partition('=')[0])}".strip("."), number)
        while dotted and dotted not in lines:
            dotted = dotted.rpartition(".")[0]
        return lines.get(dotted)


def _plain(key: str) -> str:
    """Strip blanks and quotes from a dotted key."""
    return ".".join(part.strip().strip("\"'") for part in key.split("."))
