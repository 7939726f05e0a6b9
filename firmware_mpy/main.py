"""The switch: which set of modules this start runs.

The file ``set`` names the folder of the set; where there is none the modules lie beside this file. To put another set
in place is one rename of ``set``, so that a start runs one set or the other and never a mix. That is all this file
knows: sets of other versions are started by it too, so ``pitlogger.start.main`` is its bargain with every one of them.
"""

import sys

try:
    with open("set") as f:
        sys.path.insert(0, f.read().strip())
except OSError:
    pass

from pitlogger.start import main  # noqa: E402 - from the set

main()
