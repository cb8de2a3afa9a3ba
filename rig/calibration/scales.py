"""From counts to newtons, metres and degrees: the one place where it happens.

A calibration is dated, says how sure it is, and is stored as TOML: in a file of its own in the shop's folder,
and in the header of every run that was recorded with it, beside the raw counts. So a better calibration can
be applied later (`rig.runs.recompute`).
"""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from numpy.typing import ArrayLike

from analysis.readings import Floats
from rig.calibration import geometry
from rig.calibration.counts import LOAD_BITS, TURN_COUNTS, signed, unwrapped
from rig.calibration.turning import TurnScale
from rig.errors import FileError

__all__ = [
    "LOAD_BITS",
    "TURN_COUNTS",
    "AngleScale",
    "Calibration",
    "LoadScale",
    "TipScale",
    "TravelScale",
    "TurnScale",
    "latest_calibration",
    "load_calibration",
    "save_calibration",
    "signed",
    "unwrapped",
]


@dataclass(frozen=True, slots=True)
class LoadScale:
    """Load = (counts − zero) · `N_per_count`."""

    zero_counts: float
    """Counts without a load."""
    N_per_count: float
    """Newtons in one count; negative where the cell is built in the other way round."""
    scale_ci95: float | None = None
    """Relative 95 % half-width of `N_per_count`; None: not known."""
    zero_ci95_N: float | None = None
    """95 % half-width of the zero, N; None: not known."""
    residual_N: float | None = None
    """Largest distance of a known weight from the straight line, N; None with a single weight."""
    bits: int = LOAD_BITS
    """Width of the counts."""

    def apply(self, counts: ArrayLike) -> Floats:
        """Give the load, N; counts without sign are read as two's complement first."""
        return (signed(counts, self.bits) - self.zero_counts) * self.N_per_count


@dataclass(frozen=True, slots=True)
class TravelScale:
    """Travel = (counts − zero) · `m_per_count`."""

    zero_counts: float
    """Counts where the tip is free."""
    m_per_count: float
    """Metres in one count; negative where the counter runs the other way."""
    scale_ci95: float | None = None
    """Relative 95 % half-width of `m_per_count`; None: not known."""
    bits: int | None = None
    """Width of a counter that wraps; None: it does not. Travel then stays within half of its range."""

    def apply(self, counts: ArrayLike) -> Floats:
        """Give the travel, m."""
        moved = np.asarray(counts, dtype=float) - self.zero_counts
        return (moved if self.bits is None else signed(moved, self.bits)) * self.m_per_count


@dataclass(frozen=True, slots=True)
class AngleScale:
    """Chuck angle = sign · (counts − zero) · 360° / counts per turn."""

    sign: int = 1
    """+1 if counts grow while the chuck turns anticlockwise seen from the butt; else −1."""
    zero_counts: float = 0.0
    """Counts where the chuck reads 0."""
    counts_per_turn: int = TURN_COUNTS
    """Counts in one turn; there the sensor begins again."""
    zero_ci95_deg: float | None = None
    """95 % half-width of the chuck's zero; None: not known."""

    def apply(self, counts: ArrayLike, mount_deg: float = 0.0) -> Floats:
        """Give the blank angle that faces the pull, degrees in [0, 360): chuck angle + `mount_deg`."""
        turns = self.sign * (np.asarray(counts, dtype=float) - self.zero_counts) / self.counts_per_turn
        angle: Floats = np.mod(turns * 360.0 + mount_deg, 360.0)
        return np.where(angle >= 360.0, 0.0, angle)


@dataclass(frozen=True, slots=True)
class TipScale:
    """Tip slope = sign · (counts − zero) · 360° / counts per turn, in [−180°, 180°)."""

    sign: int = 1
    """+1 if counts grow as the tip turns toward the pull; else −1."""
    zero_counts: float = 0.0
    """Counts where the tip lies along the chuck's axis."""
    counts_per_turn: int = TURN_COUNTS
    """Counts in one turn."""

    def apply(self, counts: ArrayLike) -> Floats:
        """Give the slope, degrees, positive toward the pull."""
        turns = self.sign * (np.asarray(counts, dtype=float) - self.zero_counts) / self.counts_per_turn
        return (np.mod(turns + 0.5, 1.0) - 0.5) * 360.0


