"""Draw the figures of ``by_hand.md``: sketches of the bench, not to scale.

python docs/by_hand_figures.py
"""

from __future__ import annotations

import math
from pathlib import Path

HERE = Path(__file__).parent / "figures"
_INK, _SOFT, _BLANK = "#1f2a37", "#6b7684", "#b3541e"
_STYLE = f'font-family="sans-serif" font-size="13" fill="{_INK}"'


def _page(width: int, height: int, title: str, parts: list[str]) -> str:
    body = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" {_STYLE}>\n'
        f"<title>{title}</title>\n"
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>\n{body}\n</svg>\n'
    )


def _line(x1: float, y1: float, x2: float, y2: float, colour: str = _INK, width: float = 1.5) -> str:
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="{width}"/>'


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{words}</text>'


def _block(x: float, y: float) -> str:
    return (
        f'<path d="M{x - 22} {y + 34} L{x - 22} {y} L{x} {y + 8} L{x + 22} {y} L{x + 22} {y + 34} Z" '
        f'fill="#e7e9ec" stroke="{_INK}"/>'
    )


def setup() -> str:
    """Two V-blocks, the blank, the weight at its tip and the ruler beside it."""
    parts = [
        _line(20, 134, 300, 134, _SOFT, 6),
        _block(70, 100),
        _block(240, 100),
        f'<path d="M30 103 L250 103 C 400 104, 540 130, 610 250" fill="none" stroke="{_BLANK}" '
        'stroke-width="5"/>',
        f'<path d="M250 103 L640 103" stroke="{_SOFT}" stroke-dasharray="5 5" fill="none"/>',
        _line(610, 250, 610, 285),
        f'<rect x="592" y="285" width="36" height="30" fill="{_INK}"/>',
        f'<rect x="655" y="70" width="26" height="230" fill="#f6efe2" stroke="{_INK}"/>',
        *[_line(655, 80 + 10 * k, 655 + (14 if k % 5 == 0 else 8), 80 + 10 * k, width=1) for k in range(22)],
        f'<path d="M616 250 L655 250" stroke="{_INK}" stroke-dasharray="2 3" fill="none"/>',
        _text(155, 92, "two V-blocks, clamped to the bench", "middle"),
        _text(590, 340, "weight at the tip", "middle"),
        _text(690, 160, "ruler"),
        _text(690, 178, "in mm"),
        _line(262, 60, 610, 60, _SOFT, 1),
        _line(262, 52, 262, 68, _SOFT, 1),
        _line(610, 52, 610, 68, _SOFT, 1),
        _text(436, 50, "free length", "middle"),
        _text(560, 95, "where the free tip stands: travel 0", "middle"),
    ]
    return _page(760, 355, "A blank in two V-blocks, a weight at its tip, a ruler beside it", parts)


def dial() -> str:
    """The clock on the butt, seen from the butt toward the tip."""
    parts = [f'<circle cx="150" cy="150" r="105" fill="#ffffff" stroke="{_INK}" stroke-width="1.5"/>']
    for hour in range(1, 13):
        angle = math.radians(30.0 * hour)
        x, y = 150 + 85 * math.sin(angle), 150 - 85 * math.cos(angle)
        inner = 105 if hour % 3 else 112
        parts.append(
            _line(150 + 98 * math.sin(angle), 150 - 98 * math.cos(angle),
                  150 + inner * math.sin(angle), 150 - inner * math.cos(angle))
        )  # fmt: skip
        parts.append(_text(x, y + 5, str(hour), "middle"))
    parts += [
        f'<circle cx="150" cy="150" r="40" fill="none" stroke="{_BLANK}" stroke-width="9"/>',
        f'<rect x="146" y="100" width="8" height="18" fill="{_INK}"/>',
        _text(150, 30, "index mark: 12 o'clock, blank angle 0°", "middle"),
        f'<path d="M150 262 L150 292 M143 284 L150 294 L157 284" fill="none" stroke="{_INK}" '
        'stroke-width="2"/>',
        _text(164, 288, "the weight pulls down"),
        _text(280, 140, "Seen from the butt toward the tip."),
        _text(280, 160, "The hour is that of the blank which"),
        _text(280, 180, "faces the pull: it stands below."),
    ]
    return _page(540, 310, "A clock face on the butt, 12 at the index mark", parts)


def main() -> None:
    """Write both figures."""
    HERE.mkdir(exist_ok=True)
    for name, text in (("by_hand_setup", setup()), ("by_hand_dial", dial())):
        (HERE / f"{name}.svg").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
