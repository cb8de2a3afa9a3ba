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
        with pytest.raises(ValueError, match=words):
            run.Mutation("n", "a.py", old, "= 2", ()).spoilt(tmp_path)
    assert run.Mutation("n", "a.py", "x = 1", "x = 2", ()).spoilt(tmp_path) == "x = 2\ny = 1\n"
