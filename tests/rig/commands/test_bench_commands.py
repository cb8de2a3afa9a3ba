"""Commands at the bench, on the virtual rig's real port: record, calibrate, ports, virtual, demo."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import REPOSITORY, Run, assert_one_line

from rig.calibration import TurnScale, latest_calibration, save_calibration
from rig.calibration.geometry import Winch
from rig.runs import read_run
from rig.virtual import Gear, Roll, Still, VirtualRig, load_blanks
from rig.virtual.gear import example_arm, example_winch

pty_only = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
WHO = ("--blank", "P-1", "--free-length", "2.10", "--mount", "0")


@pytest.fixture
def rig() -> Iterator[VirtualRig]:
    with VirtualRig(load_blanks(), seed=3, speed=None, streaming=False) as rig:
        yield rig


@pytest.fixture
def calibrated(rig: VirtualRig, in_folder: Path) -> VirtualRig:
    """A rig whose calibration lies in the folder we stand in."""
    save_calibration(rig.bench.gear.calibration("2026-05-09T08:30"), in_folder / "calibrations")
    return rig


def record(run: Run, rig: VirtualRig, *words: str):
    return run("record", *words, "--port", rig.url, *WHO, "--json")


def test_a_run_takes_from_the_log_what_the_call_does_not_say(run: Run, calibrated: VirtualRig) -> None:
    claims = ("--label-power", "medium", "--label-action", "fast", "--length", "2.286", "--by", "R. Example")
    run("log", "add", "--maker", "m", "--model", "Petrel", "--count", "1", "--names", "P-1", *claims)
    run("log", "note", "P-1", "--mass", "96.2", "--by", "R. Example")
    calibrated.bench.mount("P-1")
    calibrated.bench.flex(0.6, speed_m_s=0.2)
    outcome = record(run, calibrated, "flex", "--label-action", "slow", "--seconds", "1")
    assert outcome.status == 0, outcome.err
    assert "From the log: model Petrel" in outcome.err
    header = read_run(outcome.document["run"]).header
    assert (header.model, header.label_power, header.label_action) == ("Petrel", "medium", "slow")
    assert (header.length_m, header.mass_g) == (2.286, 96.2)
    calibrated.bench.flex(0.6, speed_m_s=0.2)
    other = run("record", "flex", "--seconds", "1", "--port", calibrated.url, "--blank", "P-7", *WHO[2:])
    assert other.status == 0
    assert "P-7 is not in the shop's log; did you mean P-1?" in other.err


def test_a_roll_is_recorded_whole_with_raw_counts_and_calibration(run: Run, calibrated: VirtualRig) -> None:
    calibrated.bench.mount("P-1")
    calibrated.bench.do(Roll(0.525, turns=(1.2,), speed_deg_s=40.0))
    outcome = record(run, calibrated, "roll", "--turns", "1")
    assert outcome.status == 0, outcome.err
    assert "eye protection" in outcome.err
    assert outcome.err.count("eye protection") == 1
    document = outcome.document
    assert document["lost"] == document["faulty"] == 0
    recorded = read_run(document["run"])
    assert len(recorded) == document["readings"] > 600
    assert {"seq", "tick", "load_counts", "angle_counts"} <= set(recorded.columns)
    assert recorded.header.tables["calibration"]["load"]["scale_ci95"] == 0.002
    assert recorded.header.held_travel_m == pytest.approx(0.525, abs=1e-3)
    assert recorded.events[-1].detail["reason"] == "enough turns"
    (found,) = run("spine", document["run"], "--json").document
    assert abs(found["stiff_plane_deg"] - 37.0) <= found["stiff_plane_ci95_deg"]


def test_past_the_load_limit_the_run_is_marked_and_goes_on_until_the_release(
    run: Run, calibrated: VirtualRig
) -> None:
    calibrated.bench.mount("P-1")
    calibrated.bench.flex(0.6, speed_m_s=0.2)
    outcome = record(run, calibrated, "flex", "--load-limit", "2.0")
    assert outcome.status == 0, outcome.err
    assert outcome.document["over_limit"] is True
    recorded = read_run(outcome.document["run"])
    assert [event.name for event in recorded.events][-3:] == ["load limit passed", "load released", "ended"]
    assert recorded.columns["load_N"].max() > 3.0
    assert recorded.columns["load_N"][-1] < 0.5


def test_what_a_recording_needs_and_was_not_told_is_named(run: Run, calibrated: VirtualRig) -> None:
    for missing in ("--blank", "--free-length", "--mount"):
        words = [
            word for pair in zip(WHO[::2], WHO[1::2], strict=True) if pair[0] != missing for word in pair
        ]
        outcome = run("record", "roll", "--port", calibrated.url, *words, "--json")
        assert_one_line(outcome, missing)


def test_an_uncalibrated_channel_is_named_with_what_to_do(run: Run, rig: VirtualRig, in_folder: Path) -> None:
    assert_one_line(record(run, rig, "roll"), "calibrate")


def test_load_travel_and_angle_are_calibrated_from_known_values(
    run: Run, rig: VirtualRig, in_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gear = rig.bench.gear
    plans = {
        ("load", "--weight", "500", "--tolerance", "0.5"): (Still(6.0), Still(6.0, hung_kg=0.5)),
        ("travel", "--distance", "400mm"): (Still(6.0), Still(6.0, travel_m=0.4)),
        ("angle",): (Still(6.0), Still(6.0, chuck_deg=90.0)),
        ("tip",): (Still(6.0), Still(6.0, tip_deg=45.0)),
    }
    for words, steps in plans.items():
        queue = iter(steps)

        def hand(*_: object, queue: Iterator[Still] = queue, **__: object) -> str:
            rig.bench.halt()
            rig.bench.do(next(queue))
            return ""

        monkeypatch.setattr("typer.prompt", hand)
        outcome = run("calibrate", *words, "--port", rig.url, "--json")
        assert outcome.status == 0, outcome.err
        rig.bench.halt()
    made = latest_calibration("calibrations")
    assert made is not None
    assert made.load is not None
    assert made.travel is not None
    assert made.angle is not None
    assert made.tip is not None
    assert made.dated
    scale = made.load.N_per_count / gear.load_N_per_count - 1.0
    assert made.load.scale_ci95 is not None
    assert abs(scale) <= max(made.load.scale_ci95, 0.002)
    assert made.travel.m_per_count == pytest.approx(gear.travel_m_per_count, rel=1e-3)
    assert made.angle.sign == gear.angle_sign
    assert made.tip.sign == gear.tip_sign
    assert made.tip.zero_counts == pytest.approx(gear.tip_zero_counts, abs=2.0)


def test_ports_ask_says_who_is_there(run: Run, rig: VirtualRig) -> None:
    document = run("ports", "--ask", rig.url, "--json").document
    assert document["device"] == "virtual-rig"
    assert document["channels"]["load"] == "counts"
    assert run("ports").status == 0


@pty_only
@pytest.mark.parametrize(
    ("stream", "said"),
    [
        (b"", "nothing came"),
        (bytes(range(128, 256)) * 8, "baud"),
        (b"Load: 12.3 g, Angle: 45.0\r\n" * 40, "another device"),
    ],
)
def test_a_port_that_says_something_else_is_told_in_one_line(
    run: Run, stream: bytes, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import rig.commands.connect as connect
    import rig.port.handshake as handshake

    def quickly(*words: object, **options: object) -> object:
        return handshake.identify(*words, **{**options, "timeout_s": 0.6})  # type: ignore[arg-type]

    monkeypatch.setattr(connect, "identify", quickly)
    monkeypatch.setattr("rig.commands.ports.identify", quickly)
    board, computer = os.openpty()
    import tty

    tty.setraw(computer)
    stop = threading.Event()

    def speak() -> None:
        while stream and not stop.wait(0.02):
            os.write(board, stream)

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        outcome = run("ports", "--ask", os.ttyname(computer), "--json")
    finally:
        stop.set()
        speaker.join()
        os.close(board)
        os.close(computer)
    assert_one_line(outcome, said)


@pty_only
def test_a_port_that_is_taken_is_told_in_one_line(run: Run, rig: VirtualRig) -> None:
    import serial

    with serial.Serial(rig.url, exclusive=True):
        assert_one_line(run("ports", "--ask", rig.url), "taken")


def blankbench(*words: str, folder: Path, **options: object) -> subprocess.Popen[str]:
    code = "import sys; from rig.commands import main; sys.exit(main())"
    environment = {
        **os.environ,
        "PYTHONPATH": str(REPOSITORY),
        "XDG_CONFIG_HOME": str(folder),
        "COLUMNS": "100",
    }
    return subprocess.Popen(  # type: ignore[call-overload, no-any-return]
        [sys.executable, "-u", "-c", code, *words],
        cwd=folder, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options,
    )  # fmt: skip


@pty_only
def test_ctrl_c_ends_a_recording_from_another_program_as_a_whole_run(tmp_path: Path) -> None:
    """`virtual` in one process, `record` in another, an interrupt in the middle."""
    from rig.virtual import Gear

    save_calibration(Gear().calibration("2026-05-09T08:30"), tmp_path / "calibrations")
    bench = blankbench("virtual", "roll", "--speed", "5", folder=tmp_path)
    assert bench.stdout is not None
    recording: subprocess.Popen[str] | None = None
    try:
        url = bench.stdout.readline().strip()
        recording = blankbench("record", "roll", "--port", url, *WHO, folder=tmp_path)
        deadline = time.monotonic() + 60.0
        runs = tmp_path / "runs"
        while not (runs.exists() and any(path.stat().st_size > 30_000 for path in runs.iterdir())):
            assert time.monotonic() < deadline
            assert recording.poll() is None, recording.communicate()
            threading.Event().wait(0.05)
        recording.send_signal(signal.SIGINT)
        out, err = recording.communicate(timeout=30)
    finally:
        bench.send_signal(signal.SIGINT)
        bench.communicate(timeout=30)
        if recording is not None and recording.poll() is None:
            recording.kill()
    assert recording.returncode == 0, err
    (path,) = runs.iterdir()
    recorded = read_run(path)
    assert recorded.warnings == ()
    assert recorded.events[-1].detail["reason"] == "ended by hand"
    said = re.search(r"(\d+) readings", out)
    assert said is not None
    assert int(said[1]) == len(recorded)


def test_the_demo_goes_from_port_to_report_within_its_half_widths(run: Run, in_folder: Path) -> None:
    began = time.monotonic()
    outcome = run("demo", "--quick", "--json")
    assert outcome.status == 0, outcome.err
    assert time.monotonic() - began < 120.0
    document = outcome.document
    assert document["batch"]["verdict"] == "not consistent"
    assert document["truth"]["values"] == 30
    assert document["truth"]["inside"] >= 27
    assert Path(document["report"]).read_text(encoding="utf-8").startswith("<!doctype html>")
    assert [path.name for path in in_folder.iterdir()] == ["blankbench-demo"]


def test_what_the_demo_leaves_is_ignored_by_git() -> None:
    ignored = (REPOSITORY / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert "/blankbench-demo/" in ignored


def test_mark_guides_to_the_angle_and_says_when_it_stands_there(run: Run, in_folder: Path) -> None:
    """P-1's stiff plane is at 37°: the hand is already there, and then it is not."""
    from command_line import SAMPLES

    roll = str(next(SAMPLES.glob("P-1_roll*")))
    with VirtualRig(load_blanks(), seed=3, speed=1.0, streaming=False) as bench:
        save_calibration(bench.bench.gear.calibration("2026-05-09T08:30"), in_folder / "calibrations")
        (found,) = run("spine", roll, "--json").document
        bench.bench.still(seconds=30.0, chuck_deg=found["stiff_plane_deg"])
        there = run(
            "mark", roll, "--at", "stiff", "--port", bench.url, "--mount", "0", "--seconds", "20", "--json"
        )
        assert there.status == 0, there.err
        assert there.document["steady"] is True
        assert there.document["target_deg"] == pytest.approx(found["stiff_plane_deg"])
        away = run(
            "mark", roll, "--at", "soft", "--port", bench.url, "--mount", "0", "--seconds", "1", "--json"
        )
        assert away.document["steady"] is False


