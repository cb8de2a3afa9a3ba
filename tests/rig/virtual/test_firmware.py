"""The board: every byte it sends is the line protocol, whatever it is told and whatever goes wrong."""

import numpy as np
import pytest

from rig.line.decoder import Decoder
from rig.line.record import MAX_LINE, Answer, Hello, Reading, Status
from rig.line.source import Fault
from rig.virtual.bench import Bench
from rig.virtual.blanks import load_blanks
from rig.virtual.firmware import CHANNELS, Firmware
from rig.virtual.trouble import Trouble


def board(seed=1, **more):
    bench = Bench(load_blanks(), seed=seed)
    bench.mount("P-1", 30.0)
    return bench, Firmware(bench, **more)


def records(data):
    return Decoder().feed(data)


def readings(data):
    return [record for record in records(data) if isinstance(record, Reading)]


def faults(data):
    return [record for record in records(data) if isinstance(record, Fault)]


def test_it_starts_with_boot_and_hello_and_repeats_the_hello():
    _, firmware = board(streaming=False, hello_every_s=2.0)
    said = records(firmware.advance(5.0))
    assert said[0] == Status(0, None, "boot", "virtual rig")
    assert [type(record) for record in said[1:]] == [Hello] * 3  # at 0, 2 and 4 s
    assert said[1].channels == CHANNELS


@pytest.mark.parametrize("rate", [80, 1000, 5000])
def test_readings_carry_the_benchs_counts_in_their_order_at_their_rate(rate):
    bench, firmware = board(rate_hz=rate)
    task = bench.roll(0.5, turns=(0.1,), speed_deg_s=60.0)
    sent = readings(firmware.advance((task.readings(rate) - 1) / rate))
    twin, _ = board()
    twin.roll(0.5, turns=(0.1,), speed_deg_s=60.0)
    counts, _ = twin.sample(task.readings(rate), 1.0 / rate)
    columns = (counts.load, counts.angle, counts.travel, counts.tip)
    assert [reading.values for reading in sent] == list(zip(*(c.tolist() for c in columns), strict=True))
    assert [reading.seq for reading in sent] == list(range(len(sent)))
    assert [reading.tick for reading in sent] == [round(n * 1e6 / rate) for n in range(len(sent))]


def test_pieces_of_time_do_not_matter():
    _, whole = board(seed=4, troubles=[Trouble("lose", 1.01, 0.5), Trouble("reset", 2.5)])
    _, pieced = board(seed=4, troubles=[Trouble("lose", 1.01, 0.5), Trouble("reset", 2.5)])
    rng = np.random.default_rng(0)
    moments = [*np.sort(rng.uniform(0.0, 4.0, 100)), 4.0]
    assert b"".join(pieced.advance(float(moment)) for moment in moments) == whole.advance(4.0)


def test_the_tick_wraps_at_32_bits_and_the_sequence_at_16():
    bench, firmware = board(rate_hz=1000, tick_start=(1 << 32) - 5_000_000)
    bench.still(1e4)
    sent = readings(firmware.advance(70.0))
    ticks, seqs = (np.array([getattr(r, name) for r in sent], dtype=np.int64) for name in ("tick", "seq"))
    assert ticks.max() < 1 << 32
    assert np.all(np.diff(ticks) % (1 << 32) == 1000)
    assert np.sum(np.diff(ticks) < 0) == 1
    assert np.all(np.diff(seqs) % (1 << 16) == 1)
    assert np.sum(np.diff(seqs) < 0) == 1


def test_start_stop_and_rate_do_what_they_say_and_lose_no_number():
    _, firmware = board(streaming=False)
    firmware.advance(0.5)
    firmware.feed(b"sta")
    firmware.feed(b"rt\r\n")
    first = records(firmware.advance(1.0))
    firmware.feed(b"Rate 200\n")
    second = records(firmware.advance(2.0))
    firmware.feed(b"stop\n")
    third = records(firmware.advance(10.0))
    assert first[0] == Answer("start", True)
    assert len([r for r in first if isinstance(r, Reading)]) == 41  # 0.5 … 1.0 s at 80 a second, both ends
    assert Answer("rate", True, "200") in second
    assert next(r.rate_hz for r in second if isinstance(r, Hello)) == 200.0
    fast = [r for r in second if isinstance(r, Reading)]
    assert set(np.diff([r.tick for r in fast]).tolist()) == {5000}
    assert fast[0].seq == 41
    assert not [r for r in third if isinstance(r, Reading)]
    assert Answer("stop", True) in third


def test_identify_brings_the_hello_at_once():
    _, firmware = board(streaming=False)
    firmware.advance(0.1)
    firmware.feed(b"identify\n")
    assert [type(record) for record in records(firmware.advance(0.1))] == [Answer, Hello]


