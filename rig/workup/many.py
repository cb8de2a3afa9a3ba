"""Many blanks worked up on all processors, each blank's runs together, with results kept beside the runs.

A blank is a job: its runs are read, fitted and forgotten in one worker, so that memory does not grow with the
shipment, and only what came out travels back. What was worked up before, from the same bytes under the same
settings by the same program, is taken from `kept`; a grading that was stopped goes on where it stood.
"""

from __future__ import annotations

import hashlib
import os
import re
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

import analysis
import rig
from analysis.bend.result import FlexResult
from analysis.roll.result import MarkRule, RollResult
from rig.errors import FileError
from rig.runs import Header, Run, read_header, read_run
from rig.settings import Settings
from rig.workup.kept import Kept, decode, encode
from rig.workup.one_run import Flex, Roll, work_blanks

SMALL = 24
"""Up to so many runs are worked up at once, in this process, and nothing is kept."""
_HEAD = 4096
_BLANK = re.compile(rb'^# *blank *= *"([^"\\]*)" *\r?$', re.MULTILINE)
_WAITING = 4
"""Jobs handed out ahead, a worker."""


@dataclass(frozen=True, slots=True)
class Worked:
    """What came out of many runs."""

    rolls: dict[str, list[Roll]]
    """By blank, in the order of the runs; from more than `SMALL` runs without readings and profiles."""
    flexes: dict[str, list[Flex]]
    """Likewise."""
    skipped: tuple[FileError, ...] = ()
    """Why each run that could not be used was left out, in the order of the runs."""
    recordings: Mapping[str, str] = field(default_factory=dict)
    """By path, in the order of the runs: alike for two files that hold the same recording."""


@dataclass(frozen=True, slots=True)
class _Job:
    """One blank."""

    paths: tuple[str, ...]
    settings: Settings
    rule: MarkRule | None
    skip: bool


@dataclass(slots=True)
class _Gathered:
    """What has come back so far."""

    order: dict[str, int]
    rolls: list[tuple[int, Roll]] = field(default_factory=list)
    flexes: list[tuple[int, Flex]] = field(default_factory=list)
    skipped: list[tuple[int, FileError]] = field(default_factory=list)
    recordings: list[tuple[int, str, str]] = field(default_factory=list)

    def add(self, paths: Sequence[str], answer: Any) -> None:
        """Take what one job gave: works and faults, each with its run's place among the job's paths."""
        works, faults = answer
        for place, header, warnings, events, recording, result in works:
            path = paths[place]
            self.recordings.append((self.order[path], path, recording))
            run = Run(path, header, {}, range(0), warnings, events)
            if isinstance(result, RollResult):
                self.rolls.append((self.order[path], Roll(run, result)))
            else:
                self.flexes.append((self.order[path], Flex(run, result)))
        for place, line, what, do in faults:
            self.skipped.append((self.order[paths[place]], FileError(paths[place], line, what, do)))


def work_files(
    paths: Sequence[str],
    settings: Settings,
    *,
    rule: MarkRule | None = None,
    curve: bool = False,
    skip_unreadable: bool = False,
    progress: Callable[[int, int], None] = lambda done, all_of_them: None,
) -> Worked:
    """Read and work up roll and flex runs, each blank's runs helping each other.

    Parameters
    ----------
    paths : sequence of str
        Run files.
    settings : Settings
        The shop's.
    rule : {"snap", "snap-back", "stiff", "soft"} or None
        Where the tape goes; None is the shop's rule.
    curve : bool
        Whether the arrays for the figures are wanted; then everything stays in this process and in memory.
    skip_unreadable : bool
        Leave out runs that cannot be used and say so in `Worked.skipped`, rather than raise.
    progress : callable
        Called with the runs done and the runs in all.

    Raises
    ------
    FileError
        For a run that cannot be used.
    """
    with threadpool_limits(limits=1, user_api="blas"):  # a small fit gains nothing from threads
        if curve or len(paths) <= SMALL:
            return _at_once(paths, settings, rule, curve, skip_unreadable, progress)
        return _over_processors(paths, settings, rule, skip_unreadable, progress)