def test_mark_raises_the_alarm_past_the_load_limit_and_is_not_content(run: Run, in_folder: Path) -> None:
    """Half a kilogram hangs at the tip; with a limit of 1 N the hand must let go."""
    from command_line import SAMPLES

    roll = str(next(SAMPLES.glob("P-1_roll*")))
    settings = in_folder / "shop.toml"
    settings.write_text("[rig]\nload_limit_N = 1.0\n", encoding="utf-8")
    with VirtualRig(load_blanks(), seed=3, speed=1.0, streaming=False) as bench:
        save_calibration(bench.bench.gear.calibration("2026-05-09T08:30"), in_folder / "calibrations")
        bench.bench.mount("P-1")
        (found,) = run("spine", roll, "--json").document
        bench.bench.still(seconds=30.0, hung_kg=0.5, chuck_deg=found["stiff_plane_deg"])
        words = ("--at", "stiff", "--port", bench.url, "--mount", "0", "--seconds", "3")
        outcome = run("mark", roll, *words, "--settings", settings, "--json")
    assert outcome.document["over_limit"] is True
    assert outcome.document["steady"] is False
    assert "past 1 N" in outcome.err
    assert outcome.err.count("load limit passed: release the blank") == 1


def test_mark_refuses_a_place_that_the_run_could_not_tell(run: Run) -> None:
    from command_line import SAMPLES

    roll = str(next(SAMPLES.glob("P-4_roll*")))
    assert_one_line(run("mark", roll, "--at", "stiff", "--port", "x", "--json"), "no stiff")


