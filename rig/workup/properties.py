"""What a comparison of blanks takes from their worked-up runs: one value a blank for each property.

Beside what the runs tell, a shop may compare by any number that its runs' headers state: ``tip_diameter_m``,
or ``wall_mm = 0.82`` with ``wall_ci95_mm = 0.02`` beside it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

from analysis.decide import DEFAULT_TOLERANCES, combine
from analysis.decide.properties import UNITS
from analysis.estimate import Estimate, coverage_factor
from rig.errors import CallError
from rig.runs import Header
from rig.workup.one_run import Flex, Roll

Values = dict[str, dict[str, Estimate]]
"""Property → blank → value; anisotropy and hysteresis in percentage points, else SI or the shop's unit."""

_OF_KIND: Mapping[str, frozenset[str]] = {
    "roll": frozenset({"stiffness", "bow"}),
    "flex": frozenset({"reference_load", "bend_centre", "initial_stiffness"}),
}
"""What a run of each kind tells that hangs on the free length."""
_OF_CALIBRATION = frozenset({"even_blank_rigidity"}).union(*_OF_KIND.values())
_OF_THE_RIG = frozenset({"friction"})
"""Causes of an error that stays the same under another calibration."""
_LENGTH_STEP_M = 5e-4
_OTHER_LENGTH = 2e-3
"""Lengths that differ by more than this part of them make loads differ by more than 0.6 %."""
_TWO_LENGTHS_M = 0.005


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that makes a comparison of these runs unfair."""

    text: str
    """One plain sentence."""
    properties: frozenset[str]
    """Which properties it touches."""
    bars: bool = False
    """True if their values do not compare at all."""


def values_of(
    rolls: Mapping[str, Sequence[Roll]], flexes: Mapping[str, Sequence[Flex]], added: Iterable[str] = ()
) -> Values:
    """Collect the values of all blanks; several runs of one blank are combined.

    Parameters
    ----------
    rolls, flexes : mapping of blank to sequence
        As from `work_blanks`.
    added : iterable of str
        Properties beside those with a shipped tolerance that the shop asks for.

    Returns
    -------
    dict of property name to dict of blank to Estimate
        Where the runs were made under several calibrations, the calibration's error no longer cancels
        between blanks and becomes each blank's own.
    """
    names = list(dict.fromkeys([*DEFAULT_TOLERANCES, *added]))
    own = bool(_calibrations(rolls, flexes))
    values: Values = {}
    for blank in dict.fromkeys([*rolls, *flexes]):
        found = _measured(rolls.get(blank, ()), flexes.get(blank, ()))
        headers = _headers({blank: rolls.get(blank, ())}, {blank: flexes.get(blank, ())})
        for name in names:
            stated = {"mass": ("mass_g", 1e-3), "length": ("length_m", 1.0)}.get(name, (name, 1.0))
            known = found.get(name) if name in found else _stated(headers, *stated)
            usable = [value for value in known or () if value is not None and math.isfinite(value.value)]
            if usable:
                value = combine(usable)
                values.setdefault(name, {})[blank] = _unshared(value) if own else value
    return {name: values[name] for name in names if name in values}


def _measured(rolls: Sequence[Roll], flexes: Sequence[Flex]) -> dict[str, list[Estimate | None]]:
    """Give what the runs of one blank tell, by property."""
    rolled, bent = [work.result for work in rolls], [work.result for work in flexes]
    return {
        "reference_load": [result.reference_load for result in bent],
        "bend_centre": [result.bend_centre for result in bent],
        "even_blank_rigidity": [result.even_blank_rigidity for result in bent],
        "initial_stiffness": [result.initial_stiffness for result in bent],
        "hysteresis": [_percent(result.hysteresis) for result in bent],
        "stiffness": [result.stiffness for result in rolled],
        "anisotropy": [_percent(result.anisotropy) for result in rolled],
        "bow": [result.bow for result in rolled],
    }


def _percent(value: Estimate | None) -> Estimate | None:
    return None if value is None else value.scaled(100.0)


def _stated(headers: Sequence[Header], key: str, factor: float) -> list[Estimate]:
    """Read a header's number with the half-width that stands beside it; equal numbers count once."""
    stem, _, unit = key.rpartition("_")
    pairs = dict.fromkeys(
        (number, _number(header, f"{stem}_ci95_{unit}" if stem else f"{key}_ci95") or 0.0)
        for header in headers
        if (number := _number(header, key)) is not None
    )
    return [
        Estimate(number * factor, abs(ci95 * factor) / coverage_factor(math.inf)) for number, ci95 in pairs
    ]


