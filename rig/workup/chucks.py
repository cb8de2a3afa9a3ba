"""Which chuck a run was made in: as a call chose it, as the run states it, else as the shop guesses it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from analysis.roll import Chuck, Mounts, fit_mounts, guessed
from analysis.roll.chuck import (
    GUESS_INDEX,
    GUESS_LENGTH_M,
    GUESS_RUNOUT_M,
    GUESS_SEATING_M,
    GUESS_SUPPORT,
    NORMAL,
    pooled,
)
from rig.calibration import Calibration, ChuckScale
from rig.calibration.chuck import Numbers
from rig.errors import CallError, FileError
from rig.runs import Run, naming_lines, rig_errors, roll_readings
from rig.settings import Settings

_LEAST_MOUNTS = 3


def chuck_of(run: Run, settings: Settings) -> Chuck | None:
    """Give what is known of the chuck that a run was made in; None where it is to be left out.

    Seating and index mark as the run or the settings state them stand over what a calibration found: a shop's
    own repeats know them better than a few mounts.

    Raises
    ------
    FileError
        If a chuck that was chosen is of another rig than the run.
    """
    choice = settings.chuck
    if choice == "none":
        return None
    if run.header.held_in == "v-blocks":
        return in_v_blocks(settings)
    scale = choice
    if scale is None:
        scale = Calibration.from_tables(run.header.tables.get("calibration", {}), run.path).chuck
    else:
        _same_rig(run, scale)
    chuck = guess(settings) if scale is None else scale.chuck()
    if chuck.free_length_m == 0.0:
        chuck = replace(chuck, free_length_m=run.header.free_length_m)
    index = rig_errors(run, settings).index_ci95_rad
    if index is not None:
        chuck = replace(chuck, index=index / NORMAL)
    if settings.rig.seating_ci95_m is not None:
        seating = settings.rig.seating_ci95_m / NORMAL
        chuck = replace(chuck, seating_m=seating, seating_dof=math.inf)
    return chuck


def guess(settings: Settings) -> Chuck:
    """Give the shares of a chuck that was never measured: the settings', else the shipped ones."""
    rig = settings.rig
    support = GUESS_SUPPORT if rig.support_ci95_pct is None else 0.01 * rig.support_ci95_pct
    index = GUESS_INDEX if rig.index_ci95_deg is None else math.radians(rig.index_ci95_deg)
    return guessed(
        GUESS_RUNOUT_M if rig.runout_ci95_m is None else rig.runout_ci95_m,
        support,
        GUESS_SEATING_M if rig.seating_ci95_m is None else rig.seating_ci95_m,
        index,
        free_length_m=rig.free_length_m or GUESS_LENGTH_M,
    )


def in_v_blocks(settings: Settings) -> Chuck:
    """Give what is left where V-blocks hold the butt: only the index mark is set by hand."""
    index = GUESS_INDEX if settings.rig.index_ci95_deg is None else math.radians(settings.rig.index_ci95_deg)
    nothing = guessed(0.0, 0.0, 0.0, index, free_length_m=settings.rig.free_length_m or GUESS_LENGTH_M)
    return replace(nothing, measured=True)


def _same_rig(run: Run, scale: ChuckScale) -> None:
    """Refuse a chuck of another rig."""
    device = str(run.header.tables.get("rig", {}).get("device", ""))
    if device and scale.device and device != scale.device:
        raise FileError(
            run.path,
            run.header.lines.get("device"),
            f"it was recorded on {device}, and the chuck given is of {scale.device}",
            "give that rig's chuck, or --chuck none",
        )


@dataclass(frozen=True, slots=True)
class ChuckFound:
    """A chuck from several mounts of one blank."""

    scale: ChuckScale
    """For the calibration file."""
    mounts: Mounts
    """What the mounts of this call say."""
    runs: tuple[str, ...]
    """The runs, as given."""
    warnings: tuple[str, ...]
    """Plain sentences."""

    @property
    def chuck(self) -> Chuck:
        """The chuck as it is used."""
        return self.scale.chuck()