def test_a_driven_rig_halts_at_stop_and_goes_on_reading():
    bench, firmware = board(drive=True)
    flex, later = bench.flex(0.6, speed_m_s=0.1), bench.roll(0.5)
    before = records(firmware.advance(3.0))
    firmware.feed(b"stop\n")
    after = records(firmware.advance(6.0))
    travel = [record.values[2] for record in after if isinstance(record, Reading)]
    assert [hello.drive for hello in before if isinstance(hello, Hello)] == [True, True]
    assert Answer("stop", True) in after
    assert len(travel) == 240
    assert (
        np.ptp(travel) < 200
    )  # 0.8 mm of noise at 0.05 mm a count; three more seconds of flex are 6,000 counts
    assert flex.wait(0)
    assert later.wait(0)
    assert not bench.busy


def test_tare_says_the_zero_and_leaves_the_counts_alone():
    bench, firmware = board()
    bench.still(1e3)
    before = [r.values[0] for r in readings(firmware.advance(1.0))]
    firmware.feed(b"tare\n")
    said = records(firmware.advance(1.0))
    after = [r.values[0] for r in readings(firmware.advance(2.0))]
    mean, number = map(int, said[1].text.split())
    assert said[0] == Answer("tare", True)
    assert (said[1].channel, said[1].state, number) == ("load", "zero", 40)
    assert mean == pytest.approx(np.mean(before[-40:]), abs=0.5001)
    assert abs(np.mean(after) - np.mean(before)) < 2000  # 20 mN; the zero is 84213 counts


def test_tare_without_readings_says_what_to_do():
    _, firmware = board(streaming=False)
    firmware.advance(0.0)
    firmware.feed(b"tare\n")
    (said,) = records(firmware.advance(0.0))
    assert said == Answer("tare", False, "no readings yet, send start first")


@pytest.mark.parametrize(
    "typed", [b"jump\n", b"rate\n", b"rate x\n", b"rate 99999\n", b"\xff\xfe\n", b"x" * 500 + b"\n"]
)
def test_a_command_that_is_none_is_answered_and_changes_nothing(typed):
    _, firmware = board()
    firmware.advance(0.0)
    firmware.feed(typed)
    said = [record for record in records(firmware.advance(0.0)) if isinstance(record, Answer)]
    assert [answer.ok for answer in said] == [False]
    assert firmware.streaming
    assert firmware.rate_hz == 80


def test_every_line_is_short_enough_and_whole():
    bench, firmware = board(rate_hz=1000)
    bench.roll(0.5)
    for line in firmware.advance(5.0).splitlines(keepends=True):
        assert line.endswith(b"\n")
        assert len(line) <= (60 if line.startswith(b"R ") else MAX_LINE + 1)


def test_lost_readings_leave_a_gap_in_the_numbers():
    _, firmware = board(rate_hz=100, troubles=[Trouble("lose", 1.0, 0.5)])
    data = firmware.advance(3.0)
    seqs = [r.seq for r in readings(data)]
    assert np.diff(seqs).max() == 51
    assert [fault.kind for fault in faults(data)] == ["gap"]


def test_corrupt_lines_do_not_hold_their_check():
    _, firmware = board(rate_hz=100, troubles=[Trouble("corrupt", 1.0, 0.5)])
    data = firmware.advance(3.0)
    assert len(readings(data)) == 251
    assert {fault.kind for fault in faults(data)} <= {"check", "unchecked", "unknown", "form", "gap", "long"}


def test_garbage_spoils_no_reading():
    _, firmware = board(rate_hz=100, troubles=[Trouble("garbage", 0.505), Trouble("garbage", 1.505)])
    data = firmware.advance(3.0)
    assert len(readings(data)) == 301
    assert faults(data)


def test_a_silent_board_skips_time_and_no_number():
    _, firmware = board(rate_hz=100, troubles=[Trouble("silence", 1.0, 0.505)])
    sent = readings(firmware.advance(3.0))
    assert np.diff([r.tick for r in sent]).max() == 515_000
    assert set(np.diff([r.seq for r in sent]).tolist()) == {1}


def test_a_reset_begins_with_boot_and_number_0():
    _, firmware = board(rate_hz=100, troubles=[Trouble("reset", 1.505)])
    said = records(firmware.advance(3.0))
    boots = [n for n, record in enumerate(said) if isinstance(record, Status) and record.is_boot]
    assert len(boots) == 2
    after = [record for record in said[boots[1] :] if isinstance(record, Reading)]
    assert (after[0].seq, after[0].tick) == (0, 0)


@pytest.mark.parametrize(
    ("kind", "column", "value", "state"),
    [
        ("load-gone", 0, None, "no-answer"),
        ("magnet-gone", 1, None, "magnet-missing"),
        ("over-range", 0, 8_388_607, "over-range"),
    ],
)
def test_a_sensor_in_trouble_is_reported_and_reported_well_again(kind, column, value, state):
    _, firmware = board(rate_hz=100, troubles=[Trouble(kind, 1.0, 0.5)])
    data = firmware.advance(3.0)
    assert [r.values[column] == value for r in readings(data)].count(True) == 50
    said = [record.state for record in records(data) if isinstance(record, Status)]
    assert said == ["boot", state, "ok"]


def test_trouble_that_is_none_is_refused():
    with pytest.raises(ValueError, match="is no trouble"):
        Trouble("gremlins", 1.0)
    with pytest.raises(ValueError, match="0 s on"):
        Trouble("lose", -1.0)
