"""The rig's own signature in a file: what turns with the chuck, to be taken off runs of a single mount."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import tomlkit

from analysis.roll import Signature
from rig.errors import FileError

_SIZE = 4


def signature_text(signature: Signature, dated: str) -> str:
    """Write a signature as TOML."""
    return tomlkit.dumps(
        {
            "blankbench-signature": 1,
            "dated": dated,
            "travel_m": signature.travel_m,
            "stiffness_N_per_m": signature.stiffness_N_per_m,
            "values": [float(value) for value in signature.values],
            "covariance": [[float(value) for value in row] for row in signature.covariance],
        }
    )


def read_signature(path: str | Path) -> Signature:
    """Read a signature file.

    Raises
    ------
    FileError
        If it is missing, or is no signature.
    """
    again = "make it again from several mounts: blankbench spine RUN RUN --joint --save-signature FILE"
    try:
        tables = tomllib.loads(Path(path).read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise FileError(
            path, None, f"the signature cannot be read ({error.strerror})", "check the name"
        ) from None
    except ValueError as error:  # neither UTF-8 nor TOML
        raise FileError(path, None, f"this is no signature ({error})", again) from None
    try:
        if tables["blankbench-signature"] != 1:
            raise ValueError("another version")
        values = np.array(tables["values"], dtype=float)
        covariance = np.array(tables["covariance"], dtype=float)
        travel, stiffness = float(tables["travel_m"]), float(tables["stiffness_N_per_m"])
    except (KeyError, TypeError, ValueError):
        raise FileError(path, None, "this is no signature", again) from None
    good = values.shape == (_SIZE,) and covariance.shape == (_SIZE, _SIZE)
    if not (good and np.isfinite(values).all() and np.isfinite(covariance).all() and stiffness > 0.0):
        raise FileError(path, None, "this is no signature", again)
    if not math.isfinite(travel):
        raise FileError(path, None, "the signature's travel is no number", again)
    return Signature(values, covariance, travel, stiffness)