def _over_processors(
    paths: Sequence[str],
    settings: Settings,
    rule: MarkRule | None,
    skip_unreadable: bool,
    progress: Callable[[int, int], None],
) -> Worked:
    gathered = _Gathered({path: place for place, path in reversed(list(enumerate(paths)))})
    jobs = [
        _Job(tuple(group), settings, rule, skip_unreadable)
        for group in _by_blank(paths, gathered, skip_unreadable)
    ]
    done = len(gathered.skipped)
    for job, answer in _answers(jobs):
        gathered.add(job.paths, answer)
        done += len(job.paths)
        progress(done, len(paths))
    return _in_order(gathered)


def _in_order(gathered: _Gathered) -> Worked:
    rolls: dict[str, list[Roll]] = {}
    flexes: dict[str, list[Flex]] = {}
    for _, roll in sorted(gathered.rolls, key=lambda pair: pair[0]):
        rolls.setdefault(roll.run.header.blank, []).append(roll)
    for _, flex in sorted(gathered.flexes, key=lambda pair: pair[0]):
        flexes.setdefault(flex.run.header.blank, []).append(flex)
    return Worked(
        rolls,
        flexes,
        tuple(fault for _, fault in sorted(gathered.skipped, key=lambda pair: pair[0])),
        {path: recording for _, path, recording in sorted(gathered.recordings)},
    )


def _at_once(
    paths: Sequence[str],
    settings: Settings,
    rule: MarkRule | None,
    curve: bool,
    skip: bool,
    progress: Callable[[int, int], None],
) -> Worked:
    runs, skipped = _read(paths, skip)
    count = [len(skipped)]

    def one_more(_: Run) -> None:
        count[0] += 1
        progress(count[0], len(paths))

    groups: dict[str, list[Run]] = {}
    for run in runs:
        groups.setdefault(run.header.blank, []).append(run)
    rolls: dict[str, list[Roll]] = {}
    flexes: dict[str, list[Flex]] = {}
    faults: list[FileError] = []
    for group in groups.values():  # a run that cannot be used costs its own blank a second fit, no other
        rolled, flexed, faulty = _work(group, settings, rule, curve, skip, one_more)
        rolls |= rolled
        flexes |= flexed
        faults += faulty
    left_out = {fault.path for fault in faults}
    recordings = {run.path: _recording(run) for run in runs if run.path not in left_out}
    order = {path: place for place, path in enumerate(paths)}
    return Worked(
        rolls, flexes, tuple(sorted((*skipped, *faults), key=lambda fault: order[fault.path])), recordings
    )


def _read(paths: Sequence[str], skip: bool) -> tuple[list[Run], list[FileError]]:
    runs, faults = [], []
    for path in paths:
        try:
            runs.append(read_run(path))
        except FileError as fault:
            if not skip:
                raise
            faults.append(fault)
    return runs, faults


def _work(
    runs: list[Run],
    settings: Settings,
    rule: MarkRule | None,
    curve: bool,
    skip: bool,
    progress: Callable[[Run], None] = lambda run: None,
) -> tuple[dict[str, list[Roll]], dict[str, list[Flex]], list[FileError]]:
    """Work up runs; a run that its fit refuses is left out and the rest worked up without it."""
    faults: list[FileError] = []
    while True:
        try:
            return *work_blanks(runs, settings, rule=rule, curve=curve, progress=progress), faults
        except FileError as fault:
            left = [run for run in runs if run.path != fault.path]
            if not skip or len(left) == len(runs):
                raise
            faults.append(fault)
            runs = left


def _by_blank(paths: Sequence[str], gathered: _Gathered, skip: bool) -> Iterable[list[str]]:
    groups: dict[str, list[str]] = {}
    for path in paths:
        try:
            groups.setdefault(_blank_of(path), []).append(path)
        except FileError as fault:
            if not skip:
                raise
            gathered.skipped.append((gathered.order[path], fault))
    return groups.values()


def _blank_of(path: str) -> str:
    """Name of a run's blank: from a plain line of its first bytes, else from the whole header."""
    try:
        with open(path, "rb") as file:
            head = file.read(_HEAD)
    except OSError:
        head = b""
    found = _BLANK.findall(head)
    if len(found) == 1 and b"'''" not in head and b'"""' not in head:
        try:
            return str(found[0].decode("utf-8"))
        except UnicodeDecodeError:
            pass  # the header's own message is better
    return read_header(path).blank


