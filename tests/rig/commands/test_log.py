"""`blankbench log` as a builder and a script use it."""

from __future__ import annotations

import csv
import json
import re
import shutil
import sys
from pathlib import Path

import pytest
from command_line import SAMPLES, Run, assert_one_line
from shop_runs import write_run

from rig.shop import INDEX_NAME, JOURNAL_NAME

BY = ("--by", "R. Example")
P3_ROLL = next(SAMPLES.glob("P-3_roll*")).name


@pytest.fixture
def shop(in_folder: Path) -> Path:
    """A folder with the sample runs under ``runs``, their shipment logged."""
    shutil.copytree(SAMPLES, in_folder / "runs", ignore=shutil.ignore_patterns("*.md", "*.toml"))
    return in_folder


@pytest.fixture
def logged(run: Run, shop: Path) -> Path:
    names = ("--names", "P-1,P-2,P-3,P-4,P-5", "--prefix", "P", "--adopt", "--date", "2026-05-08")
    what = ("--maker", "Example Maker", "--model", "Example Petrel", "--label-power", "medium")
    assert run("log", "add", *what, *names, *BY).status == 0
    return shop


def test_a_shipment_is_logged_before_anything_is_measured(run: Run, in_folder: Path) -> None:
    what = ("--maker", "Example Maker", "--model", "Example Petrel", "--count", "3")
    document = run("log", "add", *what, "--date", "2026-05-04", *BY, "--json").document
    assert document == {"shipment": "A", "date": "2026-05-04", "blanks": ["A-01", "A-02", "A-03"]}
    outcome = run("log")
    assert outcome.status == 0
    assert outcome.err == ""
    assert "A-03" in outcome.out
    assert "not yet" in outcome.out
    assert "3 blanks, 0 runs." in outcome.out
    assert {path.name for path in in_folder.rglob("*")} <= {"runs", JOURNAL_NAME, INDEX_NAME}


def test_an_empty_log_says_what_to_do_next(run: Run, in_folder: Path) -> None:
    outcome = run("log")
    assert outcome.status == 0
    assert "log add" in outcome.out
    assert run("log", "--json").document == {"blanks": [], "unreadable": [], "gone": [], "warnings": []}
    assert list(in_folder.iterdir()) == []


def test_the_list_has_who_measured_when_and_with_which_calibration(run: Run, logged: Path) -> None:
    out = run("log").out
    assert max(map(len, out.splitlines())) <= 80
    assert out.count("2026-05-09") == 10
    document = run("log", "--blank", "P-2", "--json").document["blanks"][0]
    assert document["shipment"] == "P"
    assert document["arrived"] == "2026-05-08"
    assert document["operators"] == ["Example Operator"]
    assert document["calibrations"] == ["2026-05-09T08:30:00Z"]
    assert (document["rolls"], document["flexes"], document["label_power"]) == (1, 1, "medium")
    runs = run("log", "--runs", "--kind", "flex", "--json").document["runs"]
    assert [item["blank"] for item in runs] == ["P-1", "P-2", "P-3", "P-4", "P-5"]
    assert (logged / "runs" / runs[0]["run"]).is_file()
    assert all(item["run"] in run("log", "--runs").out for item in runs)


