"""The recorder as a state machine: what ends up in the file, and what a screen may see."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from analysis.readings import Floats
from rig.errors import PortError
from rig.line import Answer, Channel, Command, Decoder, Hello, Reading, Status, encode
from rig.port.link import LinkLostError
from rig.recording.recorder import Phase, Recorder, Snapshot, drive
from rig.runs import Header, RunWriter, read_run

HELLO = Hello(
    "bench", (Channel("load", bits=24, coding="signed"), Channel("angle", bits=12, coding="turn")), 100.0
)


class Bench:
    """A recorder on a decoder that has met the board, and the bytes of invented readings."""

    def __init__(self, folder: Path, hello: Hello = HELLO, limit: float | None = None) -> None:
        self.now = 0.0
        self.source = Decoder()
        self.source.feed(encode(hello))
        self.path = folder / "run.csv"
        header = Header("roll", "A-1", 1.8, held_travel_m=0.45)
        self.recorder = Recorder(
            self.source,
            hello,
            self.convert,
            lambda columns: RunWriter(self.path, header, list(columns)),
            load_limit_N=limit,
            clock=lambda: self.now,
        )

    @staticmethod
    def convert(raw: Mapping[str, Floats]) -> Mapping[str, Floats]:
        return {"load_N": raw["load"] * 0.001, "roll_deg": raw["angle"] * 360.0 / 4096.0}

    @staticmethod
    def lines(first: int, loads: list[int], angle: int = 0) -> bytes:
        readings = [
            Reading((first + n) % 65536, ((first + n) * 10_000) % 2**32, (load, (angle + n) % 4096))
            for n, load in enumerate(loads)
        ]
        return b"".join(encode(reading) for reading in readings)


def test_every_reading_comes_to_the_file_with_its_raw_counts(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.recorder.take(bench.lines(0, list(range(1000, 1250))))
    bench.recorder.finish("enough")
    run = read_run(bench.path)
    assert len(run) == 250
    np.testing.assert_array_equal(run.columns["load_counts"], np.arange(1000, 1250))
    np.testing.assert_allclose(run.columns["load_N"], np.arange(1000, 1250) * 0.001, atol=1e-9)
    np.testing.assert_allclose(run.columns["time_s"], np.arange(250) * 0.01, atol=1e-9)
    assert run.events[-1].name == "ended"
    assert run.events[-1].detail["readings"] == 250


def test_a_run_cut_off_without_an_end_is_still_a_run(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.recorder.take(bench.lines(0, [1000] * 40))
    assert len(read_run(bench.path)) == 40


def test_a_missing_value_is_a_missing_reading_and_loses_no_other(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.recorder.take(bench.lines(0, [1000] * 3) + encode(Reading(3, 30_000, (None, 7))))
    bench.recorder.finish("enough")
    run = read_run(bench.path)
    assert np.isnan(run.columns["load_N"][3])
    assert run.columns["angle_counts"][3] == 7


def test_lost_readings_are_counted_and_marked_where_they_are_missing(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    snapshot = bench.recorder.take(bench.lines(0, [1000] * 10) + bench.lines(15, [1000] * 10))
    bench.recorder.finish("enough")
    run = read_run(bench.path)
    assert snapshot.lost == 5
    assert next((event.name, event.row, event.detail.get("lost")) for event in run.events) == ("gap", 10, 5)


def test_a_board_that_starts_anew_goes_on_in_the_same_run(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    boot = encode(Status(0, None, "boot"))
    bench.recorder.take(bench.lines(500, [1000] * 10))
    bench.now = 3.0
    bench.recorder.take(boot + encode(HELLO) + bench.lines(0, [1000] * 10))
    bench.recorder.finish("enough")
    run = read_run(bench.path)
    assert len(run) == 20
    assert (np.diff(run.columns["time_s"]) > 0).all()
    assert any(event.name == "status" and event.detail["state"] == "boot" for event in run.events)


def test_past_the_load_limit_it_records_until_the_release_and_then_ends(tmp_path: Path) -> None:
    bench = Bench(tmp_path, limit=5.0)
    over = bench.recorder.take(bench.lines(0, [4000, 5001]))
    assert over.phase is Phase.OVER_LIMIT
    assert over.over_limit
    still = bench.recorder.take(bench.lines(2, [6000, 4000, 1500]))
    assert still.phase is Phase.OVER_LIMIT
    assert still.peak_load_N == pytest.approx(6.0)
    ended = bench.recorder.take(bench.lines(5, [900]))
    assert ended.phase is Phase.ENDED
    run = read_run(bench.path)
    assert len(run) == 6
    assert [event.name for event in run.events] == ["load limit passed", "load released", "ended"]
    assert bench.recorder.to_board == []


def test_a_driven_rig_is_told_to_stop_past_the_load_limit(tmp_path: Path) -> None:
    driven = Hello("bench", HELLO.channels, 100.0, drive=True)
    bench = Bench(tmp_path, driven, limit=5.0)
    bench.recorder.take(bench.lines(0, [5001]))
    assert bench.recorder.to_board == [Command("stop").line]


def test_the_screen_sees_load_angle_rate_and_the_covered_turn(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    half_a_turn = bench.recorder.take(bench.lines(0, [2500] * 2048))
    assert half_a_turn.load_N == pytest.approx(2.5)
    assert half_a_turn.rate_hz == pytest.approx(100.0)
    assert half_a_turn.covered == pytest.approx(0.5, abs=1.5 / 72)
    assert half_a_turn.turned == pytest.approx(0.5, abs=1e-3)
    bench.recorder.take(bench.lines(2048, [2500] * 2048, angle=2048))
    assert bench.recorder.snapshot.covered == 1.0


class FakeLink:
    url = "fake://"

    def __init__(self, pieces: list[bytes], then: Exception | None = None) -> None:
        self.pieces, self.then, self.sent = pieces, then, b""

    def read(self) -> bytes:
        if self.pieces:
            return self.pieces.pop(0)
        if self.then is not None:
            raise self.then
        return b""

    def write(self, data: bytes) -> None:
        self.sent += data
        if data == b"stop\n":
            self.pieces.append(encode(Answer("stop", True)))

    def close(self) -> None: ...


def test_what_is_still_on_its_way_at_the_end_is_taken(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    link = FakeLink([bench.lines(0, [1000] * 5), bench.lines(5, [1000] * 5)])

    def done(now: Snapshot) -> str | None:
        return "enough" if now.readings >= 5 else None

    snapshot = drive(link, bench.recorder, done=done, clock=lambda: 0.0)
    assert link.sent == b"start\nstop\n"
    assert snapshot.readings == 10
    assert len(read_run(bench.path)) == 10


def test_a_port_that_goes_away_leaves_a_whole_run(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    link = FakeLink([bench.lines(0, [1000] * 5)], LinkLostError("it went away", "look at the plug"))
    with pytest.raises(LinkLostError):
        drive(link, bench.recorder, clock=lambda: 0.0)
    run = read_run(bench.path)
    assert len(run) == 5
    assert run.events[-1].detail["reason"] == "the port went away"


def test_a_board_that_only_says_hello_is_given_up_in_one_line(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    ticks = iter(range(100))
    with pytest.raises(PortError, match="sends no readings"):
        drive(FakeLink([]), bench.recorder, clock=lambda: float(next(ticks)))
    assert not bench.path.exists()


def test_another_board_on_the_port_ends_the_run_as_it_stands(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    other = Hello("other", HELLO.channels[:1], 100.0)
    stream = bench.lines(0, [1000] * 5) + encode(other) + encode(Reading(0, 0, (5,)))
    assert bench.recorder.take(stream).phase is Phase.ENDED
    assert len(read_run(bench.path)) == 5
