"""The shop's settings: one TOML file, every key optional, every fault named with its line."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from rig.errors import FileError
from rig.settings.reader import read_specification_values, read_values
from rig.settings.specification import Specification, build_specification

if TYPE_CHECKING:
    from analysis.bend import Bands
    from analysis.readings import Contact, Pull
    from analysis.roll.result import MarkRule
    from analysis.units import System
    from rig.calibration.geometry import Geometry
    from rig.line.mapping import PlainMapping

ENVIRONMENT = "BLANKBENCH_SETTINGS"
"""Environment variable that names the settings file."""
FILE_NAME = "blankbench.toml"


STANDARD_GRAVITY_M_S2 = 9.80665
"""By definition (3rd CGPM, 1901); a test holds it against `scipy.constants`, which takes long to load."""


@dataclass(frozen=True, slots=True)
class Shop:
    """Who works here and how results are shown."""

    name: str = ""
    """Printed on reports."""
    operator: str = ""
    """Who records, where the run does not say."""
    units: System = "metric"
    """Shown units."""
    mark_rule: MarkRule = "snap"
    """Where the tape goes."""
    runs: str = "runs"
    """Folder of recordings, as written in the file."""
    calibrations: str = "calibrations"
    """Folder of dated calibrations, as written in the file."""
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2
    """Of the shop's place, m/s²."""


@dataclass(frozen=True, slots=True)
class Rig:
    """The bench and its port."""

    port: str | None = None
    """Port, or any URL that the link opens."""
    baud: int = 115_200
    """Bits a second."""
    rate_hz: float = 80.0
    """Readings a second that the board is asked for."""
    load_limit_N: float = 15.0
    """Past this the recorder raises its alarm, N."""
    driven: bool = False
    """True if a motor moves the rig and must be stopped at the load limit."""
    free_length_m: float | None = None
    """Where `record` is not told, m."""
    held_travel_m: float | None = None
    """Where `record` is not told, m."""
    contact: Contact = "held"
    """Whether the tip is held sideways."""
    pull: Pull | None = None
    """Which way the rig pulls."""
    angle_sign: int = 1
    """−1 if the sensor counts down while the chuck turns anticlockwise seen from the butt."""
    friction_N: float | None = None
    """Half of the jump between rolling forward and back, N."""
    free_length_ci95_m: float | None = None
    """95 % half-width of the free length, m."""
    index_ci95_deg: float | None = None
    """95 % half-width of the index mark's place in the chuck."""
    clip_g: float | None = None
    """Mass of what rides on the tip, such as the slope sensor's clip, g."""
    check_blank: str | None = None
    """Name of the blank that is measured again and again to watch the rig."""
    check_since: str | None = None
    """First day whose runs of it count (after the rig was set up anew), ISO 8601."""


@dataclass(frozen=True, slots=True)
class ByHand:
    """What readings by hand are read to, where a run does not say."""

    ruler_m: float = 1e-3
    """Smallest step of the ruler, m."""
    scale_N: float = 0.049
    """Of the scale, or how exact the weights are, N: 5 g."""
    protractor_deg: float = 1.0
    """Of the angle, deg."""


@dataclass(frozen=True, slots=True)
class Turning:
    """A rig that reads the travel as an angle."""

    geometry: Geometry
    """What turns."""
    counts_per_turn: int
    """Counts in one turn of its sensor."""


@dataclass(frozen=True, slots=True)
class Classes:
    """Class words and the edges between them, in rising order."""

    names: tuple[str, ...]
    """Lowest to highest value, one more than `edges`."""
    edges: tuple[float, ...]
    """Rising; N for power, 1 for action."""


