"""What scripts rely on: keys, order, ranges, exit status, one line for whatever is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import REPOSITORY, SAMPLES, Run, assert_one_line
from json_keys import FLEX_KEYS, ROLL_KEYS

from analysis.bend import Profile, load_for_travel
from rig.commands.app import COMMANDS

ROLL = str(next(SAMPLES.glob("P-1_roll*")))
FLEX = str(next(SAMPLES.glob("P-1_flex*")))


def test_spine_prints_the_agreed_keys_and_nothing_else(run: Run) -> None:
    outcome = run("spine", ROLL, "--json")
    assert outcome.status == 0
    assert outcome.err == ""
    (record,) = outcome.document
    assert list(record)[: len(ROLL_KEYS)] == ROLL_KEYS
    assert record["run"] == ROLL
    assert 0.0 <= record["stiff_plane_deg"] < 180.0
    assert all(0.0 <= angle < 360.0 for angle in (*record["snap_deg"], record["mark_deg"], record["bow_deg"]))
    assert record["snap_barrier_J"] == sorted(record["snap_barrier_J"], reverse=True)
    assert set(record["snap_cause"]) <= {"bow", "stiffness", "both"}
    assert record["barrier_corrected"] is False


def test_a_flex_run_corrects_the_barriers(run: Run) -> None:
    (plain,) = run("spine", ROLL, "--json").document
    (corrected,) = run("spine", ROLL, "--flex", FLEX, "--json").document
    assert corrected["barrier_corrected"] is True
    for before, after in zip(plain["snap_barrier_J"], corrected["snap_barrier_J"], strict=True):
        assert 0.85 * before < after < before


def test_flex_prints_the_agreed_keys(run: Run) -> None:
    (record,) = run("flex", FLEX, "--json").document
    assert list(record)[: len(FLEX_KEYS)] == FLEX_KEYS
    stations = record["rigidity"]
    assert len(stations) >= 11
    assert set(stations[0]) >= {"s_m", "from_tip_m", "EI_Nm2", "EI_ci95_Nm2"}
    assert stations[0]["s_m"] == 0.0
    assert stations[-1]["s_m"] == pytest.approx(2.1)
    assert all(station["EI_Nm2"] > 0.0 for station in stations)


def test_a_rating_at_another_length_holds_the_truth(run: Run) -> None:
    """P-1's diameter is a straight line: EI(t) = 43.1·(0.2 + 0.8·t/2.1)³ at t from the tip, also beyond."""

    def true_load(length: float) -> float:
        blank = Profile.of(lambda s: 43.1 * (0.2 + 0.8 * (length - s) / 2.1) ** 3, length)
        return load_for_travel(blank, 0.25 * length).load_N

    half = []
    roll = ("--roll", ROLL)
    for length in (1.9, 2.1, 2.2):
        (record,) = run("flex", FLEX, *roll, "--rated-length", str(length), "--json").document
        assert record["rated_length_m"] == length
        assert abs(record["reference_load_N"] - true_load(length)) <= record["reference_load_ci95_N"]
        assert any("not measured" in warning for warning in record["warnings"]) == (length > 2.1)
        half.append(record["reference_load_ci95_N"])
    assert half[2] > half[1]


def test_objects_come_in_the_order_of_the_arguments(run: Run) -> None:
    paths = sorted((str(path) for path in SAMPLES.glob("*roll*")), reverse=True)
    assert [record["run"] for record in run("spine", *paths, "--json").document] == paths


def test_a_pattern_that_the_shell_left_alone_is_expanded(run: Run) -> None:
    records = run("spine", f"{SAMPLES}/P-[12]_roll*", "--json").document
    assert [record["blank"] for record in records] == ["P-1", "P-2"]
    assert_one_line(run("spine", f"{SAMPLES}/nothing-*"), "no file fits")


@pytest.mark.parametrize("rule", ["snap", "snap-back", "stiff", "soft"])
def test_the_mark_follows_the_rule(run: Run, rule: str) -> None:
    (record,) = run("spine", ROLL, "--mark", rule, "--chuck", "none", "--json").document
    assert record["mark_rule"] == rule
    wanted = {
        "snap": record["snap_deg"][0],
        "snap-back": (record["snap_deg"][0] + 180.0) % 360.0,
        "soft": min(
            ((record["stiff_plane_deg"] + turn) % 360.0 for turn in (90.0, 270.0)),
            key=lambda end: abs((end - record["snap_deg"][0] + 180.0) % 360.0 - 180.0),
        ),
        "stiff": min(
            ((record["stiff_plane_deg"] + turn) % 360.0 for turn in (0.0, 180.0)),
            key=lambda end: abs((end - record["snap_deg"][0] + 180.0) % 360.0 - 180.0),
        ),
    }[rule]
    assert record["mark_deg"] == pytest.approx(wanted, abs=1e-6)


def test_tables_read_in_eighty_columns_and_name_plane_and_snap_apart(run: Run) -> None:
    outcome = run("spine", ROLL)
    assert outcome.status == 0
    assert "stiff plane" in outcome.out
    assert "snap" in outcome.out
    assert max(len(line) for line in outcome.out.splitlines()) <= 80
    assert "lbf" in run("flex", FLEX, "--units", "imperial").out