def test_show_holds_everything_about_a_blank(run: Run, logged: Path) -> None:
    facts = ("--mass", "96.2", "--butt-diameter", "14.2mm", "--job", "2026-118", "--rod", "loan rod 3")
    assert run("log", "note", "P-3", *facts, "--damage", "chip at the tip", *BY).status == 0
    assert (
        run("log", "correct", "P-3", "--mass", "95.8", "--reason", "scale", "--by", "S. Example").status == 0
    )
    assert run("log", "set-aside", P3_ROLL, "--reason", "the tip slipped", *BY).status == 0
    page = " ".join(run("log", "show", "P-3").out.split())
    for words in (
        "Example Petrel", "P, 5 blanks, came on 2026-05-08", "Example Maker", "medium",
        "95.8 g [was 96.2 g (R. Example", "corrected by S. Example", "scale", "14.2 mm", "2026-118",
        "loan rod 3", "damage seen: chip at the tip", "entry 3", "Example Operator",
        "calibration 2026-05-09", P3_ROLL, "set aside by R. Example", "the tip slipped",
    ):  # fmt: skip
        assert words in page, words
    assert "3.379 oz" in " ".join(run("log", "show", "P-3", "--units", "imperial").out.split())
    document = run("log", "show", "P-3", "--json").document
    assert document["mass_g"] == 95.8
    assert [entry["what"] for entry in document["entries"]] == ["shipment", "note", "correction", "set-aside"]
    assert [item["set_aside"] for item in document["runs"]] == [None, "the tip slipped"]


def test_the_number_that_a_note_prints_is_its_line_in_the_journal_and_corrects_that_note(
    run: Run, logged: Path
) -> None:
    """An editor shows the same number beside the line; the first line says what the file is."""
    for blank, text in (("P-3", "dull at the butt"), ("P-1", "a scratch"), ("P-3", "smells of paint")):
        outcome = run("log", "note", blank, "--text", text, *BY)
        (number,) = re.findall(r"\(entry (\d+)\)", outcome.out)
        lines = (logged / "runs" / JOURNAL_NAME).read_text(encoding="utf-8").split("\n")
        entry = json.loads(lines[int(number) - 1])
        assert (entry["blank"], entry["text"]) == (blank, text)
    both = run("log", "note", "P-2", "P-4", "--text", "late", *BY)
    numbers = [int(each) for each in re.findall(r"\(entry (\d+)\)", both.out)]
    assert numbers == [int(number) + 1, int(number) + 2]
    assert run("log", "note", "P-5", "--text", "thin", *BY, "--json").document[0]["entry"] == numbers[1] + 1
    assert run("log", "correct", "P-3", "--entry", number, "--text", "smells of varnish", *BY).status == 0
    page = " ".join(run("log", "show", "P-3").out.split())
    assert "smells of varnish [was smells of paint" in page
    assert f"entry {number}" in page


def test_what_was_noted_on_the_wrong_blank_is_taken_back(run: Run, logged: Path) -> None:
    run("log", "note", "P-3", "--job", "2026-118", *BY)
    assert run("log", "correct", "P-3", "--take-back", "job", "--reason", "it was P-4", *BY).status == 0
    page = " ".join(run("log", "show", "P-3").out.split())
    assert "taken back [was 2026-118" in page
    assert "it was P-4" in page
    assert run("log", "--find", "2026-118", "--json").document["blanks"] == []
    assert_one_line(run("log", "correct", "P-3", "--take-back", "soul", *BY), "soul", "job")


def test_the_hand_over_page_has_what_the_log_says_of_the_rod_and_not_the_shops_own_notes(
    run: Run, logged: Path
) -> None:
    rod = ("--guide-layout", "9 guides from 10 cm", "--static-test", "no flat spot", "--rod", "loan rod 3")
    own = ("--decision", "keep for a friend", "--text", "looks dull")
    run("log", "note", "P-3", *rod, "--job", "2026-118", *own, *BY)
    assert run("report", *sorted((logged / "runs").glob("P-3*.csv")), "--into", "r.html").status == 0
    page = Path("r.html").read_text(encoding="utf-8")
    for words in ("9 guides from 10 cm", "no flat spot", "loan rod 3", "2026-118", "Guide layout"):
        assert words in page
    assert "keep for a friend" not in page
    assert page.count("2026-05-09") >= 2
    assert "looks dull" not in page


