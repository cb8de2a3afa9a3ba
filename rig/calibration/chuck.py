"""The chuck as a calibration keeps it: run-out, uneven support and seating, and the lag of the load.

They stand beside the scales in the same dated file and in the header of every run (``[calibration.chuck]``,
``[calibration.lag]``).
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rig.errors import FileError

if TYPE_CHECKING:
    from analysis.roll import Chuck

_MANY = 1e9
"""Stands for exactly known in a file."""
_COUNT = 4


@dataclass(frozen=True, slots=True)
class Numbers:
    """What one calibration, or several together, found of a chuck. SI, angles of the index in deg."""

    values: tuple[float, ...]
    """Run-out along the chuck's angles 0 and 90° (m), uneven support likewise (share of the stiffness)."""
    covariance: tuple[tuple[float, ...], ...]
    """Theirs, 4 by 4."""
    degrees_of_freedom: float
    """Behind the run-out's."""
    seating_m: float
    """Standard deviation along one axis, m."""
    seating_degrees_of_freedom: float
    """Behind it."""
    index_sd_deg: float
    """Standard deviation of the index mark's place."""
    free_length_m: float
    """Free length of the blank that it was found with, m."""
    stiffness_N_per_m: float
    """Its stiffness, N/m."""

    @classmethod
    def of(cls, chuck: Chuck) -> Numbers:
        """Take the numbers of a chuck."""
        return cls(
            tuple(float(value) for value in chuck.values),
            tuple(tuple(float(value) for value in row) for row in chuck.covariance),
            min(chuck.dof, _MANY),
            float(chuck.seating_m),
            min(chuck.seating_dof, _MANY),
            math.degrees(chuck.index),
            chuck.free_length_m,
            float(chuck.stiffness_N_per_m),
        )

    def chuck(self, name: str) -> Chuck:
        """Give the chuck for a fit."""
        import numpy as np

        from analysis.roll import Chuck

        return Chuck(
            values=np.array(self.values),
            covariance=np.array(self.covariance),
            dof=_exact(self.degrees_of_freedom),
            seating_m=self.seating_m,
            seating_dof=_exact(self.seating_degrees_of_freedom),
            index=math.radians(self.index_sd_deg),
            free_length_m=self.free_length_m,
            stiffness_N_per_m=self.stiffness_N_per_m,
            name=name,
        )

    def to_table(self) -> dict[str, Any]:
        """Give the table that `from_table` reads."""
        return {
            "values": list(self.values),
            "covariance": [list(row) for row in self.covariance],
            "degrees_of_freedom": self.degrees_of_freedom,
            "seating_m": self.seating_m,
            "seating_degrees_of_freedom": self.seating_degrees_of_freedom,
            "index_sd_deg": self.index_sd_deg,
            "free_length_m": self.free_length_m,
            "stiffness_N_per_m": self.stiffness_N_per_m,
        }

    @classmethod
    def from_table(cls, table: Mapping[str, Any], path: str) -> Numbers:
        """Read what `to_table` gives.

        Raises
        ------
        FileError
            If a number is missing or impossible.
        """
        numbers = {
            key: _number(table, key, path, above=key in ("free_length_m", "degrees_of_freedom"))
            for key in (
                "degrees_of_freedom", "seating_m", "seating_degrees_of_freedom", "index_sd_deg",
                "free_length_m", "stiffness_N_per_m",
            )
        }  # fmt: skip
        values = table.get("values")
        rows = table.get("covariance")
        if (
            not isinstance(values, list)
            or not _is_list(values)
            or not isinstance(rows, list)
            or len(rows) != _COUNT
        ):
            raise _fault(path, "does not give values and covariance")
        if not all(_is_list(row) for row in rows) or any(rows[at][at] < 0.0 for at in range(_COUNT)):
            raise _fault(path, "has a covariance that is none")
        return cls(tuple(map(float, values)), tuple(tuple(map(float, row)) for row in rows), **numbers)


