"""The rigidity of a blank in a file of its own, so that later work needs no run.

A CSV that a spreadsheet opens: header lines are ``# `` and TOML; then ``s_m, EI_Nm2`` and, as further columns
``log_cov_1 …``, the covariance of log EI between the stations, one row a station.
"""

from __future__ import annotations

import io
import tomllib
from pathlib import Path

import numpy as np
import tomlkit

from analysis.bend import Profile
from rig.errors import FileError

_MARKER = "blankbench-profile"
_STATIONS = 41
_AGAIN = "write it again: blankbench flex RUN --profile FILE"


def profile_text(profile: Profile, blank: str, model: str, run: str) -> str:
    """Write a profile as CSV.

    Parameters
    ----------
    profile : Profile
        With its covariance, or without.
    blank, model, run : str
        Whose it is, and the run it came from.
    """
    s = np.linspace(0.0, profile.length_m, _STATIONS)
    columns = {"s_m": s, "EI_Nm2": profile.EI(s)}
    if profile.log_covariance is not None:
        weights = np.array([np.interp(s, profile.s_m, row) for row in np.eye(profile.s_m.size)]).T
        covariance = weights @ profile.log_covariance @ weights.T
        columns |= {f"log_cov_{n + 1}": column for n, column in enumerate(covariance.T)}
    head = {_MARKER: 1, "blank": blank, "model": model, "run": run, "free_length_m": profile.length_m}
    lines = [f"# {line}" for line in tomlkit.dumps(head).splitlines()]
    lines.append(",".join(columns))
    lines += [",".join(f"{value:.10g}" for value in row) for row in np.column_stack(list(columns.values()))]
    return "\n".join(lines) + "\n"


def read_profile(path: str | Path) -> Profile:
    """Read a profile file; `Profile.blank` says whose it is.

    Raises
    ------
    FileError
        With the line, if it is missing or is no profile.
    """
    try:
        lines = Path(path).read_bytes().decode("utf-8-sig").splitlines()
    except OSError as error:
        raise FileError(
            path, None, f"the profile cannot be read ({error.strerror})", "check the name"
        ) from None
    except UnicodeDecodeError:
        raise FileError(path, None, "this is no profile", _AGAIN) from None
    top = next((at for at, line in enumerate(lines) if not line.startswith("#")), len(lines))
    try:
        head = tomllib.loads("\n".join(line[1:].strip() for line in lines[:top]))
    except tomllib.TOMLDecodeError as error:
        raise FileError(path, 1, f"the profile's header cannot be read ({error})", _AGAIN) from None
    if head.get(_MARKER) != 1 or top >= len(lines):
        raise FileError(path, 1, "this is no profile", _AGAIN)
    names = lines[top].split(",")
    if names[:2] != ["s_m", "EI_Nm2"]:
        raise FileError(path, top + 1, "a profile's columns begin with s_m,EI_Nm2", _AGAIN)
    try:
        table = np.loadtxt(io.StringIO("\n".join(lines[top + 1 :])), delimiter=",", ndmin=2)
        covariance = table[:, 2:] if table.shape[1] > 2 else None
        if not np.isfinite(table).all():
            raise ValueError("a value is missing")
        return Profile(table[:, 0], table[:, 1], covariance, blank=str(head.get("blank", "")))
    except ValueError as error:
        raise FileError(path, top + 2, f"the profile's numbers cannot be used ({error})", _AGAIN) from None
