"""From run files to results: one run is worked up by one function of one file.

Runs of one blank help each other where they are at hand: a flex run corrects the barriers of a roll run, and
a roll run refers a flex run's ratings to the mean over the roll.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

from analysis.bend import Planes, fit_flex
from analysis.bend.result import FlexResult
from analysis.estimate import Estimate
from analysis.readings import FlexReadings, RollReadings
from analysis.roll import RollFit, Signature, fit_mounts, fit_roll
from analysis.roll.result import MarkRule, RollResult
from rig.errors import BlankbenchError, CallError, FileError
from rig.runs import Run, flex_readings, naming_lines, read_run, roll_readings
from rig.settings import Settings


@dataclass(frozen=True, slots=True)
class Roll:
    """A roll run and what it says."""

    run: Run
    """The recording."""
    result: RollResult
    """Planes, bow, snaps and mark."""


@dataclass(frozen=True, slots=True)
class Joint:
    """Several mounts of one blank and what they say together."""

    runs: tuple[Run, ...]
    """The recordings, one a mount."""
    result: RollResult
    """Planes, bow, snaps and mark, with what turns with the chuck taken off."""
    signature: Signature
    """What turns with the chuck."""


@dataclass(frozen=True, slots=True)
class Flex:
    """A flex run, or several of one blank together, and what they say."""

    run: Run
    """The recording, or the first of them."""
    result: FlexResult
    """Power, action and rigidity."""
    also: tuple[Run, ...] = ()
    """The further recordings that were fitted together with the first."""


def work_roll(
    run: Run,
    settings: Settings,
    *,
    rule: MarkRule | None = None,
    initial_stiffness: Estimate | None = None,
    curve: bool = False,
    signature: Signature | None = None,
) -> Roll:
    """Work up one roll run.

    Parameters
    ----------
    run : Run
        The recording, of kind ``roll``.
    settings : Settings
        The shop's settings.
    rule : {"snap", "snap-back", "stiff", "soft"} or None
        Where the tape goes; None is the shop's rule.
    initial_stiffness : Estimate or None
        Stiffness at small travel, N/m, from a flex run of the same blank; corrects the barriers.
    curve : bool
        Whether the arrays for the figures are wanted.
    signature : Signature or None
        What turns with the chuck, to be taken off.

    Raises
    ------
    FileError
        If the run is of another kind, or its readings do not allow an answer (with the line).
    """
    readings: RollReadings = roll_readings(run, settings)
    result = naming_lines(
        run,
        lambda: fit_roll(
            readings,
            mark_rule=rule or settings.shop.mark_rule,
            initial_stiffness=initial_stiffness,
            curve=curve,
            signature=signature,
        ),
    )
    return Roll(run, _with_warnings(result, run.warnings))


def work_joint(
    runs: Sequence[Run],
    settings: Settings,
    *,
    rule: MarkRule | None = None,
    initial_stiffness: Mapping[str, Estimate | None] | None = None,
) -> list[Joint]:
    """Work up several mounts of each blank together, the blanks in the order of their first run.

    Parameters
    ----------
    runs : sequence of Run
        Roll runs; two or more of each blank, each with its own ``mount_deg``.
    settings, rule
        As in `work_roll`.
    initial_stiffness : mapping or None
        Stiffness at small travel by blank, N/m, from flex runs.

    Raises
    ------
    FileError
        If a blank has one mount only, or a run says nothing.
    """
    groups: dict[str, list[Run]] = {}
    for run in runs:
        groups.setdefault(run.header.blank, []).append(run)
    joints = []
    for blank, mounts in groups.items():
        if len(mounts) < 2:
            raise FileError(
                mounts[0].path,
                mounts[0].header.lines.get("blank"),
                f"this is the only mount of blank {blank}, and a joint fit needs two or more of each blank",
                "give its other mounts, or leave it out",
            )
        readings = [roll_readings(run, settings) for run in mounts]
        small = (initial_stiffness or {}).get(blank)
        rule_now = rule or settings.shop.mark_rule
        fitted = naming_lines(
            mounts[0],
            partial(fit_mounts, readings, mark_rule=rule_now, initial_stiffness=small),
        )
        said = tuple(warning for run in mounts for warning in run.warnings)
        joints.append(Joint(tuple(mounts), _with_warnings(fitted.result, said), fitted.signature))
    return joints


def work_flex(
    run: Run,
    settings: Settings,
    *,
    also: Sequence[Run] = (),
    roll: RollResult | None = None,
    rated_length_m: float | None = None,
    cut_tip_m: float = 0.0,
    cut_butt_m: float = 0.0,
    curve: bool = False,
) -> Flex:
    """Work up one flex run, or several of one blank together.

    Parameters
    ----------
    run : Run
        The recording, of kind ``flex``.
    settings : Settings
        The shop's settings: class bands, rated length of the model.
    also : sequence of Run
        Further runs of the same blank, fitted together with the first.
    roll : RollResult or None
        Roll result of the same blank; refers the ratings to the mean over the roll.
    rated_length_m : float or None
        Length at which to rate; None is the model's entry in the settings, else the free length.
    cut_tip_m, cut_butt_m : float
        Rate it as if so much were cut off, m.
    curve : bool
        Whether the arrays for the figures are wanted.

    Raises
    ------
    FileError
        If a run is of another kind, or its readings do not allow an answer (with the line).
    """
    runs = (run, *also)
    readings: list[FlexReadings] = [flex_readings(each, settings) for each in runs]
    for each in runs:
        _check_label(each, settings)
    rated = rated_length_m
    if rated is None and not (cut_tip_m or cut_butt_m):
        rated = settings.rated_length_m(run.header.model)
    result = naming_lines(
        runs,
        lambda: fit_flex(
            readings,
            rated_length_m=rated,
            cut_tip_m=cut_tip_m,
            cut_butt_m=cut_butt_m,
            power_bands=settings.power_bands,
            action_bands=settings.action_bands,
            label_power=run.header.label_power,
            label_action=run.header.label_action,
            planes=None if roll is None else planes_of(roll),
            curve=curve,
        ),
    )
    said = tuple(dict.fromkeys(warning for each in runs for warning in each.warnings))
    return Flex(run, _with_warnings(result, said), tuple(also))


def group_flexes(runs: Sequence[Run]) -> list[tuple[Run, ...]]:
    """Put the runs of each blank together, the blanks in the order of their first run.

    Raises
    ------
    FileError
        If a blank has one run only, or its runs differ in model, piece or label: then they are of two blanks.
    """
    groups: dict[str, list[Run]] = {}
    for run in runs:
        groups.setdefault(run.header.blank, []).append(run)
    for blank, several in groups.items():
        first = several[0]
        if len(several) < 2:
            raise FileError(
                first.path,
                first.header.lines.get("blank"),
                f"this is the only run of blank {blank}, and a joint fit needs two or more of each blank",
                "give its other runs, or leave it out",
            )
        for run in several[1:]:
            for key in ("model", "piece", "label_power", "label_action"):
                own, other = getattr(run.header, key), getattr(first.header, key)
                if own and other and own != other:
                    raise FileError(
                        run.path,
                        run.header.lines.get(key),
                        f"{key} is {own} here and {other} in {first.path}, and both say blank {blank}",
                        "give runs of one blank only, or correct the header",
                    )
    return [tuple(several) for several in groups.values()]


def _check_label(run: Run, settings: Settings) -> None:
    """Refuse a label's word that names no class, with its line."""
    header = run.header
    for key, claim, bands in (
        ("label_power", header.label_power, settings.power_bands),
        ("label_action", header.label_action, settings.action_bands),
    ):
        if claim is not None:
            try:
                bands.word(claim, key.removeprefix("label_"))
            except BlankbenchError as error:
                raise FileError(run.path, header.lines.get(key), error.what, error.do) from None


