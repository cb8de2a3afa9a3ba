"""``python -m rig`` is the command line."""

import sys

from rig.commands import main

if __name__ == "__main__":
    sys.exit(main())