Scale = LoadScale | TravelScale | TurnScale | AngleScale | TipScale
_SCALES: dict[str, type[Scale]] = {
    "load": LoadScale,
    "travel": TravelScale,
    "angle": AngleScale,
    "tip": TipScale,
}


@dataclass(frozen=True, slots=True)
class Calibration:
    """All that turns the counts of one rig into units; None for a channel that is not calibrated."""

    dated: str = ""
    """When it was made, ISO 8601."""
    load: LoadScale | None = None
    """Load cell."""
    travel: TravelScale | TurnScale | None = None
    """Travel counter, or what turns with the travel."""
    angle: AngleScale | None = None
    """Chuck angle."""
    tip: TipScale | None = None
    """Tip slope."""

    def apply(
        self,
        counts: Mapping[str, ArrayLike],
        mount_deg: float = 0.0,
        travel_near: float | None = None,
    ) -> dict[str, Floats]:
        """Turn raw counts into engineering columns.

        Parameters
        ----------
        counts : mapping of str to array_like, shape (n,)
            By column: ``load_counts``, ``travel_counts``, ``angle_counts``, ``tip_counts``; others are passed
            over. A missing reading is nan.
        mount_deg : float
            Blank angle that faces the pull when the chuck reads 0.
        travel_near : float or None
            Where these counts go on a run: the reading of the travel before them, see `TurnScale.followed`.

        Returns
        -------
        dict of str to ndarray
            ``load_N``, ``travel_m``, ``roll_deg``, ``tip_deg``, as far as counts and calibration go.
        """
        columns: dict[str, Floats] = {}
        if self.load is not None and "load_counts" in counts:
            columns["load_N"] = self.load.apply(counts["load_counts"])
        if self.travel is not None and "travel_counts" in counts:
            read = counts["travel_counts"]
            if isinstance(self.travel, TurnScale):
                columns["travel_m"] = self.travel.apply(read, travel_near)
            else:
                columns["travel_m"] = self.travel.apply(read)
        if self.angle is not None and "angle_counts" in counts:
            columns["roll_deg"] = self.angle.apply(counts["angle_counts"], mount_deg)
        if self.tip is not None and "tip_counts" in counts:
            columns["tip_deg"] = self.tip.apply(counts["tip_counts"])
        return columns

    def to_tables(self) -> dict[str, Any]:
        """Give the table ``calibration`` of a run's header, or the whole of a calibration file."""
        tables: dict[str, Any] = {"dated": self.dated} if self.dated else {}
        for name in _SCALES:
            scale = getattr(self, name)
            if scale is not None:
                table = {key: value for key, value in asdict(scale).items() if value is not None}
                if isinstance(scale, TurnScale):
                    table["geometry"] = geometry.to_table(scale.geometry)
                tables[name] = table
        return tables

    @classmethod
    def from_tables(cls, tables: Mapping[str, Any], path: str | os.PathLike[str]) -> Calibration:
        """Read what `to_tables` gives; unknown keys are passed over.

        Parameters
        ----------
        tables : mapping
            The table ``calibration`` of a header, or a calibration file.
        path : str or path
            Where it stands, for messages.

        Raises
        ------
        FileError
            If a channel misses a value or has a wrong one.
        """
        where = os.fspath(path)
        scales: dict[str, Any] = {
            name: _scale(kind, name, tables[name], where) for name, kind in _SCALES.items() if name in tables
        }
        dated = tables.get("dated", "")
        return cls(dated=dated.isoformat() if isinstance(dated, datetime) else str(dated), **scales)


