"""`grade`: which blanks of this shipment do I keep, against limits that a file or the settings state."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from command_line import SAMPLES, Run, assert_one_line
from shipment_runs import REFERENCE_LOAD_N, write_flex, write_roll

MODEL = "Example Heron 6'0\""
KEYS = [
    "model",
    "keep",
    "send_back",
    "too_close_to_call",
    "rule",
    "blanks",
    "production",
    "production_share_at_least",
    "production_share_at_most",
    "labels",
    "warnings",
    "left_out",
]


@pytest.fixture
def spec(tmp_path: Path) -> Path:
    """Limits 5 % either side of the reference blank, a first grade of 2 %, bow at most 8 mm."""
    low, high = 0.95 * REFERENCE_LOAD_N, 1.05 * REFERENCE_LOAD_N
    path = tmp_path / "spec.toml"
    path.write_text(
        f"[limits]\nreference_load = {{ lower = {low}, upper = {high} }}\nbow = {{ upper = 0.008 }}\n"
        f"[grades.first]\nreference_load = {{ target = {REFERENCE_LOAD_N}, within_pct = 2 }}\n",
        encoding="utf-8",
    )
    return path


def shipment(folder: Path, **powers: float) -> list[Path]:
    """A flex and a roll run of each blank."""
    paths = []
    for seed, (blank, power) in enumerate(powers.items()):
        paths.append(write_flex(folder, blank, power, seed=seed, model=MODEL))
        paths.append(write_roll(folder, blank, 10.0 * power, seed=seed, model=MODEL))
    return paths


def test_keeps_what_passes_and_says_so_in_one_line(run: Run, tmp_path, spec):
    runs = shipment(tmp_path, A=1.0, B=1.035, C=1.2, D=0.8)
    outcome = run("grade", *runs, "--spec", spec)
    assert outcome.status == 0
    first, second = outcome.out.splitlines()[:2]
    assert first == "Keep 2 of 4: A and B."
    assert second == "Send back 2: C and D."
    assert max(len(line) for line in outcome.out.splitlines()) <= 80
    assert "95 % sure" in outcome.out
    document = run("grade", *runs, "--spec", spec, "--json").document
    assert list(document) == KEYS
    assert (document["model"], document["keep"], document["send_back"]) == (MODEL, ["A", "B"], ["C", "D"])
    grades = {blank["blank"]: blank["grade"] for blank in document["blanks"]}
    assert grades == {"A": "first", "B": "within limits", "C": None, "D": None}
    for blank in document["blanks"]:
        assert blank["builder_risk"] + blank["maker_risk"] == pytest.approx(1.0)
        assert "\n" not in blank["reason"]
        load = blank["metrics"]["reference_load"]
        assert load["unit"] == "N"
        power = {"A": 1.0, "B": 1.035, "C": 1.2, "D": 0.8}[blank["blank"]]
        assert abs(load["value"] - power * REFERENCE_LOAD_N) <= 1.5 * load["value_ci95"]
    assert "reference load" in document["blanks"][2]["reason"]
    assert "not first" in document["blanks"][1]["reason"]


def test_the_same_limits_may_stand_in_the_settings(run: Run, tmp_path, spec):
    runs = shipment(tmp_path, A=1.0, C=1.2)
    settings = tmp_path / "shop.toml"
    lines = [
        f"[models.{json.dumps(MODEL)}.{line[1:-1]}]" if line.startswith("[") else line
        for line in spec.read_text(encoding="utf-8").splitlines()
    ]
    settings.write_text("\n".join(lines), encoding="utf-8")
    found = run("grade", *runs, "--settings", settings, "--json").document
    assert found == run("grade", *runs, "--spec", spec, "--json").document


def test_check_is_content_only_if_every_blank_passes(run: Run, tmp_path, spec):
    runs = shipment(tmp_path, A=1.0, C=1.2)
    assert run("grade", *runs, "--spec", spec, "--check").status == 1
    assert run("grade", *runs[:2], "--spec", spec, "--check").status == 0


def edge(folder: Path, power: float, **limits: object) -> Path:
    path = folder / "edge.toml"
    path.write_text(
        "".join(f"{key} = {value}\n" for key, value in limits.items())
        + f"[limits]\nreference_load = {{ upper = {power * REFERENCE_LOAD_N} }}\n",
        encoding="utf-8",
    )
    return path


def test_too_close_to_call_says_what_would_settle_it(run: Run, tmp_path):
    path = write_flex(tmp_path, "A", model=MODEL)
    value = run("flex", path, "--json").document[0]["reference_load_N"]
    found = run("grade", path, "--spec", edge(tmp_path, 1.001 * value / REFERENCE_LOAD_N), "--json").document
    (blank,) = found["blanks"]
    assert found["too_close_to_call"] == ["A"]
    runs = blank["runs_to_settle"]
    assert runs >= 2
    assert f"about {runs} times as many runs" in blank["reason"]
    check = blank["metrics"]["reference_load"]
    assert check["guard_band"] > check["upper"] - check["value"] > check["guard_band"] / runs
    more = [write_flex(tmp_path, "A", model=MODEL, seed=seed, name=f"A{seed}") for seed in range(1, 2 * runs)]
    settled = run("grade", *more, "--spec", edge(tmp_path, 1.001), "--json").document["blanks"][0]
    assert settled["metrics"]["reference_load"]["guard_band"] < check["guard_band"]


def test_a_calibration_s_error_cannot_be_averaged_away_and_is_named(run: Run, tmp_path):
    calibration = {"dated": "2026-05-01", "load_scale_ci95": 0.05}
    path = write_flex(tmp_path, "A", model=MODEL, calibration=calibration)
    (blank,) = run("grade", path, "--spec", edge(tmp_path, 1.01), "--json").document["blanks"]
    assert blank["outcome"] == "too close to call"
    assert blank["runs_to_settle"] is None
    assert "load calibration alone" in blank["reason"]


def test_how_sure_is_the_shop_s_choice(run: Run, tmp_path):
    path = write_flex(tmp_path, "A", model=MODEL)
    value = run("flex", path, "--json").document[0]["reference_load_N"]
    just = 1.001 * value / REFERENCE_LOAD_N
    plain = run("grade", path, "--spec", edge(tmp_path, just, sure_pct=50), "--json").document
    assert plain["keep"] == ["A"]
    assert plain["rule"] == {"name": "50 % sure", "guard_band_factor": 0.0}


def test_a_missing_run_of_a_pair_is_not_passed_over(run: Run, tmp_path, spec):
    runs = [*shipment(tmp_path, A=1.0), write_flex(tmp_path, "B", model=MODEL)]
    found = run("grade", *runs, "--spec", spec, "--json").document
    assert found["keep"] == ["A"]
    assert found["too_close_to_call"] == ["B"]
    assert found["blanks"][-1]["reason"] == "bow was not measured"
    assert any("B has no roll run" in warning for warning in found["warnings"])


def test_the_label_is_held_against_the_bands(run: Run, tmp_path):
    settings = tmp_path / "shop.toml"
    edge_n = 1.1 * REFERENCE_LOAD_N
    settings.write_text(f'[classes.power]\nnames = ["light", "heavy"]\nedges_N = [{edge_n}]\n')
    for seed, (name, power, word) in enumerate(
        (("A", 1.0, "light"), ("B", 1.2, "Light"), ("C", 1.1, "light"), ("D", 1.0, None))
    ):
        write_flex(tmp_path, name, power, seed=seed, **({} if word is None else {"label_power": word}))
    runs = sorted(tmp_path.glob("*.csv"))
    found = run("grade", *runs, "--spec", edge(tmp_path, 1.15), "--settings", settings, "--json").document
    tally = found["labels"]["power"]
    assert tally["claims"] == {"A": "light", "B": "light", "C": "light"}
    assert (tally["holds"], tally["does_not_hold"], tally["in_doubt"]) == (["A"], ["B"], ["C"])
    assert tally["expected"] == pytest.approx(sum(tally["probabilities"].values()))
    (alone,) = run("flex", runs[2], "--settings", settings, "--json").document
    assert tally["probabilities"]["C"] == pytest.approx(alone["label_power_probability"], abs=0.02)
    said = " ".join(run("grade", *runs, "--spec", edge(tmp_path, 1.15), "--settings", settings).out.split())
    assert "Label, power: holds for 1 of 3; does not hold for 1: B; in doubt for 1: C" in said


def test_the_production_is_told_from_the_shipment(run: Run, tmp_path, spec):
    runs = shipment(tmp_path, **{f"B{n}": 1.0 + 0.004 * n for n in range(-3, 4)})
    found = run("grade", *runs, "--spec", spec, "--json").document
    load = found["production"]["reference_load"]
    assert load["lower"] < load["interval_lower"] < REFERENCE_LOAD_N < load["interval_upper"] < load["upper"]
    assert load["share_at_least"] <= load["share"] <= load["share_at_most"]
    assert found["production_share_at_least"] == pytest.approx(0.05 ** (1 / 7))  # all of 7: p^7 = 5 %
    assert found["production_share_at_most"] == 1.0
    assert found["production"]["bow"]["interval_lower"] is None


def test_the_sample_runs_graded_by_a_file_of_their_model(run: Run, tmp_path):
    path = tmp_path / "petrel.toml"
    path.write_text("[limits]\nreference_load = { lower = 2.6, upper = 3.1 }\n", encoding="utf-8")
    found = run("grade", str(SAMPLES / "*.csv"), "--spec", path, "--json").document
    assert found["keep"] == ["P-1", "P-3", "P-4", "P-5"]
    assert found["send_back"] == ["P-2"]


def test_the_example_is_a_specification(run: Run, tmp_path):
    outcome = run("grade", "--example")
    assert outcome.status == 0
    path = tmp_path / "example.toml"
    path.write_text(outcome.out, encoding="utf-8")
    found = run("grade", str(SAMPLES / "*.csv"), "--spec", path, "--json").document
    assert len(found["blanks"]) == 5


def other_model(folder: Path) -> list[Path]:
    return [write_flex(folder, "A", model="One"), write_flex(folder, "B", model="Two", seed=2)]


def other_length(folder: Path) -> list[Path]:
    return [write_flex(folder, "A"), write_flex(folder, "B", seed=2, free_length_m=1.9)]


@pytest.mark.parametrize(
    ("runs", "said"), [(other_model, "2 models"), (other_length, "different free lengths")]
)
def test_blanks_that_no_one_limit_fits_are_refused(run: Run, tmp_path, runs: Any, said: str):
    assert_one_line(run("grade", *runs(tmp_path), "--spec", edge(tmp_path, 1.0), "--json"), said)


def test_a_wrong_specification_is_one_line(run: Run, tmp_path):
    path = write_flex(tmp_path, "A", model=MODEL)
    roll = write_roll(tmp_path, "A", model=MODEL)
    assert_one_line(run("grade", path), "no limits for Example Heron")
    assert_one_line(run("grade", write_flex(tmp_path, "B")), "which model")
    assert_one_line(run("grade", path, "--spec", tmp_path / "none.toml"), "none.toml", "specification file")
    other = edge(tmp_path, 1.0, model='"Another"')
    assert_one_line(run("grade", path, "--spec", other), "is for Another")
    bad = tmp_path / "bad.toml"
    bad.write_text("[limits]\nbow = { uper = 1 }\n", encoding="utf-8")
    assert_one_line(run("grade", path, "--spec", bad), "bad.toml:2", "uper")
    assert_one_line(run("grade", roll, "--spec", edge(tmp_path, 1.0)), "no blank has a reference load")


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "../../x", "x" * 10_000, "a\u202eb\u001b[31m"])
def test_hostile_names_neither_move_the_cursor_nor_break_the_table(run: Run, tmp_path, name: str):
    for seed, blank in enumerate((name, "B")):
        write_flex(tmp_path, blank, seed=seed, name=f"n{seed}", model=name if seed else "")
    runs = sorted(tmp_path.glob("*.csv"))
    for command in (("grade", "--spec", edge(tmp_path, 1.15)), ("batch",)):
        outcome = run(*command, *runs)
        assert outcome.status == 0
        assert max(len(line) for line in outcome.out.splitlines()) <= 80
        assert "\x1b[31m" not in outcome.out
        assert "\u202e" not in outcome.out
        assert (
            name in json.dumps(run(*command, *runs, "--json").document, ensure_ascii=False) or "\x1b" in name
        )
    assert_one_line(run("grade", *runs), "no limits for")
    assert len(run("grade", *runs).err) < 400


def test_the_report_says_which_to_keep_on_its_first_sheet(run: Run, tmp_path):
    runs = [str(path) for path in sorted(SAMPLES.glob("*.csv"))]
    limits = tmp_path / "limits.toml"
    limits.write_text("[limits]\nreference_load = { target = 2.95, within_pct = 6 }\n", encoding="utf-8")
    outcome = run("report", *runs, "--spec", limits, "--into", tmp_path / "r.html")
    assert outcome.status == 0, outcome.err
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    keep = run("grade", *runs, "--spec", limits, "--json").document["keep"]
    assert f"Keep {len(keep)} of 5: " in page
    assert run("report", *runs, "--into", tmp_path / "plain.html").status == 0
    assert "Which to keep" not in (tmp_path / "plain.html").read_text(encoding="utf-8")


def test_decisions_go_into_the_log_and_a_new_grade_over_the_old(run: Run, in_folder: Path, spec):
    (in_folder / "runs").mkdir()
    paths = shipment(in_folder / "runs", A=1.0, C=1.2)
    outcome = run("grade", *paths, "--spec", spec, "--note-in-log", "--by", "T. Example", "--json")
    assert outcome.status == 0, outcome.err
    shown = run("log", "show", "A").out
    assert "graded: pass, first" in shown
    assert "first" in run("log", "show", "A", "--json").out
    assert "graded: fail" in run("log", "show", "C").out
    text = spec.read_text(encoding="utf-8").replace("[grades.first]", "[grades.finest]")
    spec.write_text(text, encoding="utf-8")
    assert run("grade", *paths, "--spec", spec, "--note-in-log", "--by", "T. Example").status == 0
    again = run("log", "show", "A").out
    assert "finest" in again
    assert "graded: pass, first" in again  # the earlier decision is kept
