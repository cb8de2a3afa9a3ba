"""What the log keeps of a blank: one list of names, units and words for reading, showing and export."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Value = str | float
"""A text, or a number in the unit that the fact's name ends in."""

_LARGEST = 1e6
LONGEST_TEXT = 2000
"""Characters in one text of the log at most."""


@dataclass(frozen=True, slots=True)
class FactKind:
    """One thing the log can know of a blank."""

    name: str
    """Key in the journal, with its unit."""
    words: str
    """What a person reads."""
    form: Literal["number", "text"]
    """What its value is."""
    many: bool = False
    """Whether each new one stands beside the earlier ones, as remarks do, or is a fact that is corrected."""

    @property
    def title(self) -> str:
        """The words with a capital."""
        return self.words[0].upper() + self.words[1:]


FACTS: dict[str, FactKind] = {
    kind.name: kind
    for kind in (
        FactKind("maker", "maker", "text"),
        FactKind("model", "model", "text"),
        FactKind("label_power", "power on the label", "text"),
        FactKind("label_action", "action on the label", "text"),
        FactKind("length_m", "length", "number"),
        FactKind("mass_g", "mass", "number"),
        FactKind("butt_diameter_m", "butt diameter", "number"),
        FactKind("tip_diameter_m", "tip diameter", "number"),
        FactKind("grade", "grade", "text"),
        FactKind("rod", "rod", "text"),
        FactKind("job", "customer's job", "text"),
        FactKind("guide_layout", "guide layout", "text"),
        FactKind("static_test", "static test", "text"),
        FactKind("damage", "damage seen", "text", many=True),
        FactKind("decision", "decision", "text", many=True),
        FactKind("text", "note", "text", many=True),
    )
}
"""By name, in the order in which they are shown."""
SINGLE = tuple(kind.name for kind in FACTS.values() if not kind.many)
"""Facts that have one value, and are corrected."""
REMARKS = tuple(kind.name for kind in FACTS.values() if kind.many)
"""Facts of which a blank can have several."""


def fault_of(name: str, value: object) -> str | None:
    """Say what is wrong with a value, None if it may stand."""
    words = FACTS[name].words
    if FACTS[name].form == "number":
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not math.isfinite(value) or not 0.0 < value < _LARGEST:  # type: ignore[operator, arg-type]
            return f"{words} must be a number above zero"
    elif not isinstance(value, str) or not value.strip():
        return f"{words} must be text"
    elif len(value) > LONGEST_TEXT:
        return f"{words} has {len(value)} characters, and the log takes {LONGEST_TEXT}"
    return None


def cleaned(text: str) -> str:
    r"""Take signs out of a text that move the cursor or turn the writing direction; blanks become single.

    Examples
    --------
    >>> cleaned("  chip \x1b[2J at\nthe tip ")
    'chip [2J at the tip'
    """
    kept = "".join(" " if unicodedata.category(sign)[0] in "CZ" else sign for sign in text)
    return " ".join(kept.split())


def given(values: Mapping[str, Value | None]) -> dict[str, Value]:
    """Keep the facts that are stated, texts cleaned, in the order of `FACTS`."""
    found = {}
    for name in FACTS:
        value = values.get(name)
        if value is not None:
            found[name] = cleaned(value) if isinstance(value, str) else float(value)
    return found
