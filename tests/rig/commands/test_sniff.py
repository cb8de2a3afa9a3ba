"""`blankbench sniff` and what follows: a plain text sketch from its port to the spine."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import Run, assert_one_line
from sketch_styles import SEEN, printed

from rig.calibration import save_calibration
from rig.commands import connect
from rig.errors import PortError
from rig.port.link import PortInfo
from rig.runs import read_run
from rig.settings import Settings, load_settings
from rig.virtual import Roll, VirtualRig, load_blanks

pty_only = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")


@pytest.fixture
def plain_rig(in_folder: Path) -> Iterator[VirtualRig]:
    with VirtualRig(load_blanks(), seed=3, speed=8.0, speaks="plain", port="socket") as rig:
        save_calibration(rig.bench.gear.calibration("2026-05-09T08:30"), in_folder / "calibrations")
        yield rig


@pytest.mark.slow
def test_a_plain_sketch_is_sniffed_recorded_and_its_spine_agrees_with_the_truth(
    run: Run, plain_rig: VirtualRig, in_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BLANKBENCH_SETTINGS", str(in_folder / "shop.toml"))
    (in_folder / "shop.toml").write_text("")
    plain_rig.bench.mount("P-1")
    task = plain_rig.bench.do(Roll(0.525, turns=(1.2,), speed_deg_s=40.0))
    sniffed = run(
        "sniff", "--port", plain_rig.url, "--seconds", "1", "--column", "load=load",
        "--column", "angle=angle", "--column", "travel=travel", "--column", "tip=tip", "--json",
    )  # fmt: skip
    assert sniffed.status == 0, sniffed.err
    assert {each["name"] for each in sniffed.document["columns"]} == {
        "time",
        "load",
        "angle",
        "travel",
        "tip",
    }
    assert load_settings(in_folder / "shop.toml").sketch is not None
    assert task.wait(30.0)
    plain_rig.bench.do(Roll(0.525, turns=(1.4,), speed_deg_s=40.0))
    who = ("--blank", "P-1", "--free-length", "2.10", "--mount", "0")
    outcome = run("record", "roll", "--turns", "1.1", "--port", plain_rig.url, *who, "--json")
    assert outcome.status == 0, outcome.err
    assert "no check sum" in outcome.err
    assert outcome.document["lost"] == outcome.document["faulty"] == 0
    recorded = read_run(outcome.document["run"])
    assert recorded.header.tables["rig"]["time_by"] == "sketch"
    (found,) = run("spine", outcome.document["run"], "--json").document
    assert found["plane_found"]
    assert abs(found["stiff_plane_deg"] - 37.0) <= found["stiff_plane_ci95_deg"]


def test_captured_text_is_understood_and_written_into_the_settings(run: Run, in_folder: Path) -> None:
    text = in_folder / "seen.txt"
    text.write_bytes(printed(next(style for style in SEEN if style.name == "letters")))
    settings = in_folder / "shop.toml"
    settings.write_text("[rig]\nrate_hz = 80\n")
    done = run("sniff", "--from", text, "--settings", settings, "--json")
    assert done.status == 0, done.err
    names = {each["name"]: each["unit"] for each in done.document["columns"]}
    assert names == {"time": "ms", "load": "N", "angle": "deg"}
    kept = load_settings(settings).sketch
    assert kept is not None
    assert kept.rate_hz == pytest.approx(80.0, rel=0.06)


def test_what_the_text_does_not_tell_is_refused_where_nobody_can_be_asked(run: Run, in_folder: Path) -> None:
    text = in_folder / "seen.txt"
    text.write_bytes(printed(next(style for style in SEEN if style.name == "bare number")))
    (in_folder / "shop.toml").write_text("")
    assert_one_line(run("sniff", "--from", text, "--settings", in_folder / "shop.toml"), "--column")
    done = run("sniff", "--from", text, "--settings", in_folder / "shop.toml", "--column", "load=1", "--json")
    assert done.status == 0, done.err
    assert done.document["columns"][0]["unit"] == "counts"


def test_a_sketch_that_prints_only_words_is_refused(run: Run, in_folder: Path) -> None:
    text = in_folder / "words.txt"
    text.write_text("hello\nthis sketch prints words\n" * 50)
    assert_one_line(run("sniff", "--from", text), "numbers")


def test_a_spoilt_sketch_table_is_refused_with_its_file(run: Run, in_folder: Path) -> None:
    settings = in_folder / "shop.toml"
    settings.write_text("[sketch]\nrate_hz = 80\n")
    text = in_folder / "t.csv"
    text.write_text("x")
    assert_one_line(run("sniff", "--from", text, "--settings", settings), "sketch", "shop.toml")


def test_without_a_port_the_rig_that_answers_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    with (
        VirtualRig(load_blanks(), seed=1, port="socket") as one,
        VirtualRig(load_blanks(), seed=2, port="socket", speaks="plain") as other,
    ):
        ports = [PortInfo(other.url, "a board with another sketch"), PortInfo(one.url, "a board")]
        monkeypatch.setattr(connect, "list_ports", lambda: tuple(ports))
        monkeypatch.setattr(connect, "_FIND_S", 1.5)
        assert connect.find_rig(Settings()) == one.url
        ports.append(PortInfo(one.url, "the same again"))
        with pytest.raises(PortError) as several:
            connect.find_rig(Settings(), interactive=False)
        assert "several" in several.value.what
        ports[:] = ports[:1] * 2
        with pytest.raises(PortError) as none:
            connect.find_rig(Settings(), interactive=False)
        assert "none" in none.value.what
