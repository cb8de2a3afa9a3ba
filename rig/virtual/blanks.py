"""Invented blanks for the virtual rig, described in a small TOML file that a person can write too.

One ``[[blank]]`` table a blank; whatever several blanks share may stand once under ``[defaults]``::

    [defaults]
    model = "Example Petrel"
    free_length_m = 2.10
    EI_butt_Nm2 = 38.0            # flexural rigidity at the chuck's face
    tip_ratio = 0.22              # EI(s) = EI_butt (1 - (1 - tip_ratio) s/L) ** exponent
    exponent = 2.6

    [[blank]]
    name = "P-1"
    anisotropy_pct = 2.4
    stiff_plane_deg = 37.0
    bow_m = 0.003
    bow_deg = 110.0

Instead of the three numbers of the taper a blank may give ``rigidity = [[s_m, EI_Nm2], …]`` from the chuck's
face to the tip; between the points the logarithm of EI is interpolated smoothly and without overshoot.
`KEYS` is the whole list of keys, `example_blanks` the text of a commented file with all of them in use.
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from analysis.angles import wrap
from analysis.bend.profile import Profile, Taper
from rig.errors import FileError


@dataclass(frozen=True, slots=True)
class Blank:
    """What one invented blank truly is. SI and radians."""

    name: str
    """Name of the blank."""
    model: str
    """What the maker calls it."""
    free_length: float
    """From the chuck's face to the tip, m."""
    rigidity: Taper | Profile
    """Flexural rigidity along the blank, mean over the roll."""
    anisotropy: float = 0.0
    """(k_max − k_min)/k_mean as a fraction, the same at every travel."""
    stiff_plane: float = 0.0
    """Blank angle of the stiff plane, rad, [0, π)."""
    bow: float = 0.0
    """How far the unloaded tip stands off the axis, m."""
    bow_direction: float = 0.0
    """Blank angle toward which it stands off, rad, [0, 2π)."""
    hysteresis: float = 0.0
    """(loading − unloading)/mean load in a flex, as a fraction."""
    mass: float | None = None
    """Mass of the whole blank, kg."""
    length: float | None = None
    """Length of the whole blank, m."""
    clamped_length: float | None = None
    """From the butt's end to the chuck's face, m."""
    label_power: str | None = None
    """Power class that the maker's label claims."""
    label_action: str | None = None
    """Action class that the maker's label claims."""


@dataclass(frozen=True, slots=True)
class _Key:
    """What one key of a blank's table must hold."""

    what: str
    low: float = -math.inf
    high: float = math.inf
    above: bool = False
    text: bool = False

    def complaint(self, value: object) -> str | None:
        if self.text:
            good = isinstance(value, str) and value.strip() != "" and value.isprintable() and len(value) <= 80
            return None if good else "must be a text of 1 to 80 printable characters in quotes"
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return "must be a number"
        if value < self.low or value > self.high or (self.above and value == self.low):
            if self.high == math.inf:
                return f"must be {'above' if self.above else 'at least'} {self.low:g}"
            return f"must be {'above' if self.above else 'from'} {self.low:g} and at most {self.high:g}"
        return None


_KEYS: dict[str, _Key] = {
    "name": _Key("name of the blank, each only once", text=True),
    "model": _Key("what the maker calls it", text=True),
    "free_length_m": _Key("from the chuck's face to the tip, m", 0.2, 10.0),
    "EI_butt_Nm2": _Key("rigidity at the chuck's face, N·m²", 0.0, 1e5, above=True),
    "tip_ratio": _Key("size at the tip over size at the chuck's face", 0.02, 1.0),
    "exponent": _Key("3 for a thin tube of constant wall, 4 for a solid cone", 0.0, 8.0),
    "anisotropy_pct": _Key("stiffest minus softest, in percent of the mean", 0.0, 50.0),
    "stiff_plane_deg": _Key("blank angle of the stiff plane"),
    "bow_m": _Key("how far the unloaded tip stands off the axis, m", 0.0, 0.5),
    "bow_deg": _Key("blank angle toward which it stands off"),
    "hysteresis_pct": _Key("loading minus unloading, in percent of the load", 0.0, 30.0),
    "mass_g": _Key("mass of the whole blank, g", 0.0, 1e5, above=True),
    "length_m": _Key("length of the whole blank, m", 0.2, 12.0),
    "clamped_length_m": _Key("from the butt's end to the chuck's face, m", 0.0, 5.0),
    "label_power": _Key("power class on the maker's label", text=True),
    "label_action": _Key("action class on the maker's label", text=True),
}
KEYS: Mapping[str, str] = {
    **{name: key.what for name, key in _KEYS.items()},
    "rigidity": "[[s_m, EI_Nm2], …] from 0 to the free length, instead of the taper's three numbers",
}
"""Every key that a blank may have, with what it means."""
_TAPER = ("EI_butt_Nm2", "tip_ratio", "exponent")
_FIX = "correct the blanks file"


