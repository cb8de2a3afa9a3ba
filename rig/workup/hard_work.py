"""Where the blank of a flex run works hardest, as far as its run, diameters and the shop's limits tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.bend.strain import Diameters, Hardest, LimitLoad, Stretch
from analysis.errors import BlankbenchError
from rig.errors import CallError
from rig.runs.diameters import header_diameters
from rig.workup.one_run import Flex

CAUTION = (
    "A caution, never a licence to load further: a thin tube flattens, buckles or has a flaw before a number "
    "says so."
)


@dataclass(frozen=True, slots=True)
class HardWork:
    """Where a blank works hardest, and at what load the limits are reached."""

    hardest: Hardest | None
    """At the load that was asked for; None where none was."""
    limits: tuple[LimitLoad, ...]
    """The limits that were asked for."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""


def work_hard(
    work: Flex,
    *,
    load_N: float | None,
    diameters: Diameters | None,
    strain_limit: float | None,
    radius_limit_m: float | None,
) -> HardWork:
    """Bend the blank of a flex run under a load, and find the loads that reach the limits.

    Parameters
    ----------
    work : Flex
        The run and its result.
    load_N : float or None
        Load at the tip, N.
    diameters : Diameters or None
        Outer diameters; None takes the two ends that the run states.
    strain_limit : float or None
        Largest strain the shop allows, as a fraction.
    radius_limit_m : float or None
        Tightest bend the shop allows, m.

    Raises
    ------
    CallError
        If a strain limit is given and no diameters are known, they do not fit, or no blank stands the load.
    """
    result, header = work.result, work.run.header
    if result.profile is None:
        raise CallError(f"the rigidity of {header.blank} is not known", "record another flex run")
    sizes = diameters or header_diameters(header)
    if sizes is None and strain_limit is not None:
        raise CallError(
            f"--strain-limit needs the diameters of {header.blank}",
            "give --diameters FILE, or butt_diameter_m and tip_diameter_m in the run's header",
        )
    load = result.reference_load
    scales = [] if load is None else [replace(each, ci95=each.ci95 / load.value) for each in load.shares]
    try:
        stretch = Stretch(result.profile, sizes, scales)
        hardest = None if load_N is None else stretch.hardest(load_N)
        limits = []
        if strain_limit is not None:
            limits.append(stretch.limit("strain", strain_limit))
        if radius_limit_m is not None:
            limits.append(stretch.limit("curvature", 1.0 / radius_limit_m))
    except BlankbenchError as error:
        raise CallError(f"{header.blank}: {error.what}", error.do) from None
    return HardWork(hardest, tuple(limits), tuple(_said(work, hardest, limits, sizes)))


def _said(
    work: Flex, hardest: Hardest | None, limits: Sequence[LimitLoad], diameters: Diameters | None
) -> list[str]:
    said = [CAUTION]
    if work.result.largest_load_N is not None:
        asked = [] if hardest is None else [hardest.load_N]
        asked += [limit.load.value for limit in limits if limit.load is not None]
        if any(load > 1.02 * work.result.largest_load_N for load in asked):
            said.append(
                f"The run bent the blank with {work.result.largest_load_N:.2f} N at most: beyond that it is "
                "taken to stay as elastic as it was, which nobody has tried."
            )
    used = (hardest is not None and hardest.strain is not None) or any(one.of == "strain" for one in limits)
    if used and diameters is not None and diameters.assumed:
        said.append(diameters.assumed)
    return said
