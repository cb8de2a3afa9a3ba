"""Every example on the pages for firmware authors: its check computed, its contents decoded."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.line import Decoder, Fault, Hello, LineFault, Reading, Status, decode, decode_command, encode
from rig.line.check import check_of
from rig.line.record import COMMAND_NAMES, STATES, UNITS_OF

NOTES = Path(__file__).parents[2] / "firmware_notes"
PAGE = (NOTES / "line_protocol.md").read_text(encoding="utf-8")


def blocks(info: str) -> list[str]:
    return re.findall(rf"^```{info}\n(.*?)^```$", PAGE, flags=re.MULTILINE | re.DOTALL)


def lines(info: str) -> list[str]:
    found = [line for block in blocks(info) for line in block.splitlines()]
    assert found, f"the page has no {info} examples"
    return found


def crc(data: bytes) -> int:
    """CRC-16/IBM-3740 bit by bit, from its definition."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    return register


@pytest.mark.parametrize("line", lines("board"))
def test_every_line_of_the_board_has_its_check_and_is_read_and_written_alike(line):
    body, _, check = line.rpartition(" ")
    assert check == f"{crc(body.encode()):04X}"
    assert encode(decode(line.encode())) == line.encode() + b"\n"


def test_the_hellos_hold_the_readings_shown():
    first, second = (decode(line.encode()) for line in lines("board") if line[0] == "H")
    assert isinstance(first, Hello)
    assert isinstance(second, Hello)
    assert not first.drive
    assert second.drive
    shown = [decode(line.encode()) for line in lines("board") if line[0] == "R"]
    by_width = {len(first.channels): first, len(second.channels): second}
    for reading in shown:
        assert isinstance(reading, Reading)
        assert by_width[len(reading.values)].complaint(reading) is None


def test_the_table_of_states_has_every_state_and_no_other():
    table = PAGE[PAGE.index("| state | meaning |") : PAGE.index("Other words are passed on")]
    first_cells = "".join(row.split("|")[1] for row in table.splitlines()[2:] if row)
    assert set(re.findall(r"`([a-z-]+)`", first_cells)) == set(STATES)


def test_every_command_is_shown_and_can_be_typed():
    assert {decode_command(line.encode()).name for line in lines("computer")} == set(COMMAND_NAMES)
    for name in COMMAND_NAMES:
        assert f"| `{name}" in PAGE


def test_every_channel_is_in_the_table_with_its_unit():
    for name, unit in UNITS_OF.items():
        assert re.search(rf"^\| `{name}` \|.*\| `{unit}`", PAGE, flags=re.MULTILINE)


def test_the_session_loses_one_reading_and_has_one_partial_line():
    decoder = Decoder()
    out = []
    for line in lines("session"):
        way, text = line[0], line[2:]
        if way == ">":
            decode_command(text.encode())
        else:
            out += decoder.feed(text.encode() + b"\n")
    assert (decoder.tally.partial, decoder.tally.lost, decoder.tally.bad) == (1, 1, 0)
    assert [item.seq for item in out if isinstance(item, Reading)] == [412, 413, 415]
    assert [item.kind for item in out if isinstance(item, Fault)] == ["gap"]


@pytest.mark.parametrize("example", lines("refused"))
def test_every_refused_line_gives_the_fault_it_names(example):
    kind, line = re.fullmatch(r"(\w+) +(.*)", example).groups()
    with pytest.raises(LineFault) as caught:
        decode(line.encode())
    assert caught.value.kind == kind


# The page's grammar, copied by hand into one pattern a line: a second opinion on what decode accepts.
SAMPLE = r"(?:-|-?[0-9]+(?:\.[0-9]+)?)"
TEXT = r"[!-~]+(?: [!-~]+)*"
STATE = r"[a-z][a-z0-9-]{0,23}"
NAME = r"[a-z][a-z0-9_]{0,15}"
GRAMMAR = {
    "reading": rf"R [0-9]+ [0-9]+(?: {SAMPLE}){{1,8}}",
    "status": rf"S [0-9]+ (?:-|{NAME}) {STATE}(?: {TEXT})?",
    "answer": rf"A (?:\?|{STATE}) (?:ok|error)(?: {TEXT})?",
}
short_bodies = st.one_of(
    [
        st.from_regex(rule, fullmatch=True, alphabet=st.characters(max_codepoint=126))
        for rule in GRAMMAR.values()
    ]
).filter(lambda body: len(body) <= 250)


def is_read(body: str) -> bool:
    data = body.encode("latin-1")
    try:
        decode(data + b" " + check_of(data))
    except LineFault:
        return False
    return True


@given(short_bodies)
def test_every_line_of_the_grammar_is_read(body):
    assert is_read(body)


@given(
    short_bodies, st.integers(0, 250), st.one_of(st.just(""), st.characters(max_codepoint=255)), st.booleans()
)
def test_what_is_not_in_the_grammar_is_not_read(body, place, character, replace):
    place %= len(body)
    changed = body[:place] + character + body[place + replace :]
    allowed = any(re.fullmatch(rule, changed, flags=re.ASCII) for rule in GRAMMAR.values())
    if len(changed) <= 250:
        assert is_read(changed) == allowed


PROGRAM = r"""
#include <stdio.h>
void send_byte(uint8_t byte) { putchar(byte); }
int main(void)
{
    const char *text = "123456789";
    uint16_t sum = 0xFFFF;
    while (*text) sum = check_add(sum, (uint8_t)*text++);
    printf("%04X\n", sum);
    send_reading(0, 0, 0, 0);
    send_reading(65535, 4294967295u, -8388608, 4095);
    send_reading(41, 512500, 8388607, 2047);
    line_begin();
    put_text("S 0 - boot power-on");
    line_end();
    return 0;
}
"""


def test_the_c_on_the_page_compiles_without_a_warning_and_speaks_the_protocol(tmp_path):
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        pytest.skip("no C compiler on this computer")
    source = tmp_path / "sketch.c"
    source.write_text("\n".join(blocks("c")) + PROGRAM, encoding="utf-8")
    program = tmp_path / "sketch"
    built = subprocess.run(
        [compiler, "-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-o", program, source],
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr
    check, *said = subprocess.run([program], capture_output=True, check=True).stdout.splitlines()
    assert check == b"29B1"
    assert [decode(line) for line in said] == [
        Reading(0, 0, (0, 0)),
        Reading(65535, 4294967295, (-8388608, 4095)),
        Reading(41, 512500, (8388607, 2047)),
        Status(0, None, "boot", "power-on"),
    ]


def test_links_between_the_pages_lead_somewhere():
    for page in NOTES.glob("*.md"):
        for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
            assert (NOTES / target).exists(), f"{page.name} links to {target}"