def example_blanks() -> str:
    """Text of the commented blanks file that ships with the virtual rig."""
    return resources.files("rig.virtual").joinpath("example_blanks.toml").read_text("utf-8")


def load_blanks(path: Path | str | None = None) -> tuple[Blank, ...]:
    """Read a blanks file; without a path, the one that ships with the virtual rig.

    Raises
    ------
    FileError
        In one line, with the place, if the file cannot be read or describes no possible blank.
    """
    if path is None:
        return parse_blanks(example_blanks(), "example_blanks.toml")
    try:
        text = Path(path).read_text("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(path, None, "the blanks file is not UTF-8 text", "save it as UTF-8") from error
    except OSError as error:
        why = error.strerror or str(error)
        raise FileError(path, None, f"cannot read the blanks file ({why})", "check the name") from error
    return parse_blanks(text, path)


def parse_blanks(text: str, path: Path | str) -> tuple[Blank, ...]:
    """Blanks described by the text of a blanks file; `path` is only for messages.

    Raises
    ------
    FileError
        As `load_blanks`.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"at line (\d+)", str(error))
        line = int(place[1]) if place else text.count("\n") + 1  # else it says "at end of document"
        what = re.sub(r"\s*\(at .*\)$", "", str(error))
        raise FileError(path, line, f"this is not TOML: {what}", _FIX) from error
    where = _Where(path, text)
    for table in content:
        if table not in ("defaults", "blank"):
            raise where.error(None, table, f"unknown table or key {table!r}", "use [defaults] and [[blank]]")
    defaults, tables = content.get("defaults", {}), content.get("blank", [])
    if not isinstance(defaults, dict):
        raise where.error(None, "defaults", "defaults must be one table", "write [defaults]")
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise where.error(0, "blank", "blanks must be tables", "write [[blank]] above each")
    if not tables:
        raise FileError(path, None, "there is no blank in it", "describe one under [[blank]]")
    where.check_keys(None, defaults)
    blanks: list[Blank] = []
    for number, table in enumerate(tables):
        where.check_keys(number, table)
        own = {**defaults, **table}
        if "rigidity" in table:  # a table of its own takes the place of the defaults' taper, and the reverse
            own = {key: value for key, value in own.items() if key not in _TAPER or key in table}
        elif any(key in table for key in _TAPER):
            own.pop("rigidity", None)
        blank = _blank(where, number, own)
        if any(blank.name == earlier.name for earlier in blanks):
            raise where.error(
                number, "name", f"a second blank is called {blank.name!r}", "give it another name"
            )
        blanks.append(blank)
    return tuple(blanks)


class _Where:
    """Finds the line of a key, since `tomllib` keeps none, and makes the error."""

    def __init__(self, path: Path | str, text: str) -> None:
        self.path = path
        self.lines = text.splitlines()
        self.heads = [n for n, line in enumerate(self.lines) if re.match(r"\s*\[\[\s*blank\s*\]\]", line)]

    def error(self, number: int | None, key: str, what: str, do: str = _FIX) -> FileError:
        return FileError(self.path, self._line(number, key), what, do)

    def check_keys(self, number: int | None, table: Mapping[str, Any]) -> None:
        for name, value in table.items():
            if name not in KEYS:
                near = difflib.get_close_matches(name, KEYS, 1, 0.5)
                do = f"did you mean {near[0]}?" if near else f"the keys are {', '.join(KEYS)}"
                raise self.error(number, name, f"unknown key {name}", do)
            if name in _KEYS and (what := _KEYS[name].complaint(value)):
                raise self.error(number, name, f"{name} {what}, not {value!r:.40}")

    def _line(self, number: int | None, key: str) -> int | None:
        first, last = 0, len(self.lines)
        if number is not None and number < len(self.heads):
            first = self.heads[number]
            last = self.heads[number + 1] if number + 1 < len(self.heads) else last
        pattern = re.compile(rf"\s*(\[+\s*)?[\"']?{re.escape(key)}[\"']?\s*[\].=]")
        for start, end in ((first, last), (0, len(self.lines))):
            for n in range(start, end):
                if pattern.match(self.lines[n]):
                    return n + 1
        return first + 1 if number is not None else None


def _blank(where: _Where, number: int, own: Mapping[str, Any]) -> Blank:
    for name in ("name", "model", "free_length_m"):
        if name not in own:
            raise where.error(number, name, f"this blank has no {name}", f"add {name} ({KEYS[name]})")
    free_length = float(own["free_length_m"])
    length, clamped = own.get("length_m"), own.get("clamped_length_m")
    if length is not None and length < free_length + (clamped or 0.0) - 1e-9:
        raise where.error(number, "length_m", f"length_m = {length:g} is shorter than its parts", _FIX)
    bow = float(own.get("bow_m", 0.0))
    if bow > 0.1 * free_length:
        raise where.error(number, "bow_m", f"bow_m = {bow:g} is more than a tenth of the free length", _FIX)
    return Blank(
        name=own["name"],
        model=own["model"],
        free_length=free_length,
        rigidity=_rigidity(where, number, own, free_length),
        anisotropy=own.get("anisotropy_pct", 0.0) / 100.0,
        stiff_plane=wrap(math.radians(own.get("stiff_plane_deg", 0.0)), math.pi),
        bow=bow,
        bow_direction=wrap(math.radians(own.get("bow_deg", 0.0))),
        hysteresis=own.get("hysteresis_pct", 0.0) / 100.0,
        mass=own["mass_g"] / 1000.0 if "mass_g" in own else None,
        length=None if length is None else float(length),
        clamped_length=None if clamped is None else float(clamped),
        label_power=own.get("label_power"),
        label_action=own.get("label_action"),
    )


def _rigidity(where: _Where, number: int, own: Mapping[str, Any], free_length: float) -> Taper | Profile:
    if "rigidity" not in own:
        for name in _TAPER:
            if name not in own:
                do = f"add {name} ({KEYS[name]}), or rigidity as points"
                raise where.error(number, name, f"this blank has no {name}", do)
        butt, ratio, exponent = (float(own[name]) for name in _TAPER)
        return Taper(free_length, butt, ratio, exponent)
    if any(name in own for name in _TAPER):
        raise where.error(number, "rigidity", "rigidity is given both as points and as a taper", "keep one")
    points = own["rigidity"]
    form = "write rigidity = [[0.0, 38.0], …], from 0 to the free length"
    shaped = isinstance(points, list) and len(points) >= 2
    if not shaped or not all(isinstance(point, list) and len(point) == 2 for point in points):
        raise where.error(number, "rigidity", "rigidity must be two or more points [s_m, EI_Nm2]", form)
    if any(_Key("").complaint(value) for point in points for value in point):
        raise where.error(number, "rigidity", "a point of rigidity is not two numbers", form)
    stations = [float(s) for s, _ in points]
    if any(b <= a for a, b in itertools.pairwise(stations)) or any(EI <= 0 for _, EI in points):
        raise where.error(number, "rigidity", "the stations must grow, the rigidity be positive", form)
    if abs(stations[0]) > 1e-9 or abs(stations[-1] - free_length) > 1e-6:
        raise where.error(number, "rigidity", f"rigidity must reach from 0 to {free_length:g} m", form)
    ends = np.array([0.0, *stations[1:-1], free_length])
    return Profile(ends, np.array([float(EI) for _, EI in points]), blank=own["name"])
