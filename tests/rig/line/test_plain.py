"""Another sketch's lines through the decoder's interface: whole, in pieces, damaged, restarted."""

from __future__ import annotations

import itertools

import pytest
from sketch_styles import HELD_OUT, RATE_HZ, SEEN, Style, printed, samples

from rig.line import Fault, Hello, LineSource, Reading
from rig.line.mapping import Field, PlainMapping
from rig.line.plain import PlainDecoder
from rig.line.sniff import sniff

GRAM_N = 9.80665e-3
LABELLED = next(style for style in SEEN if style.name == "load and angle")
LETTERS = next(style for style in SEEN if style.name == "letters")
HEADED = next(style for style in SEEN if style.name.startswith("heading"))


def source_for(style: Style, clock: float | None = None) -> PlainDecoder:
    found = sniff(printed(style), 200 / RATE_HZ)
    assert found is not None
    times = iter(range(10**6))
    return PlainDecoder(found.mapping(), clock=lambda: next(times) / RATE_HZ)


def readings(records: list[object]) -> list[Reading]:
    return [record for record in records if isinstance(record, Reading)]


@pytest.mark.parametrize("size", [1, 7, 4096])
def test_pieces_of_any_size_give_the_same(size: int) -> None:
    source: LineSource = source_for(LABELLED)
    data = printed(LABELLED)
    records = [record for at in range(0, len(data), size) for record in source.feed(data[at : at + size])]
    got = readings(records)
    assert [reading.values for reading in got] == [
        pytest.approx((round(s.grams, 1) * GRAM_N, round(s.deg, 1)), rel=1e-6) for s in samples()
    ]
    assert [reading.seq for reading in got] == list(range(200))
    assert sum(isinstance(record, Hello) for record in records) == 1


@pytest.mark.parametrize(
    "style", [s for s in (*SEEN, *HELD_OUT) if s.means.keys() - {"time"}], ids=lambda s: s.name
)
def test_every_style_that_says_what_it_is_is_read_whole(style: Style) -> None:
    source = source_for(style)
    got = readings(source.feed(printed(style)))
    assert len(got) == 200
    assert source.tally.bad == 0


def test_the_sketchs_own_clock_gives_the_time() -> None:
    source = source_for(LETTERS)
    got = readings(source.feed(printed(LETTERS)))
    assert source.hello is not None
    elapsed = (got[-1].tick - got[0].tick) * source.hello.tick_s
    assert elapsed == pytest.approx(199 / RATE_HZ, abs=1e-3)


def test_a_missing_line_is_told_by_the_sketchs_clock() -> None:
    source = source_for(LETTERS)
    lines = printed(LETTERS).split(b"\n")
    del lines[50:53]
    records = source.feed(b"\n".join(lines))
    gaps = [record for record in records if isinstance(record, Fault) and record.kind == "gap"]
    assert [gap.lost for gap in gaps] == [3]
    assert source.tally.lost == 3


def test_time_by_arrival_is_smoothed_over_bursts() -> None:
    found = sniff(printed(LABELLED), 200 / RATE_HZ)
    assert found is not None
    now = [0.0]
    source = PlainDecoder(found.mapping(), clock=lambda: now[0])
    lines = printed(LABELLED).splitlines(keepends=True)
    got: list[Reading] = []
    for at, line in enumerate(lines):
        # An adapter hands over every 50 ms what has come: four lines at once.
        now[0] = 0.05 * ((at // 4) + 1)
        got += readings(source.feed(line))
    steps = [b.tick - a.tick for a, b in itertools.pairwise(got[20:])]
    assert all(0.5 / RATE_HZ < 1e-6 * step < 2.0 / RATE_HZ for step in steps)


@pytest.mark.parametrize("digit", [b"9", b"0"])
def test_a_damaged_number_counts_as_faulty_and_is_not_taken(digit: bytes) -> None:
    source = source_for(LABELLED)
    lines = printed(LABELLED).splitlines(keepends=True)
    lines[100] = lines[100].replace(b"Load: 4", b"Load: " + digit)
    got = readings(source.feed(b"".join(lines)))
    assert len(got) == 199
    assert source.tally.bad == 1


def test_a_real_step_of_the_load_is_kept() -> None:
    source = source_for(LABELLED)
    first, second = samples(100), samples(100, seed=2)
    text = "".join(LABELLED.line(s) + "\n" for s in first)
    text += "".join(f"Load: {s.grams - 400.0:.1f} g, Angle: {s.deg + 50.0:.1f}\n" for s in second)
    assert len(readings(source.feed(text.encode()))) == 200


def test_columns_that_trade_places_after_a_reset_are_noticed() -> None:
    # Two bare columns, told by their places alone.
    lines = PlainMapping((("", ""),), (Field("load", 0, 0), Field("angle", 0, 1, bits=12)), RATE_HZ)
    source = PlainDecoder(lines, clock=lambda: 0.0)
    source.feed("".join(f"{s.counts} {s.angle_counts}\n" for s in samples(100)).encode())
    before = source.tally.readings
    records = source.feed("".join(f"{s.angle_counts} {s.counts}\n" for s in samples(100)).encode())
    assert any(isinstance(record, Fault) and "traded places" in record.what for record in records)
    assert source.tally.readings == before


def test_a_heading_in_another_order_is_noticed() -> None:
    source = source_for(HEADED)
    source.feed(printed(HEADED))
    records = source.feed(b"ms,pos,raw,speed\n")
    assert any(isinstance(record, Fault) and "traded places" in record.what for record in records)


def test_labelled_numbers_may_stand_in_another_order() -> None:
    source = source_for(LABELLED)
    source.feed(printed(LABELLED))
    swapped = "".join(f"Angle: {s.deg:.1f}, Load: {s.grams:.1f} g\n" for s in samples(50))
    got = readings(source.feed(swapped.encode()))
    assert got[0].values[0] == pytest.approx(450.0 * GRAM_N, rel=0.05)


def test_a_sketch_that_complains_is_passed_on() -> None:
    source = source_for(LABELLED)
    source.feed(printed(LABELLED))
    records = source.feed(b"HX711 not found.\n")
    assert any(isinstance(record, Fault) and "HX711 not found" in record.what for record in records)


def test_a_reset_begins_a_new_segment() -> None:
    source = source_for(LETTERS)
    source.feed(printed(LETTERS))
    records = source.feed("".join(LETTERS.line(s) + "\n" for s in samples(20)).replace("T3", "T").encode())
    assert any(isinstance(record, Fault) and record.kind == "restart" for record in records)


def test_a_mapping_comes_back_from_its_table() -> None:
    for style in SEEN:
        found = sniff(printed(style), 200 / RATE_HZ)
        assert found is not None
        if any(column.name not in (None, "time") for column in found.columns):
            mapping = found.mapping(115200)
            back = PlainMapping.from_table(mapping.to_table())
            assert back.fields == mapping.fields
            assert back.shapes == mapping.shapes


LOOSE = {"shapes": [["a"]], "rate_hz": 80.0}
SPOILT: list[dict[str, object]] = [
    {},
    {**LOOSE, "fields": []},
    {**LOOSE, "fields": [{"name": "mood", "line": 0, "index": 0}]},
]


@pytest.mark.parametrize("spoilt", SPOILT)
def test_a_spoilt_table_is_refused(spoilt: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        PlainMapping.from_table(spoilt)