@dataclass(frozen=True, slots=True)
class ChuckScale:
    """What turns with the chuck, and how differently a blank sits each time."""

    dated: str
    """When it was found, ISO 8601."""
    numbers: Numbers
    """As it is used: of several calibrations together where they agree."""
    alone: Numbers
    """As this calibration found it by itself."""
    blank: str = ""
    """The blank it was found with."""
    device: str = ""
    """The rig's board, or empty."""
    mounts_deg: tuple[float, ...] = ()
    """Mounts of that blank."""
    pooled: int = 1
    """How many calibrations stand behind `numbers`."""

    @property
    def name(self) -> str:
        """Which chuck this is: blanks that name the same one share its error."""
        return f"{self.device} {self.dated}".strip()

    def chuck(self) -> Chuck:
        """Give the chuck for a fit."""
        return self.numbers.chuck(self.name)

    def to_table(self) -> dict[str, Any]:
        """Give the table ``chuck``."""
        table: dict[str, Any] = {"dated": self.dated, "blank": self.blank, "device": self.device}
        table |= {"mounts_deg": list(self.mounts_deg), "pooled": self.pooled, **self.numbers.to_table()}
        if self.pooled > 1:
            table["alone"] = self.alone.to_table()
        return table

    @classmethod
    def from_table(cls, table: Any, path: str | os.PathLike[str]) -> ChuckScale:
        """Read what `to_table` gives; unknown keys are passed over.

        Raises
        ------
        FileError
            If a number is missing or impossible.
        """
        where = os.fspath(path)
        if not isinstance(table, Mapping):
            raise _fault(where, "is no table")
        numbers = Numbers.from_table(table, where)
        alone = table.get("alone")
        mounts = table.get("mounts_deg", [])
        count = table.get("pooled", 1)
        return cls(
            dated=str(table.get("dated", "")),
            numbers=numbers,
            alone=Numbers.from_table(alone, where) if isinstance(alone, Mapping) else numbers,
            blank=str(table.get("blank", "")),
            device=str(table.get("device", "")),
            mounts_deg=tuple(float(m) for m in mounts) if _is_list(mounts, None) else (),
            pooled=count if isinstance(count, int) else 1,
        )


@dataclass(frozen=True, slots=True)
class LagScale:
    """How the load comes behind the angle, and what friction does."""

    dated: str
    """When it was found, ISO 8601."""
    lag_s: float
    """The load belongs to the angle of so long ago, s."""
    lag_ci95_s: float
    """95 % half-width, s."""
    backlash_deg: float | None = None
    """Half of what the angle differs between the directions whatever the rate, deg; None: not told apart."""
    backlash_ci95_deg: float | None = None
    """95 % half-width, deg."""
    friction_N: float | None = None
    """Half of the jump of the load between the directions, N."""
    friction_ci95_N: float | None = None
    """95 % half-width, N."""

    def to_table(self) -> dict[str, Any]:
        """Give the table ``lag``."""
        named = {
            "lag_s": self.lag_s,
            "lag_ci95_s": self.lag_ci95_s,
            "backlash_deg": self.backlash_deg,
            "backlash_ci95_deg": self.backlash_ci95_deg,
            "friction_N": self.friction_N,
            "friction_ci95_N": self.friction_ci95_N,
        }
        return {"dated": self.dated} | {key: value for key, value in named.items() if value is not None}

    @classmethod
    def from_table(cls, table: Any, path: str | os.PathLike[str]) -> LagScale:
        """Read what `to_table` gives.

        Raises
        ------
        FileError
            If a number is missing or impossible.
        """
        where = os.fspath(path)
        if not isinstance(table, Mapping):
            raise _fault(where, "is no table", "lag")
        given: dict[str, float | None] = {}
        for key in (
            "lag_s", "lag_ci95_s", "backlash_deg", "backlash_ci95_deg", "friction_N", "friction_ci95_N",
        ):  # fmt: skip
            value = table.get(key)
            if value is None and key not in ("lag_s", "lag_ci95_s"):
                given[key] = None
                continue
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise _fault(where, f"has no {key} that is a number", "lag")
            if "ci95" in key and value < 0.0:
                raise _fault(where, f"has an impossible {key}", "lag")
            given[key] = float(value)
        return cls(dated=str(table.get("dated", "")), **given)  # type: ignore[arg-type]


def _exact(dof: float) -> float:
    return math.inf if dof >= _MANY else dof


def _is_list(value: Any, length: int | None = _COUNT) -> bool:
    """Tell a list of finite numbers."""
    if not isinstance(value, Sequence) or isinstance(value, str) or length not in (None, len(value)):
        return False
    return all(isinstance(one, int | float) and math.isfinite(one) for one in value)


def _number(table: Mapping[str, Any], key: str, path: str, *, above: bool) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _fault(path, f"has no {key} that is a number")
    if value < 0.0 or (above and value == 0.0):
        raise _fault(path, f"has an impossible {key}")
    return float(value)


def _fault(path: str, what: str, of: str = "chuck") -> FileError:
    return FileError(
        path, None, f"the calibration of the {of} {what}", f"run blankbench calibrate {of} again"
    )
