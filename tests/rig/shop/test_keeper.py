"""Shipments, notes, corrections, runs set aside: what is refused, and what is kept."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop_runs import write_run

from rig.errors import CallError, FileError
from rig.runs import safe_name
from rig.shop import (
    JOURNAL_NAME,
    Keeper,
    Wanted,
    bring_back,
    read_book,
    read_shelf,
    set_aside,
    set_aside_among,
)
from rig.shop.names import LONGEST_NAME, check_name, next_prefix, numbered

HOSTILE = [
    "<script>alert(1)</script>",
    "../../x",
    "..\\x",
    "/etc/passwd",
    "C:x",
    "a" * 10_000,
    "\u202eevil",
    "\u05d0" * 10_000,
    "A 03",
    "A\x00",
    "A\n",
    "\x1b[2J",
    "",
    ".",
    "..",
    "CON",
    "nul",
    "com1",
    "LPT9",
    "aux.txt",
    "a.",
    "-a",
    "\ud800",
]


@pytest.fixture
def keeper(tmp_path: Path) -> Keeper:
    return Keeper(tmp_path / "runs", "R. Example")


def test_each_blank_of_a_shipment_gets_a_short_name_of_its_own(keeper: Keeper) -> None:
    assert keeper.add("2026-05-04", 12, {"model": "Petrel"}) == ("A", tuple(numbered("A", 12)))
    shipment, names = keeper.add("2026-05-05", 2, {})
    assert (shipment, names) == ("B", ("B-01", "B-02"))
    book = read_book(keeper.folder)
    assert book.blanks["A-12"].text("model") == "Petrel"
    assert book.shipments["A"].date == "2026-05-04"
    assert len(book.blanks) == 14


def test_a_new_shipment_keeps_clear_of_blanks_that_only_runs_name(keeper: Keeper) -> None:
    write_run(keeper.folder, "x.csv", "A-07")
    assert keeper.add("2026-05-04", 1, {})[1] == ("B-01",)
    with pytest.raises(CallError, match="A-07"):
        keeper.add("2026-05-04", 1, {}, ["a-07"])
    assert keeper.add("2026-05-04", 1, {}, ["A-07"], adopt=True) == ("C", ("A-07",))
    with pytest.raises(CallError, match="A-07"):
        keeper.add("2026-05-04", 1, {}, ["A-07"], adopt=True)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_that_no_file_can_have_is_refused_and_nothing_is_written(keeper: Keeper, name: str) -> None:
    for names, prefix in (([name], None), ([], name)):
        with pytest.raises(CallError) as refusal:
            keeper.add("2026-05-04", 1, {}, names, prefix)
        assert len(str(refusal.value)) < 300
    assert not (keeper.folder / JOURNAL_NAME).exists()


@given(st.text(max_size=LONGEST_NAME + 5))
def test_whatever_name_is_taken_is_legal_and_fits_a_label(name: str) -> None:
    try:
        taken = check_name(name)
    except CallError:
        return
    assert taken == name == safe_name(name)
    assert 1 <= len(name) <= LONGEST_NAME


def test_two_names_that_some_file_systems_take_as_one_are_refused(keeper: Keeper) -> None:
    with pytest.raises(CallError, match="a-01"):
        keeper.add("2026-05-04", 2, {}, ["A-01", "a-01"])
    keeper.add("2026-05-04", 1, {}, ["A-01"])
    with pytest.raises(CallError, match="as A-01"):
        keeper.add("2026-05-04", 1, {}, ["a-01"])


@pytest.mark.parametrize(("count", "names"), [(0, []), (-3, []), (2001, []), (3, ["X", "Y"])])
def test_counts_that_do_not_fit_are_refused(keeper: Keeper, count: int, names: list[str]) -> None:
    with pytest.raises(CallError):
        keeper.add("2026-05-04", count, {}, names)


def test_letters_go_on_after_the_last_one_and_never_look_like_digits() -> None:
    used: list[str] = []
    for _ in range(60):
        used.append(next_prefix(used))
    assert used[:3] == ["A", "B", "C"]
    assert used[24] == "AA"
    assert len(set(used)) == 60
    assert not set("".join(used)) & set("IO")


def test_a_correction_holds_and_the_earlier_values_stay_with_who_and_when(keeper: Keeper) -> None:
    keeper.add("2026-05-04", 1, {"label_power": "medium"})
    keeper.note(["A-01"], {"mass_g": 96.2})
    Keeper(keeper.folder, "S. Example").correct("A-01", {"mass_g": 95.8}, reason="scale not zeroed")
    keeper.correct("A-01", {"mass_g": 95.7})
    keeper.correct("A-01", {"label_power": "light"})
    blank = read_book(keeper.folder).blanks["A-01"]
    mass = blank.facts["mass_g"]
    assert mass.value == 95.7
    assert [(old.value, old.entry.by, old.reason) for old in mass.earlier] == [
        (96.2, "R. Example", ""),
        (95.8, "S. Example", "scale not zeroed"),
    ]
    power = blank.facts["label_power"]
    assert (power.value, [old.value for old in power.earlier]) == ("light", ["medium"])
    assert (keeper.folder / JOURNAL_NAME).read_text(encoding="utf-8").count('"mass_g": 96.2') == 1


def test_a_shipments_correction_reaches_its_blanks_but_not_over_their_own_facts(keeper: Keeper) -> None:
    keeper.add("2026-05-04", 2, {"label_power": "medium"})
    keeper.correct("A-01", {"label_power": "light"})
    keeper.correct("A", {"label_power": "heavy"}, shipment=True, date="2026-05-03")
    book = read_book(keeper.folder)
    assert book.claims("A-01") == ("light", None)
    assert book.claims("A-02") == ("heavy", None)
    assert book.shipments["A"].date == "2026-05-03"
    assert book.claims("nobody") == (None, None)


def test_a_fact_is_not_overwritten_by_a_note_and_the_same_note_twice_is_one(keeper: Keeper) -> None:
    keeper.add("2026-05-04", 1, {})
    keeper.note(["A-01"], {"mass_g": 96.2})
    assert keeper.note(["A-01"], {"mass_g": 96.2}) == ()
    with pytest.raises(CallError, match=r"96\.2.*log correct"):
        keeper.note(["A-01"], {"mass_g": 97.0})


def test_a_notes_text_is_corrected_by_its_number(keeper: Keeper) -> None:
    keeper.add("2026-05-04", 1, {})
    (entry,) = keeper.note(["A-01"], {"damage": "chip at the tip", "text": "nice finish"})
    keeper.correct("A-01", {"damage": "chip 30 mm from the tip"}, entry=entry.number)
    keeper.correct("A-01", {"damage": "chip 31 mm from the tip"}, entry=entry.number)
    damage, note = read_book(keeper.folder).blanks["A-01"].remarks
    assert damage.fact.value == "chip 31 mm from the tip"
    assert [old.value for old in damage.fact.earlier] == ["chip at the tip", "chip 30 mm from the tip"]
    assert (note.fact.value, note.fact.earlier) == ("nice finish", ())


@pytest.mark.parametrize(
    ("name", "facts", "more", "said"),
    [
        ("A-09", {"mass_g": 1.0}, {}, "A-09"),
        ("A-01", {}, {}, "nothing to correct"),
        ("A-01", {"mass_g": 1.0}, {}, "no mass yet"),
        ("A-01", {"text": "x"}, {}, "which note"),
        ("A-01", {"text": "x"}, {"entry": 2}, "entry 2"),
        ("A-01", {"mass_g": 1.0}, {"entry": 3}, "--entry"),
        ("A-01", {"model": "x"}, {"date": "2026-05-04"}, "date"),
        ("Q", {"model": "x"}, {"shipment": True}, "Q"),
    ],
)
def test_a_correction_of_nothing_is_refused(keeper, name, facts, more, said) -> None:
    keeper.add("2026-05-04", 1, {})
    keeper.note(["A-01"], {"text": "a", "damage": "b"})
    with pytest.raises(CallError, match=said):
        keeper.correct(name, facts, **more)


def test_what_should_not_stand_there_is_taken_back_and_can_be_noted_anew(keeper: Keeper) -> None:
    keeper.add("2026-05-04", 1, {"model": "Petrel"})
    (entry,) = keeper.note(["A-01"], {"job": "2026-118", "damage": "chip", "text": "for Sam"})
    keeper.correct("A-01", {}, take_back="job", reason="wrong blank")
    keeper.correct("A-01", {}, take_back="damage", entry=entry.number)
    blank = read_book(keeper.folder).blanks["A-01"]
    assert blank.text("job") is None
    assert (blank.texts("damage"), blank.texts("text")) == ([], ["for Sam"])
    (old,) = blank.facts["job"].earlier
    assert (old.value, blank.facts["job"].reason) == ("2026-118", "wrong blank")
    assert [item.name for item in read_shelf(keeper.folder).blanks(Wanted(find="none"))] == []
    with pytest.raises(CallError, match="no customer's job"):
        keeper.correct("A-01", {}, take_back="job")
    with pytest.raises(CallError, match="no decision"):
        keeper.correct("A-01", {}, take_back="decision", entry=entry.number)
    with pytest.raises(CallError, match="stands alone"):
        keeper.correct("A-01", {"mass_g": 1.0}, take_back="job")
    keeper.note(["A-01"], {"job": "2026-119"})
    assert read_book(keeper.folder).blanks["A-01"].text("job") == "2026-119"


@pytest.mark.parametrize("mass", [0.0, -1.0, float("nan"), float("inf"), 1e9])
def test_a_number_that_no_bench_has_is_refused(keeper: Keeper, mass: float) -> None:
    keeper.add("2026-05-04", 1, {})
    with pytest.raises(CallError, match="mass"):
        keeper.note(["A-01"], {"mass_g": mass})


def test_a_run_is_set_aside_with_a_reason_and_brought_back(keeper: Keeper) -> None:
    keeper.add("2026-05-04", 1, {})
    run = write_run(keeper.folder, "deep/x.csv")
    before = run.read_bytes()
    assert set_aside(keeper, [run], "the tip slipped") == ("deep/x.csv",)
    assert run.read_bytes() == before
    item = read_shelf(keeper.folder).items["A-01"]
    assert ([r.path for r in item.runs], [r.path for r in item.aside]) == ([], ["deep/x.csv"])
    assert set_aside_among([str(run), str(keeper.folder / "other.csv")]) == {str(run): "the tip slipped"}
    with pytest.raises(CallError, match="already by R"):
        set_aside(keeper, [run], "again")
    assert bring_back(keeper, ["deep/x.csv"]) == ("deep/x.csv",)
    assert set_aside_among([str(run)]) == {}
    with pytest.raises(CallError, match="not set aside"):
        bring_back(keeper, [run])
    shelf = read_shelf(keeper.folder)
    assert [entry.what for entry in shelf.book.about("A-01")] == ["shipment", "set-aside", "bring-back"]


def test_a_link_inside_the_folder_is_set_aside_by_the_name_it_is_listed_by(
    keeper: Keeper, tmp_path: Path
) -> None:
    outside = write_run(tmp_path / "elsewhere", "x.csv")
    keeper.add("2026-05-04", 1, {})
    link = keeper.folder / "link.csv"
    link.symlink_to(outside)
    assert set_aside(keeper, ["link.csv"], "slipped") == ("link.csv",)
    assert set_aside_among([str(link), str(outside)]) == {str(link): "slipped"}


def test_a_run_that_is_gone_can_still_be_brought_back(keeper: Keeper) -> None:
    run = write_run(keeper.folder, "x.csv")
    set_aside(keeper, [run], "the tip slipped")
    run.unlink()
    assert bring_back(keeper, [run]) == ("x.csv",)


def test_a_run_outside_the_folder_is_refused(keeper: Keeper, tmp_path: Path) -> None:
    outside = write_run(tmp_path, "outside.csv")
    write_run(keeper.folder, "x.csv")
    for run in (outside, "../outside.csv", "../../etc/passwd", tmp_path):
        with pytest.raises(CallError, match="outside"):
            set_aside(keeper, [run], "a reason")
    with pytest.raises(FileError, match="no run of the shop"):
        set_aside(keeper, ["nothing.csv"], "a reason")
    with pytest.raises(CallError, match="reason"):
        set_aside(keeper, ["x.csv"], "  ")


def test_nobody_is_no_name(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="--by"):
        Keeper(tmp_path, " \u202e ")


def test_blanks_are_found_filtered_and_sorted(keeper: Keeper) -> None:
    keeper.add("2026-05-01", 3, {"model": "Petrel", "maker": "Example Maker"})
    keeper.add("2026-05-02", 10, {"model": "Heron"}, prefix="H")
    keeper.note(["A-02"], {"job": "2026-118"})
    write_run(keeper.folder, "1.csv", "A-01", started="2026-05-04T09:00:00Z", operator="R. Example")
    write_run(keeper.folder, "2.csv", "H-10", "flex", started="2026-05-06T09:00:00Z", operator="S. Example")
    write_run(keeper.folder, "3.csv", "A-02", started="2026-05-05T09:00:00Z", operator="S. Example")
    write_run(keeper.folder, "4.csv", "X-1", started="", model="loose")
    set_aside(keeper, ["3.csv"], "slipped")
    shelf = read_shelf(keeper.folder)

    def found(sort="blank", reverse=False, **wanted) -> list[str]:
        return [item.name for item in shelf.blanks(Wanted(**wanted), sort, reverse=reverse)]

    assert len(found()) == 14
    assert found(model="petr") == ["A-01", "A-02", "A-03"]
    assert found(maker="example", unmeasured=True) == ["A-02", "A-03"]
    assert found(find="118") == ["A-02"]
    assert found(blank="h-0[1-3]") == ["H-01", "H-02", "H-03"]
    assert found(shipment="h")[-1] == "H-10"
    assert found(operator="s. ex") == ["A-02", "H-10"]
    assert found(kind="flex") == ["H-10"]
    assert found(since="2026-05-05") == ["A-02", "H-10"]
    assert found(since="2026-05-05", until="2026-05-05") == ["A-02"]
    assert found(aside=True) == ["A-02"]
    assert found("date")[-2:] == ["A-01", "H-10"]
    assert found("model")[-1] == "A-03"
    assert found("runs", reverse=True)[-1] == "A-02"
    assert found(find="loose") == ["X-1"]
    assert [run.path for run in shelf.runs(Wanted())] == ["4.csv", "1.csv", "3.csv", "2.csv"]
    assert [run.path for run in shelf.runs(Wanted(aside=True))] == ["3.csv"]
    assert next(run.path for run in shelf.runs(Wanted(), "blank", reverse=True)) == "4.csv"
