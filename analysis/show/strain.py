"""Where a blank works hardest, as a table and as JSON."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from analysis.bend.strain import Hardest, LimitLoad
from analysis.show.json_values import Json, ci95_of, number_of, value_of
from analysis.show.layout import page
from analysis.show.rounding import plain_quantity, show, show_quantity
from analysis.units import System

_PERCENT = 100.0


def strain_table(
    hardest: Hardest | None, limits: Sequence[LimitLoad], warnings: Sequence[str], *, units: System = "metric"
) -> RenderableType:
    """Where the blank is bent most, how tightly, and at what load the limits are reached."""
    table = Table(box=box.SIMPLE, show_header=False, pad_edge=False, padding=(0, 1, 0, 0))
    for _ in range(2):
        table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    title = "Limits"
    if hardest is not None:
        title = f"Where it works hardest at {plain_quantity(hardest.load_N, 'load', units)}"
        place = show_quantity(hardest.from_tip, "length", units)
        table.add_row("bent most", place.text, "from the tip")
        table.add_row("tightest radius", show_quantity(hardest.radius, "length", units).text, "there")
        if hardest.strain is not None and hardest.strain_from_tip is not None:
            where = show_quantity(hardest.strain_from_tip, "length", units).text
            strain = show(hardest.strain, "%", per_si=_PERCENT)
            table.add_row("largest strain", strain.text, f"at the outside, {where} from the tip")
    for limit in limits:
        if limit.of == "strain":
            what = f"strain of {_PERCENT * limit.value:g} %"
        else:
            what = f"radius of {plain_quantity(1.0 / limit.value, 'length', units)}"
        if limit.load is None:
            most = plain_quantity(float(f"{limit.searched_N:.2g}"), "load", units)
            table.add_row(what, f"above {most}", "not reached by then")
        else:
            where = plain_quantity(limit.from_tip_m, "length", units)
            load = show_quantity(limit.load, "load", units).text
            table.add_row(what, load, f"reaches it, {where} from the tip")
    return page(Text(title, style="bold"), table, [], warnings)


def strain_record(
    hardest: Hardest | None, limits: Sequence[LimitLoad], warnings: Sequence[str]
) -> dict[str, Json]:
    """Give where a blank works hardest as a dictionary: ``at_load``, ``limits``, ``cautions``."""
    return {
        "at_load": None if hardest is None else _hardest(hardest),
        "limits": [_limit(limit) for limit in limits],
        "cautions": list(warnings),
    }


def _hardest(hardest: Hardest) -> dict[str, Json]:
    return {
        "load_N": number_of(hardest.load_N),
        "from_tip_m": value_of(hardest.from_tip),
        "from_tip_ci95_m": ci95_of(hardest.from_tip),
        "curvature_per_m": value_of(hardest.curvature),
        "curvature_ci95_per_m": ci95_of(hardest.curvature),
        "radius_m": value_of(hardest.radius),
        "radius_ci95_m": ci95_of(hardest.radius),
        "strain_pct": value_of(hardest.strain, _PERCENT),
        "strain_ci95_pct": ci95_of(hardest.strain, _PERCENT),
        "strain_from_tip_m": value_of(hardest.strain_from_tip),
        "strain_from_tip_ci95_m": ci95_of(hardest.strain_from_tip),
    }


def _limit(limit: LimitLoad) -> dict[str, Json]:
    strain = limit.of == "strain"
    return {
        "strain_limit_pct": _PERCENT * limit.value if strain else None,
        "radius_limit_m": None if strain else 1.0 / limit.value,
        "load_N": value_of(limit.load),
        "load_ci95_N": ci95_of(limit.load),
        "from_tip_m": number_of(limit.from_tip_m),
    }