def test_check_turns_the_verdict_into_the_exit_status(run: Run) -> None:
    runs = sorted(str(path) for path in SAMPLES.glob("P-[24]_flex*"))
    assert run("batch", *runs, "--json").status == 0
    outcome = run("batch", *runs, "--check", "--json")
    assert outcome.status == 1
    assert outcome.document["verdict"] == "not consistent"
    assert (
        run("batch", *runs, "--check", "--tolerance", "reference_load=40", "--tolerance", "mass=40").status
        == 0
    )


@pytest.mark.parametrize(
    "words",
    [
        ("--tolerance", "power=5"),
        ("--tolerance", "bow"),
        ("--tolerance", "bow=-1"),
        ("--tolerance", "bow=nan"),
        ("--tolerance", "bow=1", "--tolerance", "bow=2"),
    ],
)
def test_a_tolerance_that_is_none_is_refused(run: Run, words: tuple[str, ...]) -> None:
    assert_one_line(run("batch", str(SAMPLES / "*.csv"), "--json", *words), "--tolerance")


def test_figures_are_written_where_asked(run: Run, tmp_path: Path) -> None:
    assert run("spine", ROLL, "--figures", tmp_path / "f").status == 0
    assert run("flex", FLEX, "--figures", tmp_path / "f").status == 0
    drawn = sorted(path.name for path in (tmp_path / "f").iterdir())
    assert len(drawn) == 9
    assert all((tmp_path / "f" / name).read_text(encoding="utf-8").startswith("<svg") for name in drawn)


def test_the_report_has_a_page_for_the_batch_and_one_a_blank(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "deep" / "batch.html"
    outcome = run("report", str(SAMPLES / "P-[12]*.csv"), "--into", path, "--json")
    assert outcome.document == {"report": str(path), "blanks": ["P-1", "P-2"], "left_out": []}
    page = path.read_text(encoding="utf-8")
    assert "Not consistent" in page
    assert page.count("Mark ") >= 2
    assert "2026-05-09" in page
    assert "Example Operator" in page


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example_and_stands_in_the_readme(run: Run, name: str) -> None:
    outcome = run(name, "--help")
    assert outcome.status == 0
    assert f"Example: blankbench {name}" in " ".join(outcome.out.split())
    assert f"`{name}`" in (REPOSITORY / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("spine",), "Missing argument"),
        (("spine", "--nonsense", "x"), "--nonsense"),
        (("nonsense",), "nonsense"),
        (("spine", "no-such-file.csv"), "no-such-file.csv"),
        (("spine", "."), "folder"),
        (("spine", FLEX), "flex run"),
        (("flex", ROLL), "roll run"),
        (("spine", ROLL, "--mark", "middle"), "middle"),
        (("spine", ROLL, "--flex", str(next(SAMPLES.glob("P-2_flex*")))), "P-2"),
        (("spine", ROLL, "--settings", "no-such-settings.toml"), "no-such-settings.toml"),
        (("flex", FLEX, "--rated-length", "0"), "rated-length"),
        (("flex", FLEX, "--rated-length", "nan"), "rated-length"),
        (("batch", ROLL, FLEX), "two blanks"),
        (("report", ROLL, "--into", "/proc/none/report.html"), "report.html"),
        (("virtual", "--blank", "nobody"), "nobody"),
        (("record", "roll", "--blank", "A", "--free-length", "soon"), "soon"),
        (("calibrate", "load"), "--weight"),
        (("ports", "--ask", "/dev/no-such-port"), "/dev/no-such-port"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(run: Run, words: tuple[str, ...], said: str) -> None:
    assert_one_line(run(*words, *(("--json",) if words[0] != "virtual" else ())), said)


def test_one_bad_file_of_several_leaves_nothing_on_stdout(run: Run, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text(
        '# blankbench-run = 1\n# kind = "roll"\n# blank = "B"\n# free_length_m = 1.8\n# held_travel_m = 0.4\n'
        "time_s,load_N,roll_deg\n0.0,1.0,0.0\n0.1,oops,1.0\n",
        encoding="utf-8",
    )
    assert_one_line(run("spine", ROLL, bad), f"{bad}:8", "oops")


def test_a_missing_column_is_named_with_what_there_is(run: Run, tmp_path: Path) -> None:
    text = (
        Path(FLEX).read_text(encoding="utf-8").replace("load_N", "weight_N").replace("load_counts", "other")
    )
    path = tmp_path / "renamed.csv"
    path.write_text(text, encoding="utf-8")
    assert_one_line(run("flex", path), "load_N", "weight_N")


def test_hostile_names_stay_inside_the_folder_and_are_escaped(run: Run, tmp_path: Path) -> None:
    name = "../../x<script>alert(1)</script>\\u202e\\u001b[31m"
    text = Path(ROLL).read_text(encoding="utf-8").replace('# blank = "P-1"', f'# blank = "{name}"')
    path = tmp_path / "hostile.csv"
    path.write_text(text, encoding="utf-8")
    outcome = run("spine", path)
    assert outcome.status == 0
    assert "\x1b[31m" not in outcome.out
    assert run("spine", path, "--json").document[0]["blank"].startswith("../../x<script>")
    assert run("spine", path, "--figures", tmp_path / "f").status == 0
    assert all(item.parent == tmp_path / "f" for item in (tmp_path / "f").iterdir())
    assert run("report", path, "--into", tmp_path / "r.html").status == 0
    assert "<script>" not in (tmp_path / "r.html").read_text(encoding="utf-8")
