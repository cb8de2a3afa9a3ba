"""What sketches print is understood, or asked; nothing is taken wrongly in silence."""

from __future__ import annotations

import numpy as np
import pytest
from sketch_styles import HELD_OUT, RATE_HZ, SEEN, Style, printed, samples

from rig.line.mapping import unit_called
from rig.line.sniff import Proposal, field_of, learnt, sniff

STYLES = [*SEEN, *HELD_OUT]


def judged(style: Style, found: Proposal | None) -> str:
    """``right``, ``asked`` or ``wrong``."""
    if found is None:
        return "wrong"
    taken = {column.name: at for at, column in enumerate(found.columns) if column.name is not None}
    for name, at in taken.items():
        if name not in style.means:
            return "asked" if found.questions else "wrong"
        place, unit = style.means[name]
        if at != place:
            return "wrong"
        field = field_of(found.columns[at])
        if unit not in ("?", field.unit):
            return "asked" if found.questions else "wrong"
    if style.asked and not found.questions:
        return "wrong"
    if set(taken) != set(style.means):
        return "asked" if found.questions else "wrong"
    return "right"


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.name)
def test_no_style_is_taken_wrongly_in_silence(style: Style) -> None:
    count = 200
    assert judged(style, sniff(printed(style, count), count / RATE_HZ)) != "wrong"


def test_at_least_twenty_of_twenty_two_styles_are_sniffed_right() -> None:
    verdicts = {style.name: judged(style, sniff(printed(style), 200 / RATE_HZ)) for style in STYLES}
    assert sum(verdict == "right" for verdict in verdicts.values()) >= 20, verdicts


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.name)
def test_the_rate_is_told_from_what_came(style: Style) -> None:
    found = sniff(printed(style), 200 / RATE_HZ)
    assert found is not None
    assert found.rate_hz == pytest.approx(RATE_HZ, rel=0.06)


@pytest.mark.parametrize(
    "text", [b"", b"hello\nthis is a demo\nno numbers here\n" * 20, bytes(range(256)) * 20]
)
def test_words_and_noise_give_no_proposal(text: bytes) -> None:
    assert sniff(text, 2.0) is None


@pytest.mark.parametrize("cut", [3, 17, 40])
def test_a_start_in_mid_line_changes_nothing(cut: int) -> None:
    style = SEEN[8]
    whole, later = sniff(printed(style), 2.5), sniff(printed(style)[cut:], 2.5)
    assert whole is not None
    assert later is not None
    assert whole.mapping().fields == later.mapping().fields


def test_turning_and_pressing_tell_the_columns_apart() -> None:
    rng = np.random.default_rng(1)
    noise = [rng.normal(0.0, s, 100) for s in (20.0, 0.05, 3.0)]
    rest = [84000 + noise[0], 45.0 + noise[1], 512 + noise[2]]
    turning = [rest[0] + 10, 45.0 + np.linspace(0.0, 200.0, 100), rest[2]]
    pressing = [rest[0] + np.linspace(0.0, 90000.0, 100), rest[1], rest[2]]
    assert learnt(rest, turning, pressing) == {0: "load", 1: "angle"}
    assert learnt(rest, rest, rest) == {}


def test_the_units_are_found_by_their_other_names() -> None:
    assert unit_called("load", "grams") == "g"
    assert unit_called("angle", "°") == "deg"
    assert unit_called("load", "deg") is None


def test_the_samples_are_a_roll() -> None:
    assert len({sample.angle_counts for sample in samples()}) > 100
