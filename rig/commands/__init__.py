"""The command line `blankbench`."""

from rig.commands.app import main

__all__ = ["main"]