def save_calibration(calibration: Calibration, folder: str | os.PathLike[str]) -> Path:
    """Write a calibration to a dated file of its own, such as ``2026-05-04T0930.toml``; none is overwritten.

    Returns
    -------
    Path
        The new file.

    Raises
    ------
    FileError
        If the folder or file cannot be made.
    ValueError
        If the calibration has no ISO date.
    """
    stem = f"{datetime.fromisoformat(calibration.dated):%Y-%m-%dT%H%M}"
    place = Path(folder)
    text = tomlkit.dumps(calibration.to_tables())
    try:
        place.mkdir(parents=True, exist_ok=True)
        number = 1
        while True:
            path = place / (f"{stem}.toml" if number == 1 else f"{stem}-{number}.toml")
            try:
                with open(path, "x", encoding="utf-8", newline="\n") as file:
                    file.write(text)
                return path
            except FileExistsError:
                number += 1
    except OSError as error:
        raise FileError(
            place, None, f"the calibration cannot be written ({error.strerror})", "check the folder"
        ) from error


def load_calibration(path: str | os.PathLike[str]) -> Calibration:
    """Read one calibration file.

    Raises
    ------
    FileError
        If it is missing, is no TOML, or misses a value.
    """
    place = Path(path)
    try:
        tables = tomllib.loads(place.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise FileError(place, None, f"it cannot be read ({error.strerror})", "check the name") from None
    except ValueError as error:  # neither UTF-8 nor TOML
        raise FileError(place, None, f"this is no calibration ({error})", "calibrate again") from None
    return Calibration.from_tables(tables, place)


def latest_calibration(folder: str | os.PathLike[str], before: datetime | None = None) -> Calibration | None:
    """Read the calibration made last; None if the folder has none.

    Parameters
    ----------
    folder : str or path
        The shop's folder of calibrations.
    before : datetime or None
        Only what was made at this moment or earlier, in the time of the files' names.

    Raises
    ------
    FileError
        If that file cannot be read: an older one is not taken in its place.
    """
    limit = f"{before:%Y-%m-%dT%H%M}~" if before else "~"
    files = [path for path in Path(folder).glob("[0-9]*.toml") if path.stem < limit]
    return load_calibration(max(files, key=_order)) if files else None


def _order(path: Path) -> tuple[str, int]:
    """Sort ``…T0930-2`` behind ``…T0930``."""
    stem, number = path.stem[:15], path.stem[16:]
    return stem, int(number) if number.isdigit() else 1


def _scale(kind: type[Scale], name: str, table: Any, path: str) -> Scale:
    def fault(what: str) -> FileError:
        return FileError(path, None, f"the calibration of {name} {what}", "calibrate the channel again")

    if not isinstance(table, Mapping):
        raise fault("is no table")
    given: dict[str, Any] = {}
    turns = table.get("geometry") if name == "travel" else None
    if turns is not None:
        if not isinstance(turns, Mapping):
            raise fault("has a geometry that is no table")
        kind = TurnScale
        given["geometry"] = geometry.from_table(turns, lambda key, what, do: fault(f"says that {what}"))
    for entry in fields(kind):
        if entry.name == "geometry":
            continue
        value = table.get(entry.name)
        if value is None:
            if entry.default is MISSING:
                raise fault(f"does not give {entry.name}")
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise fault(f"has a {entry.name} that is no number")
        whole = entry.name in ("sign", "bits", "counts_per_turn", "wraps_at")
        wrong = (
            (whole and value != int(value))
            or (entry.name == "sign" and value not in (1, -1))
            or (entry.name in ("bits", "counts_per_turn", "wraps_at") and value < 2)
            or (entry.name.endswith("_per_count") and value == 0)
            or ("ci95" in entry.name and value < 0)
        )
        if wrong:
            raise fault(f"has an impossible {entry.name}")
        given[entry.name] = int(value) if whole else float(value)
    return kind(**given)
