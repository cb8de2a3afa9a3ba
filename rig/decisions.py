"""From worked-up blanks to the shop's decisions, one function a decision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from analysis.decide import DEFAULT_TOLERANCES, compare_batch
from analysis.decide.result import BatchResult
from rig.errors import CallError
from rig.properties import doubts_of, values_of
from rig.workup import Flex, Roll


def work_batch(
    rolls: Mapping[str, Sequence[Roll]],
    flexes: Mapping[str, Sequence[Flex]],
    tolerances: Mapping[str, float],
    warnings: Sequence[str] = (),
) -> BatchResult:
    """Compare the blanks of a batch.

    Parameters
    ----------
    rolls, flexes : mapping of blank to sequence
        As from `work_blanks`.
    tolerances : mapping of property name to float
        As for `compare_batch`; a name beyond the shipped ones adds a property.
    warnings : sequence of str
        What is said first.

    Raises
    ------
    CallError
        If there are fewer than two blanks.
    """
    blanks = list(dict.fromkeys([*rolls, *flexes]))
    if len(blanks) < 2:
        only = blanks[0] if blanks else "none"
        raise CallError(f"a batch needs two blanks or more, and these runs are of {only}", "name more runs")
    result = compare_batch(values_of(rolls, flexes, tolerances), {**DEFAULT_TOLERANCES, **tolerances})
    doubts = [doubt.text for doubt in doubts_of(rolls, flexes)]
    return replace(result, warnings=(*warnings, *doubts, *result.warnings))
