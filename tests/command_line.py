"""The command line as a script sees it: arguments in, exit status and two streams out."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

REPOSITORY = Path(__file__).resolve().parents[1]
SAMPLES = REPOSITORY / "sample_runs"


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The JSON document on stdout, read strictly: no NaN, no Infinity."""

        def refuse(word: str) -> None:
            raise AssertionError(f"{word} in JSON")

        return json.loads(self.out, parse_constant=refuse)


Run = Callable[..., Outcome]


def assert_one_line(outcome: Outcome, *words: str) -> None:
    """Exit status 2, nothing on stdout, one line on stderr that holds the words."""
    assert outcome.status == 2
    assert outcome.out == ""
    lines = outcome.err.splitlines()
    assert len(lines) == 1, outcome.err
    assert lines[0].startswith("blankbench: ")
    assert "; " in lines[0]
    assert "Traceback" not in outcome.err
    for word in words:
        assert word in lines[0], lines[0]
