"""A table by hand, entry by entry: places, doubts, corrections, answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bent_blanks import bend

from analysis.bend import Taper, rate
from rig.bench.entry import Entry, Sheet

GRAM_N = 9.80665e-3
ROLL = Sheet("roll", 1.8, held_load_N=3.0)
FLEX = Sheet("flex", 1.8)


def travel_mm(place_deg: float) -> float:
    """A bowed blank with its stiff plane at 40°: it gives least there."""
    angle = math.radians(place_deg)
    return 400.0 - 12.0 * math.cos(2.0 * (angle - math.radians(40.0))) + 5.0 * math.cos(angle - 2.0)


def filled(count: int, sheet: Sheet = ROLL) -> Entry:
    entry = Entry(sheet)
    for at in range(count):
        assert entry.take(f"{travel_mm(30.0 * at):.0f}").outcome == "taken"
    return entry


def test_the_dial_is_led_round_from_twelve_and_places_are_named() -> None:
    entry = Entry(ROLL)
    names = []
    for at in range(13):
        names.append(entry.due())
        entry.take(f"{travel_mm(30.0 * at):.0f}")
    assert names == [f"{hour} o'clock" for hour in (12, *range(1, 12), 12)]


@pytest.mark.parametrize(
    ("typed", "degrees"),
    [("3 412", 90.0), ("1:30 412", 45.0), ("75deg 412", 75.0), ("75 deg 412", 75.0),
     ("12 412 mm", 0.0), ("6 = 41.2cm", 180.0)],
)  # fmt: skip
def test_any_place_may_be_named_with_its_reading(typed: str, degrees: float) -> None:
    entry = Entry(ROLL)
    assert entry.take(typed).outcome == "taken"
    assert entry.used[0].place == pytest.approx(degrees)
    assert entry.used[0].value == pytest.approx(0.412)


@pytest.mark.parametrize(
    "typed", ["13 412", "3 four", "3 412 9", "412 stone", "9999", "noon 412", "fix 3 400"]
)
def test_what_cannot_be_is_refused_and_nothing_is_lost(typed: str) -> None:
    entry = filled(2)
    assert entry.take(typed).outcome == "refused"
    assert len(entry.used) == 2


def test_a_slip_is_asked_about_and_kept_when_it_is_meant() -> None:
    entry = filled(9)
    assert entry.take("3 450").outcome == "doubt"
    assert len(entry.used) == 9
    assert entry.take("3 450").outcome == "taken"


def test_an_earlier_entry_is_corrected_and_kept_beside() -> None:
    entry = filled(9)
    assert entry.take("fix 3 411").outcome == "corrected"
    assert [row.value for row in entry.used if row.place == 90.0] == [pytest.approx(0.411)]
    assert sum(row.withdrawn for row in entry.rows) == 1
    assert entry.take("undo").outcome == "undone"
    assert entry.due() == "3 o'clock"


def test_below_eight_positions_it_says_how_many_are_missing() -> None:
    assert "5 more positions" in filled(3).answer().words


def test_the_running_answer_agrees_with_the_truth_and_ends_with_enough() -> None:
    entry = filled(12)
    found = entry.answer()
    plane = float(found.words.split("plane ")[1].split("°")[0])
    sure = float(found.words.split("± ")[1].split("°")[0])
    assert abs((plane - 40.0 + 90.0) % 180.0 - 90.0) <= sure
    assert found.enough
    assert not filled(8).answer().enough


def test_a_flex_is_led_up_to_a_quarter_of_the_length_and_down_again() -> None:
    unit = Taper(1.8, 1.0, 0.28, 3.3)
    power = 4.0
    blank = Taper(1.8, power / rate(unit).reference_load_N, 0.28, 3.3)
    entry = Entry(FLEX)
    asked = []
    for _ in range(40):
        grams = float(entry.due().split()[0])
        asked.append(grams)
        travel = bend(blank.EI, 1.8, grams * GRAM_N)[0] if grams else 0.0
        assert entry.take(f"{1e3 * travel:.0f}").outcome == "taken"
        if len(asked) > 3 and grams == 0.0:
            break
    top = int(np.argmax(asked))
    assert np.all(np.diff(asked[: top + 1]) > 0)
    assert np.all(np.diff(asked[top:]) < 0)
    assert 0.85 * power < max(asked) * GRAM_N < 1.6 * power
    found = entry.answer()
    assert found.enough
    load = float(found.words.split("load ")[1].split(" N")[0])
    assert load == pytest.approx(power, rel=0.03)


def test_a_scale_is_read_where_the_tip_is_held() -> None:
    entry = Entry(Sheet("roll", 1.8, held_travel_m=0.45))
    assert entry.take("3 512 g").words == "3 o'clock: 512 g"
    assert entry.used[0].value == pytest.approx(512.0 * GRAM_N)
