"""How a finding is put into words: the one place for tables, figures and the page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from analysis.bend.result import ClassCall, FlexResult, Station
from analysis.decide.batch import BatchResult, Metric
from analysis.decide.properties import words as plain_words
from analysis.estimate import Estimate
from analysis.roll.more_snaps import second_snap_travel
from analysis.roll.result import Cause, Mark, MarkRule, RollResult
from analysis.show.rounding import CANNOT_TELL, Shown, plain_quantity, show, show_direction
from analysis.show.text import label as label
from analysis.units import Display, System, display

ANGLES_COUNT: Final = "Angles count from the index mark, clockwise seen from the butt."
"""The one line that must stand under every angle."""

BARRIERS_HIGH: Final = "Holding energies may be 3 to 11 % high; a flex run of this blank corrects them."
"""What must stand under barriers that are not corrected."""

CAUSE_WORDS: Final[dict[Cause, str]] = {
    "bow": "from bow",
    "stiffness": "from stiffness",
    "both": "from stiffness and bow",
}
"""What a snap position is due to."""
RULE_WORDS: Final[dict[MarkRule, str]] = {
    "snap": "the firmest snap",
    "snap-back": "the side opposite the firmest snap",
    "stiff": "the stiff plane, at the end nearer to the firmest snap",
    "soft": "the soft plane, at the end nearer to the firmest snap",
}
"""What the shop's rule asks for."""
METRIC_WORDS: Final[dict[str, str]] = {
    "reference_load": "power (reference load)",
    "bend_centre": "action (bend centre)",
    "bow": "natural bow",
}
"""Metric names that need more than their own words."""


def show_metric(estimate: Estimate | None, metric: Metric, units: System = "metric") -> Shown:
    """Show one blank's value of a batch metric."""
    how = metric_display(metric, units)
    return show(estimate, how.symbol, per_si=how.per_si, decimals=how.decimals)


def metric_words(name: str) -> str:
    """Name a metric in words."""
    return METRIC_WORDS.get(name) or label(plain_words(name))


def spread_words(amount: float, metric: Metric, units: System = "metric") -> str:
    """Show a spread or a tolerance of a metric: ``1.3 %``, ``4 mm``, ``0.004``."""
    return amount_words(amount, metric.tolerance_unit, metric.name, units)


def amount_words(amount: float, unit: str, name: str, units: System = "metric") -> str:
    """Show an amount of a property in a unit of its own, to three figures."""
    if not math.isfinite(amount):
        return CANNOT_TELL
    quantity = _quantity(unit, name)
    factor, symbol = 1.0, _unit_words(unit)
    if quantity:
        how = display(quantity, units)
        factor, symbol = how.per_si, how.symbol
    return f"{three_figures(amount * factor)} {symbol}".rstrip()


def three_figures(number: float, figures: int = 3) -> str:
    """Three (or so many) significant figures without an exponent, no zeros at the end."""
    if number == 0.0 or abs(number) >= 10.0 ** (figures - 1):
        return f"{number:.0f}"
    places = figures - 1 - math.floor(math.log10(abs(number)))
    text = f"{number:.{min(places, 9)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def metric_display(metric: Metric, units: System = "metric") -> Display:
    """How a metric's values are shown: unit and factor; a bare number where the unit is the shop's own."""
    return unit_display(metric.unit, metric.name, units)


def unit_display(unit: str, name: str, units: System = "metric") -> Display:
    """How the values of a property are shown: unit and factor."""
    quantity = _quantity(unit, name)
    return display(quantity, units) if quantity else Display(_unit_words(unit), 1.0, 3)


def _quantity(unit: str, name: str) -> str:
    """Find the kind of quantity of a metric's unit; empty where it is a bare number."""
    if unit == "m":
        return "length" if name.endswith("length") else "small length"
    return {"N": "load", "N/m": "stiffness", "kg": "weight", "N·m²": "rigidity", "J": "energy"}.get(unit, "")


def _unit_words(unit: str) -> str:
    return {"1": "", "pct_of_median": "%", "pct_points": "%", "pct": "%"}.get(unit, label(unit))


def chance(probability: float | None) -> str:
    """Say a probability in percent; never 0 or 100, which no measurement earns.

    Examples
    --------
    >>> chance(0.9), chance(0.9999), chance(0.001)
    ('90 %', 'over 99 %', 'under 1 %')
    """
    if probability is None or not math.isfinite(probability):
        return CANNOT_TELL
    if probability > 0.99:
        return "over 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{100.0 * probability:.0f} %"


def class_words(call: ClassCall | None) -> str:
    """Name a class; both, with their probabilities, where the rating is near an edge."""
    if call is None:
        return CANNOT_TELL
    likely = sorted((item for item in call.probabilities if item[1] >= 0.05), key=lambda item: -item[1])
    if len(likely) < 2:
        return call.name
    return " or ".join(f"{name} ({chance(probability)})" for name, probability in likely)