def planes_of(roll: RollResult) -> Planes | None:
    """Give what a roll result tells about the sides of a blank."""
    if roll.anisotropy is None:
        return None
    return Planes(roll.anisotropy, roll.stiff_plane if roll.plane_found else None)


def work_blanks(
    runs: Iterable[Run],
    settings: Settings,
    *,
    rule: MarkRule | None = None,
    curve: bool = False,
    progress: Callable[[Run], None] = lambda run: None,
) -> tuple[dict[str, list[Roll]], dict[str, list[Flex]]]:
    """Work up roll and flex runs together, each blank's runs helping each other.

    Returns
    -------
    rolls, flexes : dict of lists, by blank in the order of the runs
    """
    runs = list(runs)
    rule = rule or settings.shop.mark_rule
    rolls: dict[str, list[Roll]] = {}
    flexes: dict[str, list[Flex]] = {}
    fits: dict[str, list[RollFit]] = {}
    for run in runs:
        if run.header.kind == "roll":
            fit = naming_lines(run, partial(RollFit, roll_readings(run, settings)))
            fits.setdefault(run.header.blank, []).append(fit)
            found = _with_warnings(fit.told(rule, curve=curve), run.warnings)
            rolls.setdefault(run.header.blank, []).append(Roll(run, found))
            progress(run)
        elif run.header.kind != "flex":
            raise FileError(
                run.path,
                1,
                f"this is a {run.header.kind} run",
                "give roll and flex runs, and leave this one out",
            )
    for run in runs:
        if run.header.kind == "flex":
            known = rolls.get(run.header.blank)
            flex = work_flex(run, settings, roll=known[0].result if known else None, curve=curve)
            flexes.setdefault(run.header.blank, []).append(flex)
            progress(run)
    for blank, bent in flexes.items():
        small = bent[0].result.initial_stiffness
        if small is not None and blank in rolls:
            rolls[blank] = [
                Roll(roll.run, _with_warnings(fit.told(rule, small, curve=curve), roll.run.warnings))
                for roll, fit in zip(rolls[blank], fits[blank], strict=True)
            ]
    return rolls, flexes


Result = TypeVar("Result", RollResult, FlexResult)


def _with_warnings(result: Result, more: Sequence[str]) -> Result:
    return replace(result, warnings=(*more, *result.warnings)) if more else result


def read_runs(paths: Sequence[str], kind: str | None = None) -> list[Run]:
    """Read run files in order; refuse one of another kind than the command takes.

    Raises
    ------
    FileError
        For the first file that cannot be used.
    """
    runs = []
    for path in paths:
        run = read_run(path)
        if kind is not None and run.header.kind != kind:
            raise FileError(
                path, 1, f"this is a {run.header.kind} run, and a {kind} run is needed", "name another file"
            )
        runs.append(run)
    return runs


def read_partners(paths: Sequence[str], kind: str, of: Sequence[Run]) -> list[Run]:
    """Read runs of another kind that help the runs `of`; each must be of one of their blanks.

    Raises
    ------
    FileError
        For the first file that cannot be used.
    CallError
        For a run of a blank that is not among them.
    """
    names = {run.header.blank for run in of}
    partners = read_runs(paths, kind)
    for run in partners:
        if run.header.blank not in names:
            raise CallError(
                f"{run.path} is of blank {run.header.blank}, and no other run given is of that blank",
                f"give the {kind} run of the same blank",
            )
    return partners