@pytest.mark.parametrize("kind", ["winch", "arm"])
def test_a_winch_s_drum_and_an_arm_are_calibrated_from_a_known_length(
    kind: str, run: Run, in_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    true = example_winch(2.1) if kind == "winch" else example_arm(2.1)
    by_ruler = {
        "winch": 'kind = "winch"\ndrum_radius_m = 0.0196\nstring_m = 0.0006\ndrum_width_m = 0.003\n'
        "turns_on_drum = 2\nguide_x_m = 1.932\nguide_y_m = 1.365\n",
        "arm": f'kind = "arm"\narm_m = {true.arm_m + 0.006 if kind == "arm" else 0}\npivot_x_m = 0.63\n'
        "pivot_y_m = -0.147\nroller_m = 0.012\n",
    }[kind]
    Path("shop.toml").write_text(f"[travel]\n{by_ruler}", "utf-8")
    ways = [0.0, 0.03, 0.4] if kind == "winch" else [0.0, float(true.travel(true.turn_of_rise(0.4)))]
    queue = iter(ways)
    with VirtualRig(load_blanks(), seed=3, speed=None, streaming=False, gear=Gear(geometry=true)) as rig:

        def hand(*_: object, **__: object) -> str:
            rig.bench.halt()
            rig.bench.do(Still(6.0, travel_m=next(queue)))
            return ""

        monkeypatch.setattr("typer.prompt", hand)
        words = ("travel", "--distance", "400mm", "--tolerance", "0.5", "--settings", "shop.toml")
        outcome = run("calibrate", *words, "--port", rig.url)
        assert outcome.status == 0, outcome.err
        rig.bench.halt()
    made = latest_calibration("calibrations")
    assert made is not None
    assert isinstance(made.travel, TurnScale)
    found = made.travel.geometry
    if isinstance(found, Winch):
        assert found.drum_radius_m == pytest.approx(0.020, rel=5e-4)
        assert "drum radius 20.0" in outcome.out
    else:
        assert abs(found.arm_m - true.arm_m) <= found.arm_ci95_m
        assert "arm 14" in outcome.out
    assert made.travel.apply([made.travel.zero_counts]) == pytest.approx(0.0)
