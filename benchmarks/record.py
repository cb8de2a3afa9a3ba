"""Recording over a pseudo-terminal at 80, 1,000 and 5,000 readings a second: losses, processor, memory.

    python benchmarks/record.py [SECONDS]

The virtual rig runs in a process of its own, in real time. The recorder writes a run file. Then every raw
count in the file is compared with what the bench makes from the same seed without board, port or recorder
between. Processor is the share of one core that the recording process takes while it records (user and
system); memory is its peak and, in brackets, by how much recording raised it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from analysis.readings import Floats
from rig.line import Decoder
from rig.port.handshake import identify
from rig.port.link import open_link
from rig.recording.channels import converter
from rig.recording.recorder import Recorder, drive
from rig.runs import Header, RunWriter, read_run
from rig.virtual import Bench, Gear, Still, VirtualRig, load_blanks

RATES_HZ = (80, 1000, 5000)
SEED = 7
_COUNTS = ("load_counts", "angle_counts", "travel_counts", "tip_counts")


def serve(rate_hz: int, seconds: float) -> None:
    """Run the rig until the other side closes our input."""
    with VirtualRig(load_blanks(), seed=SEED, rate_hz=rate_hz, streaming=False) as rig:
        rig.bench.still(seconds)
        print(rig.url, flush=True)
        sys.stdin.read()


def record(rate_hz: int, seconds: float, folder: Path) -> str:
    """Record one run and give one line about it."""
    command = [sys.executable, __file__, "--serve", str(rate_hz), str(seconds)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as rig:
        assert rig.stdin is not None
        assert rig.stdout is not None
        url = rig.stdout.readline().strip()
        wanted = int(seconds * rate_hz)
        with open_link(url) as link:
            source = Decoder()
            hello = identify(link, source).hello
            header = Header(kind="flex", blank="benchmark", free_length_m=2.0)

            def open_run(first: Mapping[str, Floats]) -> RunWriter:
                return RunWriter(folder / f"{rate_hz}.csv", header, list(first))

            convert = converter(hello, Gear().calibration())
            recorder = Recorder(source, hello, convert, open_run, clock=time.monotonic)
            before = peak_MB()
            cpu, wall = time.process_time(), time.monotonic()
            drive(
                link,
                recorder,
                done=lambda now: "enough" if now.readings >= wanted else None,
                clock=time.monotonic,
            )
            cpu, wall = time.process_time() - cpu, time.monotonic() - wall
            peak = peak_MB()
        rig.stdin.close()
    read = read_run(str(folder / f"{rate_hz}.csv")).columns
    bench = Bench(load_blanks(), seed=SEED)
    bench.do(Still(seconds))
    counts, _ = bench.sample(read["seq"].size, 1.0 / rate_hz)
    true = np.column_stack([counts.load, counts.angle, counts.travel, counts.tip])
    kept = np.column_stack([read[name] for name in _COUNTS])
    altered = int(np.sum(np.any(true != kept, axis=1)))
    lost = int(np.sum(np.diff(read["seq"]) % 65_536 - 1))
    return (
        f"{rate_hz:>8,} {read['seq'].size:>9,} {lost:>5} {altered:>8} {source.tally.bad:>10}"
        f" {100.0 * cpu / wall:>9.1f} % {peak:>8.0f} MB (+{peak - before:.1f})"
    )


def peak_MB() -> float:
    """Largest memory of this process so far, 10^6 bytes; nan where the system does not tell."""
    try:
        import resource
    except ImportError:
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


if __name__ == "__main__":
    if "--serve" in sys.argv:
        serve(int(sys.argv[2]), float(sys.argv[3]))
    else:
        duration = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
        print("a second  readings  lost  altered  bad lines   processor      memory")
        with tempfile.TemporaryDirectory() as place:
            for rate in RATES_HZ:
                print(record(rate, duration, Path(place)))