@dataclass(frozen=True, slots=True)
class Model:
    """What the shop has set for one model."""

    rated_length_m: float | None = None
    """Free length at which its blanks are rated, m."""
    specification: Specification | None = None
    """What the shop wants of it."""


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings, with the shipped ones where the file says nothing."""

    shop: Shop = field(default_factory=Shop)
    """Table ``[shop]``."""
    rig: Rig = field(default_factory=Rig)
    """Table ``[rig]``."""
    travel: Turning | None = None
    """Table ``[travel]``; None: a counter along the pull."""
    power: Classes | None = None
    """Table ``[classes.power]``; None: the shipped bands."""
    action: Classes | None = None
    """Table ``[classes.action]``; None: the shipped bands."""
    tolerances: Mapping[str, float] = field(default_factory=dict)
    """Table ``[tolerance]``, by metric; the shipped tolerances hold for the rest."""
    sure_pct: float = 95.0
    """Table ``[grading]``: how sure it must be that a blank keeps a limit before it passes, and that it does
    not before it fails, percent."""
    models: Mapping[str, Model] = field(default_factory=dict)
    """Tables ``[models."…"]``, by model."""
    by_hand: ByHand = field(default_factory=ByHand)
    """Table ``[by_hand]``."""
    path: Path | None = None
    """The file they come from; None: shipped."""
    sketch: PlainMapping | None = None
    """Table ``[sketch]``, written by ``blankbench sniff``: how the lines of a sketch are read that does not
    speak the line protocol."""

    @property
    def power_bands(self) -> Bands:
        """Bands of the reference load, N."""
        from analysis.bend import DEFAULT_POWER_BANDS, Bands

        return DEFAULT_POWER_BANDS if self.power is None else Bands(self.power.names, self.power.edges)

    @property
    def action_bands(self) -> Bands:
        """Bands of the bend centre."""
        from analysis.bend import DEFAULT_ACTION_BANDS, Bands

        return DEFAULT_ACTION_BANDS if self.action is None else Bands(self.action.names, self.action.edges)

    def rated_length_m(self, model: str) -> float | None:
        """Give the length at which blanks of `model` are rated, m; None where nothing is set."""
        return self.models[model].rated_length_m if model in self.models else None


def settings_path() -> Path:
    """Give the settings file of this computer's user, whether it is there or not."""
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or home)
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or home / ".config")
    return base / "blankbench" / FILE_NAME


def load_settings(path: str | os.PathLike[str] | None = None) -> Settings:
    """Read the settings.

    Parameters
    ----------
    path : str, path or None
        The file; None: the one that the environment variable ``BLANKBENCH_SETTINGS`` names, else the one of
        this computer's user, and shipped settings if that is not there.

    Raises
    ------
    FileError
        If a named file is missing, or with the line of what is wrong in it.
    """
    named = path if path is not None else os.environ.get(ENVIRONMENT) or None
    place = Path(named) if named is not None else settings_path()
    if named is None and not place.exists():
        return Settings()
    return parse_settings(_read(place), place)


def _read(place: Path, what: str = "settings") -> str:
    try:
        data = place.read_bytes()
    except FileNotFoundError:
        raise FileError(place, None, f"there is no such {what} file", "check the name") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(place, None, f"the {what} cannot be read ({reason})", "check the name") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileError(place, line, f"the {what} file is not UTF-8 text", "save it as UTF-8") from None


def parse_settings(text: str, path: str | os.PathLike[str]) -> Settings:
    """Read settings from the text of a file; `path` is for messages.

    Raises
    ------
    FileError
        With the line.
    """
    values = read_values(text, os.fspath(path))
    rig = values["rig"]
    for entry in fields(Rig):
        if isinstance(entry.default, float) and entry.name in rig:
            rig[entry.name] = float(rig[entry.name])
    return Settings(
        shop=Shop(**values["shop"]),
        rig=Rig(**rig),
        travel=Turning(**values["travel"]) if values["travel"] else None,
        power=_classes(values["classes"].get("power"), "edges_N"),
        action=_classes(values["classes"].get("action"), "edges"),
        tolerances={name: float(value) for name, value in values["tolerance"].items()},
        sure_pct=float(values["grading"].get("sure_pct", 95.0)),
        models={name: _model(table) for name, table in values["models"].items() if table},
        by_hand=ByHand(**{key: float(value) for key, value in values["by_hand"].items()}),
        path=Path(path),
        sketch=_sketch(values.get("sketch"), Path(path)),
    )


