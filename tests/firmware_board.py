"""The sketch of ``firmware_notes/sketch``: built for this computer and for the 8-bit board, and simulated.

Where a compiler or the simulator is missing the tests are skipped; with ``BLANKBENCH_FIRMWARE=must`` they
fail.
"""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_line import REPOSITORY

SKETCH = REPOSITORY / "firmware_notes" / "sketch" / "rig_board"
HERE = REPOSITORY / "tests" / "firmware"
EDITOR = Path("/usr/share/arduino/hardware/arduino/avr")
"""Where Debian's package arduino-core-avr puts the board editor's own library."""
WARNINGS = ("-Wall", "-Wextra", "-Werror")
AVR = ("-Os", "-DF_CPU=16000000UL", "-ffunction-sections", "-fdata-sections")
FLASH, MEMORY = 32 * 1024, 2 * 1024
PACKAGES = "gcc-avr avr-libc simavr libsimavr-dev"


def need(present: bool, what: str) -> None:
    """Skip the test, or fail it where the check must not be skipped."""
    if present:
        return
    if os.environ.get("BLANKBENCH_FIRMWARE") == "must":
        pytest.fail(f"{what} is missing here")
    pytest.skip(f"{what} is not on this computer")


def command(*words: str | Path) -> str:
    """Run a tool; its output, or a failure with all it said."""
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.fail(f"{' '.join(map(str, words))}\n{done.stdout}{done.stderr}")
    return done.stdout


def build_core(folder: Path) -> ctypes.CDLL:
    """Build the portable part with the test's own board around it."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    need(compiler is not None and os.name == "posix", "a C compiler")
    assert compiler is not None
    out = folder / "core.so"
    core = [SKETCH / f"{name}.c" for name in ("frame", "commands", "channels", "rig")]
    command(
        compiler, "-shared", "-fPIC", "-O1", "-std=c11", *WARNINGS, "-fsanitize=undefined",
        "-fsanitize-undefined-trap-on-error", f"-I{SKETCH}", "-o", out, *core, HERE / "host_board.c",
    )  # fmt: skip
    return ctypes.CDLL(str(out))


def build_for_board(folder: Path, *options: str) -> Path:
    """Build the sketch for the 8-bit board without the board editor's library."""
    need(shutil.which("avr-gcc") is not None, "avr-gcc (packages gcc-avr avr-libc)")
    out = folder / f"sketch{len(list(folder.glob('*.elf')))}.elf"
    sources = [*sorted(SKETCH.glob("*.c")), HERE / "plain_main.c"]
    command(
        "avr-gcc", "-mmcu=atmega328p", "-std=gnu11", *AVR, *WARNINGS, "-Wl,--gc-sections", *options,
        f"-I{SKETCH}", "-o", out, *sources,
    )  # fmt: skip
    return out


def build_in_editor(folder: Path, chip: str, variant: str, *options: str) -> Path:
    """Build the sketch as the board editor does: its library, every file of the folder, the .ino as C++."""
    need(
        EDITOR.is_dir() and shutil.which("avr-g++") is not None,
        "the board editor's library (arduino-core-avr)",
    )
    core = EDITOR / "cores" / "arduino"
    wire = EDITOR / "libraries" / "Wire" / "src"
    room = folder / f"editor-{chip}-{len(options)}"
    room.mkdir()
    common = [
        f"-mmcu={chip}", *AVR, "-DARDUINO=10808", "-DARDUINO_ARCH_AVR", *options,
        "-DDECIMAL_DIG=__DECIMAL_DIG__",
        f"-I{core}", f"-I{EDITOR / 'variants' / variant}", f"-I{wire}", f"-I{wire / 'utility'}", "-c",
    ]  # fmt: skip
    cxx = ("avr-g++", "-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics", "-fpermissive")

    def compile_all(files: Sequence[Path], *flags: str) -> list[Path]:
        objects = []
        for file in files:
            out = room / f"{file.name}.o"
            tool = cxx if file.suffix != ".c" else ("avr-gcc", "-std=gnu11")
            language = ("-x", "c++", "-include", "Arduino.h") if file.suffix == ".ino" else ()
            command(*tool, *common, *flags, *language, file, "-o", out)
            objects.append(out)
        return objects

    ours = compile_all(
        [file for file in sorted(SKETCH.iterdir()) if file.suffix in (".c", ".cpp", ".ino")], *WARNINGS
    )
    theirs = compile_all(
        [*core.glob("*.c"), *core.glob("*.cpp"), wire / "Wire.cpp", wire / "utility" / "twi.c"], "-w"
    )
    archive, out = room / "core.a", room / "sketch.elf"
    command("avr-ar", "rcs", archive, *theirs)
    command("avr-gcc", f"-mmcu={chip}", "-Os", "-Wl,--gc-sections", "-o", out, *ours, archive, "-lm")
    return out


def sizes(elf: Path) -> tuple[int, int]:
    """Flash and memory that a program takes, bytes."""
    text, data, bss = map(int, re.findall(r"\d+", command("avr-size", elf).splitlines()[1])[:3])
    return text + data, data + bss


def build_simulator(folder: Path) -> Path:
    """Build the host program of the simulator."""
    header = Path("/usr/include/simavr/sim_avr.h")
    need(header.is_file() and shutil.which("gcc") is not None, f"the simulator (packages {PACKAGES})")
    out = folder / "simulator"
    command(
        "gcc",
        "-O2",
        *WARNINGS,
        f"-I{header.parent}",
        HERE / "simulator.c",
        "-o",
        out,
        "-lsimavr",
        "-lutil",
        "-lm",
    )
    return out


@contextmanager
def simulated(simulator: Path, elf: Path, *options: str | Path) -> Iterator[str]:
    """Run a board in the simulator; give the name of its port."""
    process = subprocess.Popen(
        [str(word) for word in (simulator, elf, *options)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip()
    finally:
        process.stdin.close()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()