def test_a_run_set_aside_is_passed_over_by_the_commands_until_it_is_back(run: Run, logged: Path) -> None:
    rolls = "runs/*roll*.csv"
    assert len(run("spine", rolls, "--json").document) == 5
    run("log", "set-aside", f"runs/{P3_ROLL}", "--reason", "the tip slipped", *BY)
    outcome = run("spine", rolls, "--json")
    assert [record["blank"] for record in outcome.document] == ["P-1", "P-2", "P-4", "P-5"]
    (line,) = outcome.err.splitlines()
    assert P3_ROLL in line
    assert "the tip slipped" in line
    for command in ("spine", "mark"):
        assert_one_line(run(command, f"runs/{P3_ROLL}"), "set aside", "bring-back")
    assert run("log", "bring-back", P3_ROLL, *BY).status == 0
    assert len(run("spine", rolls, "--json").document) == 5


def test_for_how_many_of_a_shipment_the_label_holds(run: Run, logged: Path) -> None:
    """P-2 was made 12 % stiffer than its sisters and has their label; the others are medium."""
    document = run("log", "show", "--shipment", "P", "--json").document
    assert document["label_power"] == {"claim": "medium", "holds": 4, "does_not_hold": 1, "in_doubt": 0}
    chances = {blank["blank"]: blank["label_power_probability"] for blank in document["blanks"]}
    assert chances["P-2"] < 0.05
    assert min(chances[name] for name in ("P-1", "P-3", "P-4", "P-5")) > 0.95
    out = run("log", "show", "--shipment", "p").out
    assert "holds for 4 of 5 blanks, does not hold for 1" in out
    run("log", "correct", "P-2", "--label-power", "medium heavy", *BY)
    document = run("log", "show", "--shipment", "P", "--json").document
    assert document["label_power"]["holds"] == 5


def test_one_run_that_cannot_be_used_does_not_stop_a_shipment(run: Run, logged: Path) -> None:
    write_run(logged / "runs", "short.csv", "P-1", "flex")
    outcome = run("log", "show", "--shipment", "P", "--json")
    assert outcome.status == 0
    assert "short.csv" in outcome.err
    assert outcome.document["label_power"]["holds"] == 4


def test_an_unreadable_file_is_named_and_the_rest_is_listed(run: Run, logged: Path) -> None:
    (logged / "runs" / "bad.csv").write_text("# blankbench-run = 1\n# kind = roll\nx\n", encoding="utf-8")
    outcome = run("log", "--json")
    assert outcome.status == 0
    (line,) = outcome.err.splitlines()
    assert "bad.csv:2:" in line
    assert outcome.document["unreadable"][0]["line"] == 2
    assert len(outcome.document["blanks"]) == 5
    for number in range(9):
        (logged / "runs" / f"bad{number}.csv").write_text("hello", encoding="utf-8")
    assert len(run("log").err.splitlines()) == 4


def test_rebuild_reads_every_header_again(run: Run, logged: Path) -> None:
    assert run("log").status == 0
    (logged / "runs" / INDEX_NAME).write_text("garbage", encoding="utf-8")
    assert run("log", "rebuild", "--json").document == {"runs": 10, "unreadable": []}
    assert "10 runs" in run("log", "rebuild").out


