"""The numbers in a line of text that some sketch prints, each with its label and its unit."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal, TypeAlias

Decimal: TypeAlias = Literal["point", "comma"]
"""Sign between whole numbers and fractions."""

_BRACKETS = str.maketrans(dict.fromkeys("{}\"'[]()<>$", " "))
_TAIL_CHECK = re.compile(r"\*[0-9A-Fa-f]{2}\s*$")
_WORD = r"[A-Za-z_°µ#]"
_NAMED = rf"{_WORD}[\w°µ#%./-]*(?:[ ]{_WORD}[\w°µ#%./-]*)*(?=\s*[:=])"
_SPOKEN = rf"{_WORD}+(?:[ ]{_WORD}+)*(?=,?\s)"
_LABEL = rf"(?:(?P<label>{_NAMED}|{_SPOKEN}|[A-Za-z_]+(?=[-+\d.]))(?:\s*[:=]+|,?)\s*)?"
_MISSING = r"nan|ovf|inf|none|null|err|n/a"
_UNITS = (
    r"m?N|k?gf?|grams?|gr|ozf?|lb[sf]?|mm|cm|m|in|deg(?:rees?)?|°C?|º|rad|turns?|rev|ms|us|µs|sec|s"
    r"|m?V|%|C|Hz|counts?|raw"
)
_UNIT = rf"(?P<unit>(?:{_UNITS})(?![A-Za-z]))?"
_SEPARATOR = r"\s*(?P<sep>[;,|\t]+|\s|$)\s*"
_NUMBERS = {
    "point": r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?",
    "comma": r"[-+]?(?:\d+,?\d*|,\d+)(?:[eE][-+]?\d+)?",
}
_HEX = r"0[xX][0-9A-Fa-f]+"


@dataclass(frozen=True, slots=True)
class Token:
    """One number of a line."""

    label: str
    """What stands in front of it, in small letters; empty where nothing does."""
    text: str
    """The number as it came."""
    unit: str
    """What stands behind it."""
    separator: str
    """What parts it from the next."""

    @property
    def missing(self) -> bool:
        """True for nan, ovf and the like: a reading that the sketch could not make."""
        return re.fullmatch(_MISSING, self.text, re.IGNORECASE) is not None

    def value(self, base: int, decimal: Decimal) -> float | None:
        """Give the number; None where it is missing or none of this base."""
        if self.missing:
            return None
        text = self.text
        try:
            if base == 16 or text[:2].lower() == "0x":
                return float(int(text, 16))
            found = float(text.replace(",", ".") if decimal == "comma" else text)
        except ValueError:
            return None
        return found if math.isfinite(found) else None


def _pattern(decimal: Decimal, hexadecimal: bool) -> re.Pattern[str]:
    plain = r"[0-9A-Fa-f]{1,8}(?![\w.])" if hexadecimal else _NUMBERS[decimal]
    number = rf"(?P<number>(?:{_MISSING})(?![A-Za-z])|{_HEX}|{plain})"
    return re.compile(rf"\s*{_LABEL}{number}\s?{_UNIT}{_SEPARATOR}", re.IGNORECASE)


_PATTERNS = {
    (decimal, hexadecimal): _pattern(decimal, hexadecimal)
    for decimal in ("point", "comma")
    for hexadecimal in (False, True)
}


def tokens(line: str, decimal: Decimal = "point", *, hexadecimal: bool = False) -> tuple[Token, ...] | None:
    r"""Take a line apart; None where anything but labelled or bare numbers stands in it.

    Examples
    --------
    >>> [(t.label, t.text, t.unit) for t in tokens("Load: 12.3 g, Angle: 45.0")]
    [('load', '12.3', 'g'), ('angle', '45.0', '')]
    >>> [t.text for t in tokens("1024\t-3\t7")], tokens("HX711 not found.")
    (['1024', '-3', '7'], None)
    """
    text = _TAIL_CHECK.sub("", line).translate(_BRACKETS).strip().rstrip(",;|")
    pattern = _PATTERNS[decimal, hexadecimal]
    out: list[Token] = []
    at = 0
    while at < len(text):
        found = pattern.match(text, at)
        if found is None or found.end() == at:
            return None
        label = " ".join((found["label"] or "").lower().split())
        if label and re.fullmatch(_MISSING, label):
            return None
        out.append(Token(label, found["number"], found["unit"] or "", _kind(found["sep"])))
        at = found.end()
    return tuple(out) or None


def _kind(separator: str) -> str:
    for sign in ";,|\t":
        if sign in separator:
            return sign
    return " " if separator else ""


def shape_of(found: tuple[Token, ...]) -> tuple[str, ...]:
    """Give what lines of one kind have in common: their labels, in order."""
    return tuple(token.label for token in found)
