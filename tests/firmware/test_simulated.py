"""The sketch on the 8-bit board in a simulator, recorded by the program over a port."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import serial
from command_line import Run
from firmware_board import (
    FLASH,
    MEMORY,
    SKETCH,
    build_for_board,
    build_in_editor,
    simulated,
    sizes,
)

from rig.calibration import AngleScale, Calibration, LoadScale, save_calibration
from rig.line import Answer, Decoder, Fault, Hello, Reading, Status
from rig.runs import Run as RecordedRun
from rig.runs import read_run

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")

Show = Callable[[str], None]

ZERO = 20_000
"""Counts of the free tip."""
N_PER_COUNT = 1e-5
PERIOD_S = 12.0
PULSE_US = 4.0
"""No clock pulse may be longer. The data sheet allows 50; 1.6 was measured, and 26 with interrupts let in."""


def record(run: Run, port: str, *words: str) -> RecordedRun:
    """`blankbench record roll` on a port; the run it wrote."""
    scales = {"load": LoadScale(float(ZERO), N_PER_COUNT, 0.002), "angle": AngleScale()}
    save_calibration(Calibration("2026-05-09T08:30", **scales), "calibrations")
    outcome = run(
        "record", "roll", "--port", port, "--blank", "S-1", "--free-length", "2.10", "--mount", "0",
        "--travel", "0.525", "--load-limit", "90", "--json", *words,
    )  # fmt: skip
    assert outcome.status == 0, outcome.err
    return read_run(outcome.document["run"])


def told(recorded: RecordedRun) -> list[tuple[str, str]]:
    """What the board said of itself, as the run keeps it."""
    return [
        (str(event.detail["channel"]), str(event.detail["state"]))
        for event in recorded.events
        if event.name == "status"
    ]


def truth_of(path: Path) -> tuple[list[int], list[int], float]:
    """What the models gave: words of the amplifier, angles; and the longest clock pulse, us."""
    words, angles, longest = [], [], 0.0
    for line in path.read_text().splitlines():
        kind, _, value = line.partition(" ")
        if kind == "L":
            words.append(int(value))
        elif kind == "A":
            angles.append(int(value))
        elif kind == "H":
            longest = float(value)
    return words, angles, longest


def assert_none_lost_or_altered(recorded: RecordedRun, truth: Path, first: int = 0) -> None:
    """Every reading in its place holds the word and the angle that the models gave."""
    words, angles, _ = truth_of(truth)
    seq = recorded.columns["seq"]
    turns = np.concatenate(([0], np.cumsum(np.diff(seq) < 0)))
    place = (seq + turns * 65_536).astype(int) - first
    np.testing.assert_array_equal(np.diff(place), 1)
    np.testing.assert_array_equal(recorded.columns["load_counts"], np.array(words)[place])
    np.testing.assert_array_equal(recorded.columns["angle_counts"], np.array(angles)[place])


def test_the_sketch_fits_into_the_8_bit_board(elf: Path, show: Show) -> None:
    flash, memory = sizes(elf)
    show(f"sketch on the 8-bit board: {flash} of {FLASH} bytes of flash, {memory} of {MEMORY} of memory")
    assert flash < FLASH - 2048  # what the largest usual boot loader takes
    assert memory < MEMORY - 512  # and room for the stack, which is a few dozen bytes deep


def test_a_run_is_recorded_whole_and_its_stiff_plane_is_the_models(
    run: Run, simulator: Path, elf: Path, tmp_path: Path
) -> None:
    plane_deg, bow_deg = 37.0, 110.0
    terms = (
        ZERO + 500_000,
        8_000 * math.cos(math.radians(bow_deg)),
        8_000 * math.sin(math.radians(bow_deg)),
        9_000 * math.cos(2 * math.radians(plane_deg)),
        9_000 * math.sin(2 * math.radians(plane_deg)),
    )
    truth = tmp_path / "truth"
    load = ",".join(f"{term:.1f}" for term in terms)
    with simulated(
        simulator, elf, "--fast", "--truth", truth, "--load", load, "--period", str(PERIOD_S)
    ) as port:
        recorded = record(run, port, "--turns", "4")
    assert_none_lost_or_altered(recorded, truth)
    assert told(recorded) == []
    assert recorded.header.tables["rig"]["device"] == "rig-1"
    np.testing.assert_allclose(np.diff(recorded.columns["time_s"]), 0.0125, atol=5e-6)
    assert truth_of(truth)[2] < PULSE_US
    (found,) = run("spine", recorded.path, "--json").document
    assert abs(found["stiff_plane_deg"] - plane_deg) <= found["stiff_plane_ci95_deg"]


def at(*events: str) -> list[str]:
    return [word for event in events for word in ("--at", event)]


FAULTS = {
    "amplifier unplugged": (("2:load-out", "3:load-in"), [("load", "no-answer"), ("load", "ok")]),
    "data line at ground": (("2:short",), [("load", "no-answer")]),
    "a pulse too long": (("2:pulse",), [("load", "powered-down"), ("load", "ok")]),
    "a long pulse that is allowed": (("2:pulse-30",), []),
    "bridge open": (("2:over", "3:over-end"), [("load", "over-range"), ("load", "ok")]),
    "no magnet": (("2:magnet-out", "3:magnet-in"), [("angle", "magnet-missing"), ("angle", "ok")]),
    "magnet weak": (("2:magnet-weak", "3:magnet-in"), [("angle", "magnet-weak"), ("angle", "ok")]),
    "magnet strong": (("2:magnet-strong", "3:magnet-in"), [("angle", "magnet-strong"), ("angle", "ok")]),
    "angle sensor unplugged": (("2:angle-out", "3:angle-in"), [("angle", "no-answer"), ("angle", "ok")]),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_said_in_words_and_no_value_is_made_up(
    name: str, run: Run, simulator: Path, elf: Path, tmp_path: Path
) -> None:
    events, words = FAULTS[name]
    truth = tmp_path / "truth"
    with simulated(simulator, elf, "--fast", "--truth", truth, *at(*events)) as port:
        recorded = record(run, port, "--seconds", "4")
    assert told(recorded) == words
    np.testing.assert_array_equal(np.diff(recorded.columns["seq"]), 1)
    given, angles, _ = truth_of(truth)
    load, angle = recorded.columns["load_counts"], recorded.columns["angle_counts"]
    for values, source in (
        (load, given),
        (angle, angles),
    ):  # in their order; the models gave more, none was made up
        rest = iter(source)
        assert all(value in rest for value in values[np.isfinite(values)].astype(int).tolist())
    missing = {"load": np.isnan(load).mean(), "angle": np.isnan(angle).mean()}
    silent = {channel for channel, state in words if state in ("no-answer", "powered-down", "magnet-missing")}
    assert {channel for channel, share in missing.items() if share > 0} == silent


def test_a_pulse_too_long_costs_one_reading_and_fifty_milliseconds(
    run: Run, simulator: Path, elf: Path
) -> None:
    """The signature of a power-down in mid-word: trailing one bits, and the next sample 50 ms later."""
    with simulated(simulator, elf, "--fast", *at("2:pulse", "2.5:pulse")) as port:
        recorded = record(run, port, "--seconds", "3")
    load, time_s = recorded.columns["load_counts"], recorded.columns["time_s"]
    (cut,) = np.nonzero(np.isnan(load))
    assert len(cut) == 2
    np.testing.assert_allclose(time_s[cut + 1] - time_s[cut], 0.050, atol=0.002)
    whole = load[np.isfinite(load)].astype(int)
    assert not np.any((whole & 0x3FFF) == 0x3FFF)


def test_the_ticks_wrap_leaves_no_mark_on_the_time(
    run: Run, simulator: Path, workshop: Path, tmp_path: Path
) -> None:
    start = (1 << 32) - 2_000_000
    wrapping = build_for_board(workshop, f"-DTICK_START={start}UL")
    truth = tmp_path / "truth"
    with simulated(simulator, wrapping, "--fast", "--truth", truth) as port:
        recorded = record(run, port, "--seconds", "4")
    assert recorded.columns["tick"].max() > (1 << 32) - 20_000
    assert recorded.columns["tick"].min() < 20_000
    np.testing.assert_allclose(np.diff(recorded.columns["time_s"]), 0.0125, atol=5e-6)
    assert_none_lost_or_altered(recorded, truth)


def test_a_reset_in_mid_run_is_said_and_the_run_goes_on(run: Run, simulator: Path, elf: Path) -> None:
    with simulated(simulator, elf, "--fast", *at("2.003:reset")) as port:
        recorded = record(run, port, "--seconds", "4")
    assert ("board", "boot") in told(recorded)
    seq = recorded.columns["seq"]
    (back,) = np.nonzero(np.diff(seq) < 0)
    assert len(back) == 1
    assert seq[back[0] + 1] == 0
    assert np.all(np.diff(recorded.columns["time_s"]) > 0)
    assert recorded.events[-1].detail["reason"] != "the port went away"


def talk(port: str, doings: Sequence[tuple[float, bytes]], until_s: float) -> list:
    """Type at a board in real time and read what it says."""
    decoder = Decoder()
    out: list = []
    with serial.Serial(port, 115200, timeout=0.01) as line:
        line.write(b"\n")  # the board gets power with the first byte
        begun = time.monotonic()
        waiting = list(doings)
        while (now := time.monotonic() - begun) < until_s:
            while waiting and now >= waiting[0][0]:
                line.write(waiting.pop(0)[1])
            out += decoder.feed(line.read(line.in_waiting or 1))
    assert decoder.tally.bad == 0
    return out


def test_commands_in_mid_line_are_answered_and_cut_no_line(simulator: Path, elf: Path) -> None:
    """In pieces, at moments of their own: during 4 ms of each 12.5 ms a line is on its way."""
    typed = b"identify\rtare\nrate 50\nRATE 80\nxyz\n"
    pieces = [(0.3 + 0.0037 * i, bytes([byte])) for i, byte in enumerate(typed)]
    with simulated(simulator, elf) as port:
        out = talk(port, pieces, 1.5)
    assert not [item for item in out if isinstance(item, Fault)]
    assert [str(item) for item in out if isinstance(item, Answer)] == [
        str(answer)
        for answer in (
            Answer("identify", True),
            Answer("tare", True),
            Answer("rate", False, "only 10 or 80"),
            Answer("rate", True, "80"),
            Answer("?", False, "unknown command"),
        )
    ]
    seqs = [item.seq for item in out if isinstance(item, Reading)]
    assert seqs == list(range(len(seqs)))
    assert len(seqs) > 80
    assert [item.state for item in out if isinstance(item, Status)].count("zero") == 1


def test_ten_a_second_and_back_is_what_the_amplifier_then_does(simulator: Path, elf: Path) -> None:
    with simulated(simulator, elf) as port:
        out = talk(port, [(0.2, b"rate 10\n"), (1.8, b"rate 80\n")], 2.6)
    ticks = [item.tick for item in out if isinstance(item, Reading)]
    steps = np.diff(ticks)
    assert np.sum(np.abs(steps - 100_000) < 50) >= 8
    assert np.sum(np.abs(steps - 12_500) < 50) >= 40
    assert {hello.rate_hz for hello in out if isinstance(hello, Hello)} == {10.0, 80.0}


def test_an_amplifier_whose_rate_is_fixed_is_said_to_have_that_rate(simulator: Path, workshop: Path) -> None:
    fixed = build_for_board(workshop, "-DRATE_WIRED=0", "-DRATE_HZ=10")
    with simulated(simulator, fixed) as port:
        out = talk(port, [(0.2, b"rate 80\nrate 10\n")], 1.5)
    answers = [(item.ok, item.text) for item in out if isinstance(item, Answer)]
    assert answers == [(False, "fixed at the amplifier"), (True, "10")]
    assert {hello.rate_hz for hello in out if isinstance(hello, Hello)} == {10.0}
    steps = np.diff([item.tick for item in out if isinstance(item, Reading)])
    assert len(steps) >= 8
    np.testing.assert_allclose(steps, 100_000, atol=50)


@pytest.mark.slow
def test_ten_minutes_are_recorded_whole(
    run: Run, simulator: Path, elf: Path, tmp_path: Path, show: Show
) -> None:
    truth = tmp_path / "truth"
    begun = time.monotonic()
    with simulated(simulator, elf, "--fast", "--truth", truth) as port:
        recorded = record(run, port, "--seconds", "600")
    took = time.monotonic() - begun
    show(f"{len(recorded)} readings of 10 minutes of board time in {took:.0f} s, none lost, none altered")
    assert len(recorded) >= 48_000
    assert_none_lost_or_altered(recorded, truth)
    np.testing.assert_allclose(np.diff(recorded.columns["time_s"]), 0.0125, atol=5e-6)


@pytest.mark.slow
def test_what_the_board_editor_makes_of_the_sketch_runs_alike(
    simulator: Path, workshop: Path, show: Show
) -> None:
    """Its own main(), clock tick and library around the sketch; no interrupt is claimed twice."""
    built = build_in_editor(workshop, "atmega328p", "standard")
    flash, memory = sizes(built)
    show(f"as the board editor builds it: {flash} bytes of flash, {memory} of memory")
    assert flash < FLASH - 2048
    assert memory < MEMORY - 512
    with simulated(simulator, built) as port:
        out = talk(port, [(0.4, b"identify\n")], 1.2)
    readings = [item for item in out if isinstance(item, Reading)]
    assert len(readings) > 60
    assert set(np.diff([item.tick for item in readings])) <= set(range(12_495, 12_506))
    assert all(None not in item.values for item in readings)


@pytest.mark.slow
def test_the_part_for_a_board_with_its_own_usb_compiles(workshop: Path, show: Show) -> None:
    """Compiled for an 8-bit chip with USB of its own; that it is untried stands in the file."""
    usb = ("-DUSB_VID=0x2341", "-DUSB_PID=0x8036", '-DUSB_MANUFACTURER="x"', '-DUSB_PRODUCT="x"')
    flash, memory = sizes(build_in_editor(workshop, "atmega32u4", "leonardo", *usb))
    show(f"with USB of its own: {flash} bytes of flash, {memory} of memory (untried on a board)")
    assert flash < 28 * 1024
    assert memory < 2560 - 512
    assert "UNTRIED" in (SKETCH / "board_usb.cpp").read_text()


@pytest.mark.slow
def test_the_part_by_the_editors_functions_reads_both_sensors(simulator: Path, workshop: Path) -> None:
    """The same file on the 8-bit chip, where the simulator can run it: the logic, not the USB."""
    built = build_in_editor(workshop, "atmega328p", "standard", "-DRIG_ANY_BOARD")
    with simulated(simulator, built) as port:
        out = talk(port, [(0.4, b"identify\n")], 2.0)
    readings = [item for item in out if isinstance(item, Reading)]
    assert len(readings) > 60
    assert sum(None in item.values for item in readings) <= 1
    assert Answer("identify", True) in out
