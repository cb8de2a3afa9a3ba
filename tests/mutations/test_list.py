"""The list of mutations fits the tree: each can be made, and the tests that must catch it are there."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_PATH = Path(__file__).with_name("run.py")
_SPEC = importlib.util.spec_from_file_location("mutations_run", _PATH)
assert _SPEC is not None
assert _SPEC.loader is not None
run = importlib.util.module_from_spec(_SPEC)
sys.modules["mutations_run"] = run
_SPEC.loader.exec_module(run)


def test_every_mutation_can_be_made_and_its_tests_are_there() -> None:
    faults = []
    listed = run.mutations()
    for mutation in listed:
        try:
            mutation.spoilt(run.REPOSITORY)
        except ValueError as fault:
            faults.append(f"{mutation.name}: {fault}")
        faults += [f"{mutation.name}: no test {test}" for test in mutation.missing(run.REPOSITORY)]
    assert not faults, "\n".join(faults)
    assert len({mutation.name for mutation in listed}) == len(listed)


def test_a_text_that_stands_twice_or_not_at_all_is_no_mutation(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("x = 1\ny = 1\n", encoding="utf-8")
    for old, words in (("= 1", "2 times"), ("= 3", "0 times")):
        with pytest.raises(ValueError, match=words):
            run.Mutation("n", "a.py", old, "= 2", ()).spoilt(tmp_path)
    assert run.Mutation("n", "a.py", "x = 1", "x = 2", ()).spoilt(tmp_path) == "x = 2\ny = 1\n"
