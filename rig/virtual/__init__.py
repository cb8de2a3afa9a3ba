"""The simulated bench: invented blanks, a hand, sensors, and a board whose bytes come through a real port."""

from rig.virtual.bench import Bench, Task
from rig.virtual.blanks import Blank, example_blanks, load_blanks, parse_blanks
from rig.virtual.firmware import Firmware
from rig.virtual.gear import Gear
from rig.virtual.hand import Flex, Roll, Step, Still
from rig.virtual.physics import Truth
from rig.virtual.trouble import Trouble
from rig.virtual.virtual_rig import VirtualRig

__all__ = [
    "Bench",
    "Blank",
    "Firmware",
    "Flex",
    "Gear",
    "Roll",
    "Step",
    "Still",
    "Task",
    "Trouble",
    "Truth",
    "VirtualRig",
    "example_blanks",
    "load_blanks",
    "parse_blanks",
]
