"""Runs set aside and brought back: the files stay as they are, and the journal says whether they count."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from rig.errors import CallError, FileError
from rig.shop.book import fold
from rig.shop.facts import cleaned
from rig.shop.index import list_runs
from rig.shop.journal import Read
from rig.shop.keeper import LONGEST_REASON, Keeper
from rig.shop.place import path_within


def set_aside(keeper: Keeper, runs: Sequence[str | os.PathLike[str]], reason: str) -> tuple[str, ...]:
    """Set runs aside: the files stay as they are, and do not count until they are brought back.

    Returns
    -------
    tuple of str
        Their paths within the folder.

    Raises
    ------
    CallError
        Without a reason, or for a run outside the folder or set aside already.
    FileError
        If one is no run file.
    """
    why = cleaned(reason)[:LONGEST_REASON]
    if not why:
        raise CallError("a run is set aside for a reason", "give --reason, as in --reason 'tip slipped'")
    paths = [_inside(keeper, run) for run in runs]
    lines = {run.path: run for run in list_runs(keeper.folder).runs}
    for path in paths:
        if path not in lines:
            raise FileError(
                keeper.folder / path,
                None,
                "this is no run of the shop",
                "blankbench log --runs lists them",
            )

    def make(read: Read) -> list[dict[str, Any]]:
        aside = fold(read.entries).aside
        for path in paths:
            if path in aside:
                raise CallError(
                    f"{path} was set aside already by {aside[path].entry.by}: {aside[path].reason}",
                    "leave it so, or bring it back",
                )
        return [
            {"what": "set-aside", "run": path, "blank": lines[path].blank, "reason": why} for path in paths
        ]

    keeper.write(make)
    return tuple(paths)


def bring_back(keeper: Keeper, runs: Sequence[str | os.PathLike[str]], reason: str = "") -> tuple[str, ...]:
    """Bring runs back that were set aside.

    Raises
    ------
    CallError
        For a run that is not set aside.
    """
    paths = [_inside(keeper, run) for run in runs]
    why = {"reason": cleaned(reason)[:LONGEST_REASON]} if reason.strip() else {}

    def make(read: Read) -> list[dict[str, Any]]:
        aside = fold(read.entries).aside
        for path in paths:
            if path not in aside:
                raise CallError(f"{path} is not set aside", "blankbench log --set-aside lists those")
        return [
            {
                "what": "bring-back",
                "run": path,
                "blank": str(aside[path].entry.values.get("blank")),
                **why,
            }
            for path in paths
        ]

    keeper.write(make)
    return tuple(paths)


def _inside(keeper: Keeper, run: str | os.PathLike[str]) -> str:
    """Give a run's path within the folder; a name that is not there is looked for in the folder.

    Raises
    ------
    CallError
        If it lies outside.
    """
    named = os.fspath(run)
    found = path_within(keeper.folder, named) or path_within(
        keeper.folder, os.path.join(keeper.folder, named)
    )
    if found is None:
        raise CallError(
            f"{named} lies outside the shop's folder {keeper.folder}",
            "name a run in it, or give --folder",
        )
    return found
