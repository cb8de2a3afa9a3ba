"""Pages for the builder: every figure they show is there, and every command they name exists."""

from __future__ import annotations

import re

import pytest
from command_line import REPOSITORY

from rig.commands.app import COMMANDS

PAGES = [
    "README.md",
    "DEVELOPERS.md",
    "docs/what_the_hand_feels.md",
    "docs/by_hand.md",
    "sample_runs/README.md",
    "firmware_notes/README.md",
]


@pytest.mark.parametrize("page", PAGES)
def test_links_and_figures_of_a_page_lead_somewhere(page: str) -> None:
    place = REPOSITORY / page
    targets = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", place.read_text(encoding="utf-8"))
    missing = [target for target in targets if not (place.parent / target).exists()]
    assert missing == []


@pytest.mark.parametrize("page", PAGES)
def test_commands_named_on_a_page_exist(page: str) -> None:
    text = (REPOSITORY / page).read_text(encoding="utf-8")
    named = set(re.findall(r"(?:^|[`/ ])blankbench ([a-z]+)\b(?=[ `\n])", text, flags=re.MULTILINE))
    prose = {
        "reads",
        "turns",
        "measures",
        "never",
        "board",
        "would",
        "run",
        "does",
        "works",
        "understands",
        "is",
        "has",
    }
    assert named - prose <= set(COMMANDS)


def test_the_readmes_first_paragraph_states_the_job() -> None:
    first = (REPOSITORY / "README.md").read_text(encoding="utf-8").split("\n\n")[1]
    for word in ("stiff plane", "snap", "power", "action", "batch", "shipment"):
        assert word in " ".join(first.split())