def label_words(probability: float | None) -> str:
    """Say whether the maker's label holds; empty without a claim."""
    if probability is None:
        return ""
    if not math.isfinite(probability):
        return f"{CANNOT_TELL} whether the label holds"
    if probability >= 0.95:
        return f"the label holds ({chance(probability)})"
    if probability <= 0.05:
        return f"the label does not hold ({chance(probability)} likely)"
    return f"the label is in doubt ({chance(probability)} likely)"


def mark_words(mark: Mark) -> str:
    """Say where the tape goes and why, or why there is no mark."""
    why = mark.why.removeprefix("No mark: ")
    if mark.angle is None or not math.isfinite(mark.angle.value):
        return sentence(why or f"the rule asks for {RULE_WORDS[mark.rule]}, which cannot be told")
    words = sentence(why or f"the tape goes on {RULE_WORDS[mark.rule]}")
    if mark.tie is not None:
        other = show_direction(Estimate(mark.tie, mark.angle.noise, mark.angle.dof, mark.angle.shares))
        words += f" {other.number}° serves as well."
    return words


def feel_words(result: RollResult) -> str:
    """Say how many snaps a hand would feel."""
    count = len(result.snaps)
    if count == 0:
        return f"{CANNOT_TELL} where it snaps"
    words = "a hand will feel one snap" if count == 1 else "a hand will feel two snaps"
    if result.third_snap is None or result.third_snap.cause in ("hand", "rig"):
        return words
    doubt = "may" if result.third_snap.cause == "section" else "might"
    return f"{words} by bow and stiffness; it {doubt} feel three, as said under it"


def further_words(result: RollResult, units: System = "metric") -> str:
    """Say how the number of snaps changes with the bend; empty where nothing is known or nothing changes."""
    edge = second_snap_travel(result)
    if edge is None or not result.snaps or not 0.05 * result.travel_m < edge < result.free_length_m / 3.0:
        return ""
    at = plain_quantity(float(f"{edge:.2g}"), "small length", units)
    if edge < result.travel_m:
        return f"Bent less than about {at}, it has one snap: there the bow rules."
    return f"Bent further than about {at}, it will have two snaps: there the planes speak."


def parts_words(*angles: tuple[str, Estimate | None]) -> str:
    """Say what the half-widths of angles are made of, largest first; parts below a tenth are left out."""
    said = []
    for name, estimate in angles:
        if estimate is None:
            continue
        parts = {"noise": estimate.noise_ci95}
        for share in estimate.shares:
            parts[share.cause] = math.hypot(parts.get(share.cause, 0.0), share.ci95)
        large = sorted(parts.items(), key=lambda part: -part[1])
        words = [f"{cause} {math.degrees(size):.2g}°" for cause, size in large if size > 0.1 * estimate.ci95]
        if len(words) > 1:
            said.append(f"{name}: {', '.join(words)}")
    return f"What the ± is made of. {'; '.join(said)}." if said else ""


def plane_ends(plane: Shown) -> str:
    """Name both ends of a plane: 34° and 214° are the same axis; empty where there is no plane."""
    if not plane.known:
        return ""
    digits = len(plane.number.partition(".")[2])
    return f"an axis: {plane.number}° and {float(plane.number) + 180.0:.{digits}f}°"


def three_stations(result: FlexResult) -> list[tuple[str, Station]]:
    """Pick the rigidity at the chuck, half way and at the tip; fewer where there are fewer stations."""
    stations = result.rigidity
    if len(stations) < 3:
        return [(f"{station.s_m:.2f} m", station) for station in stations]
    middle = min(stations, key=lambda station: abs(station.s_m - 0.5 * stations[-1].s_m))
    return [("at the chuck", stations[0]), ("half way", middle), ("at the tip", stations[-1])]


def verdict_words(result: BatchResult) -> str:
    """Say a batch's verdict in one sentence."""
    names = {name for metric in result.metrics for name in metric.values}
    count = f"these {len(names)} blanks" if len(names) > 1 else "these blanks"
    if result.verdict == "consistent":
        return f"Consistent: {count} are alike within the shop's tolerances."
    failing = [metric_words(m.name) for m in result.metrics if m.verdict == "not consistent"]
    open_ = [metric_words(m.name) for m in result.metrics if m.verdict == "undecided"]
    if result.verdict == "not consistent":
        where = listing(failing) or "one property"
        return f"Not consistent: {count} differ by more than the tolerance in {where}."
    return f"Undecided: the readings cannot tell yet about {listing(open_ or failing) or 'every property'}."


def sentence(text: str, *, lower: bool = False) -> str:
    """Start with a capital (or not, where it goes on after a colon) and end with a full stop.

    Examples
    --------
    >>> sentence("roll it again")
    'Roll it again.'
    """
    text = label(text, 500)
    if not text:
        return ""
    head = text[0] if lower else text[0].upper()
    return f"{head}{text[1:]}" + ("" if text[-1] in ".!?…" else ".")


def listing(words: Sequence[str]) -> str:
    """Join words as a sentence does.

    Examples
    --------
    >>> listing(["a", "b", "c"])
    'a, b and c'
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
