"""Mappings that were kept under a name for the next table of the same kind, beside the shop's settings."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import tomlkit

from rig.errors import FileError
from rig.runs.folder import safe_name
from rig.runs.foreign.understand import RunKind, Understood, Wishes, column_wish

_OF_ONE_BLANK = ("blank", "mount_deg", "roll_deg", "mass_g", "started", "notes")


@dataclass(frozen=True, slots=True)
class Remembered:
    """What a kept mapping says."""

    wishes: Wishes
    """Kind, columns and header keys."""
    decimal: str | None = None
    """Sign of the numbers, where it was said."""
    resolution: tuple[str, ...] = ()
    """Steps of the readings, as typed."""
    path: Path | None = field(default=None, compare=False)
    """Where it is kept."""


def place_of(folder: Path, name: str) -> Path:
    """Give the file of a mapping."""
    return folder / "imports" / f"{safe_name(name)}.toml"


def remembered(folder: Path, name: str) -> Remembered | None:
    """Read a kept mapping; None where there is none of this name.

    Raises
    ------
    FileError
        If it cannot be read.
    """
    place = place_of(folder, name)
    if not place.exists():
        return None
    try:
        values = tomllib.loads(place.read_text(encoding="utf-8"))
        kind: RunKind | None = values.get("kind")
        if kind not in (None, "roll", "flex"):
            raise ValueError(f"kind {kind} is not known")
        columns = dict(column_wish(f"{key}={text}") for key, text in values.get("columns", {}).items())
        said = {str(key): str(text) for key, text in values.get("set", {}).items()}
        steps = tuple(str(text) for text in values.get("resolution", ()))
    except (OSError, ValueError, AttributeError, TypeError) as error:
        raise FileError(
            place,
            None,
            f"the kept mapping cannot be read ({error})",
            "remove the file and name the columns anew",
        ) from error
    return Remembered(Wishes(kind, columns, said), values.get("decimal"), steps, place)


def remember(
    folder: Path,
    name: str,
    found: Understood,
    values: Mapping[str, str],
    decimal: str | None,
    resolution: tuple[str, ...],
) -> Path:
    """Keep a mapping under a name; what belongs to one blank is left out.

    Raises
    ------
    FileError
        If it cannot be written.
    """
    place = place_of(folder, name)
    document: dict[str, object] = {"kind": found.kind}
    if decimal is not None:
        document["decimal"] = decimal
    if resolution:
        document["resolution"] = list(resolution)
    document["columns"] = {each.name: f"{each.heading}:{each.unit.name}" for each in found.taken}
    document["set"] = {key: text for key, text in values.items() if key not in _OF_ONE_BLANK}
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        draft = place.with_suffix(".new")
        draft.write_text(tomlkit.dumps(document), encoding="utf-8")
        os.replace(draft, place)
    except OSError as error:
        raise FileError(
            place, None, f"the mapping cannot be kept ({error.strerror})", "check the folder"
        ) from error
    return place
