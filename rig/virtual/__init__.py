"""The simulated bench: invented blanks, a hand, sensors, and a board whose bytes come through a real port."""

from rig.virtual.bench import Bench, Task, Truth
from rig.virtual.blanks import Blank, example_blanks, load_blanks, parse_blanks
from rig.virtual.gear import Gear
from rig.virtual.hand import Flex, Roll, Step, Still

__all__ = [
    "Bench",
    "Blank",
    "Flex",
    "Gear",
    "Roll",
    "Step",
    "Still",
    "Task",
    "Truth",
    "example_blanks",
    "load_blanks",
    "parse_blanks",
]