def _number(header: Header, key: str) -> float | None:
    value = header.extra.get(key) if key not in _HEADER_KEYS else getattr(header, key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


_HEADER_KEYS = frozenset(entry.name for entry in fields(Header))


def _unshared(value: Estimate) -> Estimate:
    return replace(
        value,
        shares=tuple(
            share if share.cause in _OF_THE_RIG else replace(share, shared=False) for share in value.shares
        ),
    )


def check_known(names: Iterable[str], headers: Iterable[Header], option: str) -> None:
    """Refuse a property that is neither measured nor stated by any run.

    Raises
    ------
    CallError
        With the names that are known.
    """
    headers = list(headers)
    for name in names:
        if name in UNITS or any(_number(header, name) is not None for header in headers):
            continue
        raise CallError(
            f"{option} {name} is not NAME=VALUE with a name that is known",
            f"use one of {', '.join(UNITS)}, or a number that the runs' headers state",
        )


def models_of(runs: Iterable[Header]) -> dict[str, list[str]]:
    """Give the blanks of each model; blanks whose runs name no model are left out."""
    models: dict[str, list[str]] = {}
    for header in runs:
        if header.model and header.blank not in models.setdefault(header.model, []):
            models[header.model].append(header.blank)
    return models


def doubts_of(rolls: Mapping[str, Sequence[Roll]], flexes: Mapping[str, Sequence[Flex]]) -> list[Doubt]:
    """Say what makes a comparison of these runs unfair."""
    headers = _headers(rolls, flexes)
    doubts = []
    models = models_of(headers)
    if len(models) > 1:
        text = f"these are blanks of {len(models)} models: {', '.join(sorted(models))}."
        doubts.append(Doubt(text, frozenset(UNITS)))
    for kind, lengths in (
        ("roll", [i.run.header.free_length_m for group in rolls.values() for i in group]),
        ("flex", [i.result.rated_length_m for group in flexes.values() for i in group]),
    ):
        if lengths and max(lengths) - min(lengths) > _LENGTH_STEP_M:
            shown = ", ".join(sorted({f"{length:.4f}" for length in lengths}))
            text = (
                f"the {kind} runs are for different free lengths ({shown} m): "
                "loads and stiffnesses do not compare."
            )
            far = max(lengths) - min(lengths) > _OTHER_LENGTH * max(lengths)
            doubts.append(Doubt(text, _OF_KIND[kind], bars=far))
    travels = [i.result.travel_m for group in rolls.values() for i in group]
    if travels and max(travels) > 1.02 * min(travels):
        text = (
            f"the roll runs were made at different travels ({min(travels):.3f} to {max(travels):.3f} m): "
            "their stiffnesses do not compare."
        )
        doubts.append(Doubt(text, frozenset({"stiffness"}), bars=True))
    dates = _calibrations(rolls, flexes)
    if dates:
        text = (
            f"the runs were made under {len(dates)} calibrations ({', '.join(dates)}): "
            "the calibration's own error counts between these blanks."
        )
        doubts.append(Doubt(text, _OF_CALIBRATION))
    for blank in dict.fromkeys([*rolls, *flexes]):
        if (rolls and flexes) and (blank not in rolls or blank not in flexes):
            missing = "roll" if blank not in rolls else "flex"
            text = f"{blank} has no {missing} run, so it takes no part in what that run tells."
            doubts.append(Doubt(text, frozenset()))
        lengths = [h.length_m for h in headers if h.blank == blank and h.length_m is not None]
        if lengths and max(lengths) - min(lengths) > _TWO_LENGTHS_M:
            text = (
                f"the runs of {blank} state lengths from {min(lengths):.3f} to {max(lengths):.3f} m: "
                "are these two blanks of one name?"
            )
            doubts.append(Doubt(text, frozenset(UNITS)))
    return doubts


def bar(doubts: Iterable[Doubt], wanted: Collection[str], do: str) -> None:
    """Refuse a decision on properties whose values do not compare.

    Raises
    ------
    CallError
        For the first such doubt.
    """
    for doubt in doubts:
        if doubt.bars and doubt.properties & set(wanted):
            raise CallError(doubt.text.rstrip("."), do)


def _headers(rolls: Mapping[str, Sequence[Roll]], flexes: Mapping[str, Sequence[Flex]]) -> list[Header]:
    headers = [work.run.header for group in rolls.values() for work in group]
    return headers + [work.run.header for group in flexes.values() for work in group]


def _calibrations(rolls: Mapping[str, Sequence[Roll]], flexes: Mapping[str, Sequence[Flex]]) -> list[str]:
    """Dates of the calibrations in force where runs of one kind had several; none where they had one.

    A run that states no calibration counts as one more where others do.
    """
    several: set[str] = set()
    for headers in (_headers(rolls, {}), _headers({}, flexes)):
        dates = {str(h.tables.get("calibration", {}).get("dated", "")) or "not stated" for h in headers}
        several |= dates if len(dates) > 1 else set()
    return sorted(several)
