"""`blankbench import`: tables as builders keep them become runs; what cannot be told is asked or refused."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from command_line import Run, assert_one_line

from rig.errors import FileError
from rig.runs import read_run
from rig.runs.foreign import Untold, Wishes, read_table, remembered, understand

G = 9.80665
"""Standard gravity, m/s² (3rd CGPM, 1901, declaration on the unit of mass and weight)."""
SET = ("--set", "blank=A-03", "--set", "free_length_m=1.80")
ANGLES = [15.0 * k for k in range(24)]


def loads_g(angles: list[float]) -> list[float]:
    return [round(500.0 + 8.0 * math.cos(math.radians(2 * (a - 30.0))), 1) for a in angles]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("Angle [°];Load [g]\n{rows}", "utf-8"),
        ("Angle [°];Load [g]\n{rows}", "cp1252"),
        ("Angle [°];Load [g]\n{rows}", "utf-16"),
        ("Angle [°];Load [g]\n{rows}", "utf-8-sig"),
        ("Angle;Load\ndeg;g\n{rows}", "utf-8"),
        ("Workshop notes\n\nWinkel in deg;Kraft in g\n{rows}", "latin-1"),
        ("sep=;\nroll_deg;Load, g\n{rows}", "utf-8"),
        ("# a comment\nangle (deg);scale (grams)\n{rows}", "utf-8"),
    ],
)
def test_headings_units_and_encodings_are_understood(
    run: Run, tmp_path: Path, text: str, encoding: str
) -> None:
    rows = "".join(
        f"{a:g};{g:.1f}\r\n".replace(".", ",") for a, g in zip(ANGLES, loads_g(ANGLES), strict=True)
    )
    file = tmp_path / "table.csv"
    file.write_bytes(text.format(rows=rows).encode(encoding))
    done = run("import", file, *SET, "--set", "held_travel_m=45cm", "--into", tmp_path / "runs", "--json")
    assert done.status == 0, done.err
    document = done.document
    assert document["rows"] == 24
    assert set(document["columns"]) == {"roll_deg", "load_N"}
    made = read_run(document["file"])
    assert made.header.kind == "roll"
    assert made.header.held_travel_m == pytest.approx(0.45)
    assert made.header.extra["taken"] == "at rest"
    np.testing.assert_allclose(made.columns["roll_deg"], ANGLES)
    np.testing.assert_allclose(made.columns["load_N"], np.array(loads_g(ANGLES)) * 1e-3 * G, atol=1e-5)
    assert np.all(np.diff(made.columns["time_s"]) > 0.0)


@pytest.mark.parametrize("separator", ["\t", ",", "|", "  ", ";"])
def test_a_table_without_headings_takes_columns_by_number(run: Run, tmp_path: Path, separator: str) -> None:
    file = tmp_path / "bare.txt"
    weights = [0, 50, 100, 150, 200, 150, 100, 50, 0]
    file.write_text("".join(f"{w}{separator}{w * 2.1:.1f}\n" for w in weights))
    done = run(
        "import", file, "--kind", "flex", "--column", "load=1:g", "--column", "travel=2:mm", *SET,
        "--into", tmp_path, "--json",
    )  # fmt: skip
    made = read_run(done.document["file"])
    np.testing.assert_allclose(made.columns["load_N"], np.array(weights) * 1e-3 * G, atol=1e-5)
    np.testing.assert_allclose(made.columns["travel_m"], np.array(weights) * 2.1e-3, atol=1e-6)


@pytest.mark.parametrize(
    ("unit", "newtons"),
    # NIST Special Publication 811, appendix B.8: lbf 4.448 222 N, ozf 0.278 013 9 N, kgf 9.806 65 N.
    [
        ("N", 1.0),
        ("g", 9.80665e-3),
        ("gf", 9.80665e-3),
        ("kg", 9.80665),
        ("lbf", 4.448222),
        ("ozf", 0.2780139),
    ],
)
def test_units_of_load_are_those_of_the_handbook(run: Run, tmp_path: Path, unit: str, newtons: float) -> None:
    file = tmp_path / "t.csv"
    file.write_text("load,travel\n1,1\n2,2\n3,3\n")
    done = run(
        "import", file, "--kind", "flex", "--column", f"load=load:{unit}", "--column", "travel=travel:in",
        *SET, "--into", tmp_path, "--json",
    )  # fmt: skip
    made = read_run(done.document["file"])
    np.testing.assert_allclose(made.columns["load_N"], np.array([1, 2, 3]) * newtons, rtol=1e-5, atol=6e-6)
    np.testing.assert_allclose(made.columns["travel_m"], np.array([1, 2, 3]) * 0.0254, atol=1e-6)


def test_hours_of_a_clock_count_thirty_degrees_from_twelve(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "clock.csv"
    file.write_text(
        "clock,load (g)\n" + "".join(f"{h},{500 + h}\n" for h in [12, *range(1, 12)]) + "1:30,505\n"
    )
    done = run("import", file, *SET, "--set", "held_travel_m=0.45", "--into", tmp_path, "--json")
    made = read_run(done.document["file"])
    np.testing.assert_allclose(made.columns["roll_deg"], [*range(0, 360, 30), 45])


def test_one_weight_beside_a_travel_is_a_hanging_weight(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "hung.csv"
    file.write_text("clock,weight [g],ruler [mm]\n" + "".join(f"{h},300,{400 + h}\n" for h in range(1, 13)))
    done = run("import", file, *SET, "--into", tmp_path, "--json")
    made = read_run(done.document["file"])
    assert made.header.held_load_N == pytest.approx(0.3 * G)
    assert made.header.held_travel_m is None


def test_the_last_colon_parts_the_unit(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "colon.csv"
    file.write_text("Cell: raw,Ruler: left\n100,10\n200,20\n300,30\n")
    done = run(
        "import", file, "--kind", "flex", "--column", "load_N=Cell: raw:g",
        "--column", "travel_m=Ruler: left:mm", *SET, "--into", tmp_path, "--json",
    )  # fmt: skip
    assert done.document["columns"]["load_N"]["unit"] == "g"
    made = read_run(done.document["file"])
    np.testing.assert_allclose(made.columns["travel_m"], [0.01, 0.02, 0.03])


def test_a_colon_may_belong_to_the_heading_itself(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "colon.csv"
    file.write_text("Load: g,Travel: mm\n100,10\n200,20\n300,30\n")
    done = run(
        "import", file, "--kind", "flex", "--column", "load_N=Load: g", "--column", "travel_m=Travel: mm",
        *SET, "--into", tmp_path, "--json",
    )  # fmt: skip
    assert {each["unit"] for each in done.document["columns"].values()} == {"g", "mm"}


def test_times_in_milliseconds_count_from_the_first_reading(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text(
        "millis,angle_deg,load_g\n" + "".join(f"{5000 + 20 * k},{3 * k},{500}\n" for k in range(130))
    )
    done = run("import", file, *SET, "--set", "held_travel_m=0.4", "--into", tmp_path, "--json")
    made = read_run(done.document["file"])
    np.testing.assert_allclose(made.columns["time_s"][:3], [0.0, 0.02, 0.04])
    assert "taken" not in made.header.extra


def test_a_step_that_was_read_stands_in_the_header(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text("load_g,travel_mm\n1,1\n2,2\n3,3\n")
    done = run(
        "import", file, *SET, "--resolution", "1mm", "--resolution", "5g", "--into", tmp_path, "--json"
    )
    steps = read_run(done.document["file"]).header.tables["resolution"]
    assert steps["travel_m"] == pytest.approx(0.001)
    assert steps["load_N"] == pytest.approx(0.005 * G)


def test_the_settings_say_what_is_read_to_where_the_run_does_not(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    rows = [
        (0, 0),
        (100, 124),
        (200, 243),
        (300, 353),
        (400, 455),
        (300, 356),
        (200, 246),
        (100, 126),
        (0, 0),
    ]
    file.write_text("load_g,travel_mm\n" + "".join(f"{load},{travel}\n" for load, travel in rows))
    path = run("import", file, *SET, "--into", tmp_path, "--json").document["file"]
    widths = []
    for step in ("0.0005", "0.01"):
        settings = tmp_path / "shop.toml"
        settings.write_text(f"[by_hand]\nruler_m = {step}\n")
        (found,) = run("flex", path, "--settings", settings, "--json").document
        widths.append(found["reference_load_ci95_N"])
    assert widths[1] > 1.5 * widths[0]


def test_a_workbook_is_read(run: Run, tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["Table of the first blank"])
    book.active.append(["Load [g]", "Travel [mm]"])
    for row in ((0, 0.0), (100, 101.5), (200, 210.0), (100, 103.0), (0, 0.5)):
        book.active.append(row)
    file = tmp_path / "book.xlsx"
    book.save(file)
    done = run("import", file, *SET, "--into", tmp_path, "--json")
    made = read_run(done.document["file"])
    np.testing.assert_allclose(made.columns["travel_m"], [0, 0.1015, 0.21, 0.103, 0.0005])


def test_a_mapping_is_kept_for_the_next_file(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("APPDATA", str(tmp_path / "config"))
    for at, blank in enumerate(("A-01", "A-02")):
        file = tmp_path / f"{blank}.txt"
        file.write_text("".join(f"{w} {w * 2 + at}\n" for w in (0, 50, 100, 50, 0)))
        more = (
            ("--kind", "flex", "--column", "load=1:g", "--column", "travel=2:mm", *SET[2:]) if not at else ()
        )
        done = run(
            "import", file, "--as", "ours", "--set", f"blank={blank}", *more, "--into", tmp_path, "--json"
        )
        assert done.status == 0, done.err
        made = read_run(done.document["file"])
        assert made.header.blank == blank
        assert made.header.free_length_m == 1.8


BAD = [
    ("clock,load_g\n12,500\n13,501\n3,500\n", ":3:", "13"),
    ("load_g,travel_mm\n0,0\n,50\n100,100\n", ":3:", "missing"),
    ("load,travel_mm\n0 g,0\n1.5 N,50\n100 g,100\n", ":3:", "two units"),
    ("load [stone],travel_mm\n0,0\n1,50\n2,100\n", ":1:", "unit"),
    ("load,travel_mm\n0,0\n1,50\n2,100\n", ":1:", "names no unit"),
    ("load_g,travel_mm\n0,0\n50\n100,100\n", ":3:", "1 cells"),
    ("load_g,travel_mm\n0,0\nabout 50,5\n100,100\n", ":3:", "no number"),
    ("a note and no table\n", "no row of numbers", ""),
    (
        ",".join(f"c{k}" for k in range(50)) + "\n" + ",".join(str(k) for k in range(50)) + "\n",
        "50 columns",
        "",
    ),
    ("load_g,load_g,travel_mm\n0,0,0\n1,1,1\n", ":1:", "both"),
    ("load_g;travel_mm\n1,234;1,500\n2,345;2,500\n", "--decimal", ":2:"),
    ("", "empty", ""),
]


@pytest.mark.parametrize(("text", "first", "second"), BAD)
def test_bad_tables_are_refused_in_one_line_with_the_row(
    run: Run, tmp_path: Path, text: str, first: str, second: str
) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(text)
    done = run("import", file, *SET, "--set", "held_travel_m=0.45", "--into", tmp_path / "runs")
    assert_one_line(done, first, second)
    assert not (tmp_path / "runs").exists()


@pytest.mark.parametrize("left_out", ["blank=A-03", "free_length_m=1.80", "held_travel_m=0.45"])
def test_what_the_table_does_not_tell_is_refused_where_nobody_can_be_asked(
    run: Run, tmp_path: Path, left_out: str
) -> None:
    file = tmp_path / "t.csv"
    file.write_text("clock,load_g\n" + "".join(f"{h},{500 + h}\n" for h in range(1, 13)))
    given = [each for each in ("blank=A-03", "free_length_m=1.80", "held_travel_m=0.45") if each != left_out]
    done = run("import", file, *(word for each in given for word in ("--set", each)), "--into", tmp_path)
    assert_one_line(done, left_out.partition("=")[0], "--set")


def test_an_answer_at_the_terminal_settles_a_question(tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text("load,travel_mm\n0,0\n1,50\n2,100\n")
    table = read_table(file)
    with pytest.raises(Untold) as question:
        understand(table, Wishes())
    assert question.value.key == "unit load_N"
    found = understand(table, Wishes().answered("column load_N", "load:kg"))
    assert found.column("load_N").unit.name == "kg"  # type: ignore[union-attr]


def test_a_kept_mapping_that_was_spoilt_is_refused(tmp_path: Path) -> None:
    (tmp_path / "imports").mkdir()
    (tmp_path / "imports" / "ours.toml").write_text("kind = 3\n")
    with pytest.raises(FileError):
        remembered(tmp_path, "ours")


def test_wishes_that_cannot_be_read_are_refused(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_text("load_g,travel_mm\n0,0\n1,50\n2,100\n")
    for words in (
        ("--column", "load_N"),
        ("--column", "mood=1"),
        ("--column", "load_N=9:g"),
        ("--column", "load_N=1:stone"),
        ("--set", "blank"),
        ("--set", "free_length_m=long"),
        ("--resolution", "fine"),
        ("--column", "load=1:g", "--column", "travel=1:mm"),
    ):
        assert_one_line(run("import", file, *SET, *words, "--into", tmp_path))