def _sketch(table: Mapping[str, Any] | None, path: Path) -> PlainMapping | None:
    """Read how another sketch's lines are taken."""
    if not table:
        return None
    from rig.line.mapping import PlainMapping

    try:
        return PlainMapping.from_table(table)
    except ValueError as error:
        raise FileError(path, None, f"[sketch]: {error}", "run blankbench sniff again") from error


def _model(table: Mapping[str, Any]) -> Model:
    rated = table.get("rated_length_m")
    return Model(None if rated is None else float(rated), build_specification(table))


def load_specification(
    path: str | os.PathLike[str], settings: Settings
) -> tuple[Specification, str, Settings]:
    """Read a specification file of its own.

    Returns
    -------
    specification : Specification
    model : str
        The model it is for, or empty.
    settings : Settings
        With what the file says beside its limits: rated length, how sure.

    Raises
    ------
    FileError
        With the line.
    """
    place = Path(path)
    values = read_specification_values(_read(place, "specification"), os.fspath(path))
    specification = build_specification(values)
    assert specification is not None  # a file without limits is refused above
    model = str(values.get("model", ""))
    if "rated_length_m" in values and not model:
        raise FileError(place, None, "rated_length_m stands without a model", 'add  model = "…"')
    models = {**settings.models, **({model: _model(values)} if "rated_length_m" in values else {})}
    sure = float(values.get("sure_pct", settings.sure_pct))
    return specification, model, replace(settings, models=models, sure_pct=sure)


def _classes(table: Mapping[str, Any] | None, edges: str) -> Classes | None:
    if table is None:
        return None
    return Classes(tuple(table["names"]), tuple(float(edge) for edge in table[edges]))


def example_settings() -> str:
    """Give a settings file that states every key with its shipped value and a word on it."""
    return resources.files("rig").joinpath("example_settings.toml").read_text(encoding="utf-8")


def example_specification() -> str:
    """Give a specification file to start from."""
    return resources.files("rig").joinpath("example_specification.toml").read_text(encoding="utf-8")


def edit_settings(path: str | os.PathLike[str], changes: Mapping[str | tuple[str, ...], object]) -> Settings:
    """Change keys in a settings file and keep its comments; a file that is not there starts as the example.

    Parameters
    ----------
    path : str or path
        The file.
    changes : mapping
        New values by dotted key, such as ``rig.port``, or by its parts where one of them holds a point, such
        as ``("models", "No. 6", "rated_length_m")``; None takes a key out.

    Returns
    -------
    Settings
        As they are now in the file.

    Raises
    ------
    FileError
        If the file cannot be read or written, or a value is not allowed; the file is then unchanged.
    """
    place = Path(path)
    text = _read(place) if place.exists() else example_settings()
    parse_settings(text, place)
    try:
        document = tomlkit.parse(text)
        for dotted, value in changes.items():
            *tables, key = dotted.split(".") if isinstance(dotted, str) else dotted
            table: Any = document
            for name in tables:
                table = table.setdefault(name, tomlkit.table())
            if value is None:
                table.pop(key, None)
            else:
                table[key] = value
        text = tomlkit.dumps(document)
    except TOMLKitError as error:
        raise FileError(
            place, None, f"the settings cannot be changed ({error})", "edit them by hand"
        ) from error
    settings = parse_settings(text, place)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        fresh = place.with_name(place.name + ".new")
        fresh.write_text(text, encoding="utf-8", newline="\n")
        os.replace(fresh, place)
    except OSError as error:
        raise FileError(
            place,
            None,
            f"the settings cannot be written ({error.strerror})",
            "check the folder's permissions",
        ) from error
    return settings