def _answers(jobs: Sequence[_Job]) -> Iterator[tuple[_Job, Any]]:
    """Give every job with its answer as it comes: kept ones first, then from the workers."""
    stores: dict[Path, Kept] = {}

    def store(job: _Job) -> Kept:
        folder = Path(job.paths[0]).parent
        if folder not in stores:
            stores[folder] = Kept(folder)
        return stores[folder]

    open_jobs = []
    for job in jobs:
        kept = store(job)
        answer = kept.find(_key(job)) if len(kept) else None
        if answer is None:
            open_jobs.append(job)
        else:
            yield job, answer
    for job, (key, text) in _worked(open_jobs):
        kept = store(job)
        if key:
            kept.add(key, text)
        yield job, decode(text)
    for kept in stores.values():
        kept.tidy()


def _worked(jobs: Sequence[_Job]) -> Iterator[tuple[_Job, tuple[str, str]]]:
    """Work up jobs on all processors, few of them handed out ahead so that a stop is quick."""
    workers = min(len(jobs), processors())
    if workers < 2:
        for job in jobs:
            yield job, _do(job)
        return
    # A fork starts at once and shares what is loaded; it is safe while this is the only thread.
    fork = sys.platform == "linux" and threading.active_count() == 1
    pool = ProcessPoolExecutor(
        workers, mp_context=get_context("fork" if fork else "spawn"), initializer=_one_thread
    )
    try:
        rest = iter(jobs)
        running = {pool.submit(_do, job): job for job in islice(rest, workers * _WAITING)}
        while running:
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                job = running.pop(future)
                for following in islice(rest, 1):
                    running[pool.submit(_do, following)] = following
                yield job, future.result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _one_thread() -> None:
    """Leave a worker's algebra library one thread: the workers fill the processors."""
    threadpool_limits(limits=1, user_api="blas")


def processors() -> int:
    """Processors that this process may use."""
    usable = getattr(os, "sched_getaffinity", None)
    return len(usable(0)) if usable is not None else os.cpu_count() or 1


def _do(job: _Job) -> tuple[str, str]:
    """Work up one blank: the key to keep the answer under, and the answer as text.

    Raises
    ------
    FileError
        For a run that cannot be used, unless such runs are to be skipped.
    """
    key = _key(job)
    runs, faults = _read(job.paths, job.skip)
    rolls, flexes, more = _work(runs, job.settings, job.rule, False, job.skip)
    works: list[tuple[int, Header, tuple[str, ...], tuple[Any, ...], str, RollResult | FlexResult]] = []
    everything: list[Roll | Flex] = [work for group in rolls.values() for work in group]
    everything += [work for group in flexes.values() for work in group]
    for work in everything:
        run = work.run
        place = job.paths.index(run.path)
        result = work.result  # a profile with its covariance is large, and decides nothing about a shipment
        result = replace(result, profile=None) if isinstance(result, FlexResult) else result
        works.append((place, run.header, run.warnings, run.events, _recording(run), result))
    said = [(job.paths.index(fault.path), fault.line, fault.what, fault.do) for fault in (*faults, *more)]
    return key, encode((works, said))


def _recording(run: Run) -> str:
    """Tell recordings apart by what was recorded, whatever the file is called."""
    header = run.header
    known = hashlib.blake2b(repr((header.kind, header.blank, header.started)).encode(), digest_size=16)
    for name in sorted(run.columns):
        known.update(name.encode())
        known.update(np.ascontiguousarray(run.columns[name]).data)
    return known.hexdigest()


def _key(job: _Job) -> str:
    """Name of a job's answer: the same bytes, settings and program, the same name."""
    digest = hashlib.blake2b(digest_size=20)
    digest.update(f"{_program()}\n{job.settings!r}\n{job.rule}\n{job.skip}\n".encode())
    for path in job.paths:
        try:
            with open(path, "rb") as file:
                data = file.read()
        except OSError:
            data = b""
        digest.update(f"{len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


@cache
def _program() -> str:
    """The program's version, and the state of its files where it runs from a checkout."""
    try:
        number = version("blankbench")
    except PackageNotFoundError:
        number = "?"
    state = []
    for package in (analysis, rig):
        for folder in package.__path__:
            for path in sorted(Path(folder).rglob("*.py")):
                status = path.stat()
                state.append(f"{path.name} {status.st_size} {status.st_mtime_ns}")
    return number + hashlib.blake2b("\n".join(state).encode(), digest_size=16).hexdigest()