def work_chuck(
    runs: Sequence[Run], settings: Settings, dated: str, before: Sequence[ChuckScale] = ()
) -> ChuckFound:
    """Find the chuck from several mounts of one blank.

    Parameters
    ----------
    runs : sequence of Run
        Roll runs of one blank at three mounts or more.
    settings : Settings
        The shop's: what is known of the index mark.
    dated : str
        When, ISO 8601.
    before : sequence of ChuckScale
        Earlier calibrations of the same chuck, the oldest first; those that agree are pooled.

    Raises
    ------
    CallError
        For too few mounts, or mounts that do not tell blank from chuck.
    FileError
        For a run of another blank or rig, or one that says nothing.
    """
    first = runs[0] if runs else None
    if first is None or len(runs) < _LEAST_MOUNTS:
        raise CallError(
            f"calibrate chuck needs three mounts of one blank or more, and got {len(runs)}",
            "turn the blank by 72°, chuck it again and roll, five times in all",
        )
    for run in runs[1:]:
        _same_blank(first, run)
    readings = [roll_readings(run, settings) for run in runs]
    mounts = [math.degrees(one.mount) % 360.0 for one in readings]
    shown = ", ".join(f"{mount:g}" for mount in mounts)
    doubled = {round(2.0 * mount / 20.0) for mount in mounts}
    known = guess(settings)
    index = rig_errors(first, settings).index_ci95_rad
    if index is not None:
        known = replace(known, index=index / NORMAL)
    found = naming_lines(runs, partial(fit_mounts, readings, chuck=known))
    if not all(found.separated) or len(doubled) < 2:
        raise CallError(
            f"mounts at {shown}° cannot tell the blank from the chuck: they are alike or half a turn apart",
            "turn the blank by 72° each time, or by 90° or 120°",
        )
    device = str(first.header.tables.get("rig", {}).get("device", ""))
    alone = Numbers.of(found.chuck)
    same = [scale for scale in before if not (scale.device and device and scale.device != device)]
    together = pooled([*(scale.alone.chuck("") for scale in same), found.chuck])
    scale = ChuckScale(
        dated=dated,
        numbers=Numbers.of(together.chuck),
        alone=alone,
        blank=first.header.blank,
        device=device,
        mounts_deg=tuple(mounts),
        pooled=together.count,
    )
    return ChuckFound(
        scale, found, tuple(run.path for run in runs), tuple(_said(found, mounts, together.changed))
    )


def _said(found: Mounts, mounts: Sequence[float], changed: bool) -> list[str]:
    """What to know about these mounts."""
    out = []
    if changed:
        out.append(
            "The chuck is not as it was at the last calibration (was it taken apart?): the earlier ones are"
            " left out."
        )
    if found.disagree:
        out.append(
            "The mounts differ by more than noise, seating and index mark explain: set the index mark with"
            " care, and roll the odd one again."
        )
    quarter = {round(mount / 5.0) * 5 % 90 for mount in mounts}
    if len(quarter) == 1:
        out.append(
            "Quarter turns alone cannot tell an error of the index mark from uneven support; five mounts 72°"
            " apart can."
        )
    result = found.result
    if result.bow is not None and result.bow.value > 0.005:
        out.append(f"This blank has a bow of {1e3 * result.bow.value:.0f} mm: a straighter one tells more.")
    if found.left_over[0] < 4:
        out.append(
            f"Only {found.left_over[0]} left-overs tell the seating, so half-widths are wide; five mounts"
            " leave six."
        )
    return out


def _same_blank(first: Run, run: Run) -> None:
    """Refuse a run of another blank or rig."""
    if run.header.blank != first.header.blank:
        raise FileError(
            run.path,
            run.header.lines.get("blank"),
            f"it is of blank {run.header.blank}, and {first.path} of {first.header.blank}",
            "give mounts of one blank",
        )
    here = str(run.header.tables.get("rig", {}).get("device", ""))
    there = str(first.header.tables.get("rig", {}).get("device", ""))
    if here and there and here != there:
        raise FileError(
            run.path,
            run.header.lines.get("device"),
            f"it was recorded on {here}, and {first.path} on {there}",
            "give runs of one rig",
        )