def test_a_csv_file_opens_in_a_spreadsheet_without_running_anything(run: Run, logged: Path) -> None:
    """What a spreadsheet takes for a formula: OWASP, "CSV Injection" (from memory)."""
    evil = ["=HYPERLINK(1)", "+1", "-1+2", "@SUM(A1)", "\uff1d1+1", " =1"]
    for name, text in zip(("P-1", "P-2", "P-3", "P-4", "P-5"), evil, strict=False):
        run("log", "note", name, "--job", text, "--text", f'{text}, "quoted"', *BY)
    assert run("log", "export", "--csv", "b.csv", "--json", "b.json").status == 0
    with Path("b.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert Path("b.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    assert len(rows) == 5
    for row, text in zip(rows, evil, strict=False):
        assert row["job"] == f"'{text}"
        assert row["text"].startswith("'")
    plain = json.loads(Path("b.json").read_text(encoding="utf-8"))["blanks"]
    assert [blank["job"] for blank in plain] == evil[:5]
    assert run("log", "export", "--csv", "r.csv", "--runs").status == 0
    with Path("r.csv").open(encoding="utf-8-sig", newline="") as file:
        assert [row["free_length_m"] for row in csv.DictReader(file)] == ["2.1"] * 10


def test_parquet_without_its_library_is_one_clear_line(
    run: Run, logged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert_one_line(run("log", "export", "--parquet", "b.parquet"), "pyarrow", "--csv")
    assert not Path("b.parquet").exists()


def test_parquet_holds_the_same_rows_with_types_of_their_own(run: Run, logged: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    run("log", "note", "P-3", "--mass", "96.2", *BY)
    assert run("log", "export", "--parquet", "b.parquet").status == 0
    rows = parquet.read_table("b.parquet").to_pylist()
    assert [row["mass_g"] for row in rows] == [None, None, 96.2, None, None]
    assert rows == run("log", "--json").document["blanks"]
    assert run("log", "export", "--parquet", "r.parquet", "--runs").status == 0
    assert parquet.read_table("r.parquet").to_pylist() == run("log", "--runs", "--json").document["runs"]


def test_labels_carry_what_the_runs_say_and_escape_what_a_maker_wrote(run: Run, logged: Path) -> None:
    run("log", "correct", "P", "--shipment", "--model", "<script>alert(1)</script>", *BY)
    run("log", "note", "P-1", "--grade", "first", *BY)
    assert run("log", "labels", "--shipment", "P", "--json").document["labels"] == "labels.html"
    page = Path("labels.html").read_text(encoding="utf-8")
    assert "<script>" not in page
    (record,) = run("spine", next(SAMPLES.glob("P-1_roll*")), "--json").document
    assert f"{record['mark_deg']:.0f}"[:2] in page
    for words in ("P-1", "medium", "moderate-fast", "first", "shipment P, 2026-05-08"):
        assert words in page
    assert run("log", "labels", "P-1", "--names-only", "--into", "n.html").status == 0
    assert "moderate-fast" not in Path("n.html").read_text(encoding="utf-8")


HOSTILE = [
    "<script>alert(1)</script>",
    "../../x",
    "x" * 10_000,
    "\u202egnp.exe",
    "CON",
    "a\x1b[2Jb",
    "a\nb",
    "",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_refused_in_one_line_and_nothing_is_written(
    run: Run, in_folder: Path, name: str
) -> None:
    outcome = run("log", "add", "--maker", "m", "--model", "m", "--count", "1", "--names", f"{name},", *BY)
    if name:
        assert_one_line(outcome)
        assert len(outcome.err) < 300
        assert "\x1b" not in outcome.err
        assert list(in_folder.iterdir()) == []
    assert_one_line(run("log", "show", f"{name}x"))
    assert_one_line(run("log", "set-aside", f"{name}x", "--reason", "r", *BY))
    assert {path.name for path in in_folder.rglob("*")} <= {"runs", JOURNAL_NAME, INDEX_NAME}


@pytest.mark.parametrize(
    "text", ["<script>alert(1)</script>", "y" * 1999, "\u202etxt.exe", "a\x1b[2Jb", "\u05d0" * 500]
)
def test_hostile_texts_are_kept_as_words_and_move_nothing(run: Run, logged: Path, text: str) -> None:
    assert run("log", "note", "P-1", "--text", text, "--job", text[:40], *BY).status == 0
    for words in (("log",), ("log", "show", "P-1"), ("log", "--runs")):
        outcome = run(*words)
        assert outcome.status == 0
        assert "\x1b[2J" not in outcome.out
        assert "\u202e" not in outcome.out
    assert run("log", "labels", "P-1", "--names-only").status == 0
    assert "<script>" not in Path("labels.html").read_text(encoding="utf-8")


def test_hostile_runs_are_listed_harmlessly(run: Run, logged: Path) -> None:
    for number, name in enumerate(("<script>", "../../x", "z" * 5000, "\\u202eevil", "\\u001b[31m")):
        write_run(logged / "runs", f"h{number}.csv", name, operator=name, model=name)
    outcome = run("log", "--sort", "date")
    assert outcome.status == 0
    assert "\x1b[31m" not in outcome.out
    assert max(map(len, outcome.out.splitlines())) <= 80
    assert len(run("log", "--json").document["blanks"]) == 10
    assert run("log", "labels", "--into", "all.html").status == 0
    assert "<script>" not in Path("all.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("add", "--model", "m", "--count", "1", *BY), "--maker"),
        (("add", "--maker", "m", "--model", "m", *BY), "--count"),
        (("add", "--maker", "m", "--model", "m", "--count", "0", *BY), "count"),
        (("add", "--maker", "m", "--model", "m", "--count", "1", "--date", "soon", *BY), "soon"),
        (("add", "--maker", "m", "--model", "m", "--count", "1"), "--by"),
        (("add", "--maker", "m", "--model", "m", "--count", "1", "--label-power", "huge", *BY), "huge"),
        (("add", "--maker", " ", "--model", "m", "--count", "1", *BY), "maker"),
        (("note", "P-9", "--mass", "1", *BY), "P-9"),
        (("note", "P-1", *BY), "nothing to note"),
        (("note", "P-1", "--mass", "-1", *BY), "mass"),
        (("note", "P-1", "--mass", "nan", *BY), "mass"),
        (("note", "P-1", "--text", "x" * 3000, *BY), "3000"),
        (("correct", "P-1", "--mass", "1", *BY), "log note"),
        (("set-aside", "nothing.csv", "--reason", "r", *BY), "nothing.csv"),
        (("set-aside", P3_ROLL, *BY), "--reason"),
        (("bring-back", P3_ROLL, *BY), "not set aside"),
        (("show",), "blank or a shipment"),
        (("show", "P-1", "--shipment", "P"), "blank or a shipment"),
        (("show", "p-1"), "P-1"),
        (("show", "--shipment", "Q"), "Q"),
        (("export",), "--csv"),
        (("export", "--csv", "/proc/none/x.csv"), "x.csv"),
        (("labels", "P-9"), "P-9"),
        (("labels", "--skip", "27"), "skip"),
        (("labels", "--into", "/proc/none/x.html"), "x.html"),
        (("--since", "soon"), "soon"),
        (("--sort", "weight"), "weight"),
        (("--folder", "nowhere"), "nowhere"),
        (("dance",), "dance"),
        (("--folder", "elsewhere", "note", "P-1", "--mass", "1", *BY), "log note"),
        (("--json", "show", "P-1"), "--json"),
    ],
)
def test_a_wrong_call_is_one_line(run: Run, logged: Path, words: tuple[str, ...], said: str) -> None:
    before = (logged / "runs" / JOURNAL_NAME).read_bytes()
    assert_one_line(run("log", *words), said)
    assert (logged / "runs" / JOURNAL_NAME).read_bytes() == before


@pytest.mark.parametrize(
    "name", ["add", "show", "note", "correct", "set-aside", "bring-back", "labels", "export", "rebuild"]
)
def test_every_part_has_help_with_an_example(run: Run, name: str) -> None:
    outcome = run("log", name, "--help")
    assert outcome.status == 0
    assert f"Example: blankbench log {name}" in " ".join(outcome.out.split())


def test_a_journal_of_a_newer_version_stops_the_commands_that_would_need_it(run: Run, logged: Path) -> None:
    (logged / "runs" / JOURNAL_NAME).write_text('{"blankbench-journal": 7}\n', encoding="utf-8")
    for words in (("log",), ("spine", f"runs/{P3_ROLL}"), ("log", "note", "P-1", "--mass", "1", *BY)):
        assert_one_line(run(*words), JOURNAL_NAME, "version 7")
