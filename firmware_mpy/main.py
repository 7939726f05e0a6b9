"""The switch: which set of modules this start runs.

The file ``set`` names the folder of the set; where there is none the modules lie beside this file. To put another set
in place is one rename of ``set``, so that a start runs one set or the other and never a mix. A ``config.json`` in the
folder of that set came with it, and is put in place now: so new settings and new modules come by the same rename.

``NEW OLD`` in ``set`` puts NEW on trial, once: before it runs, ``set`` is made to name OLD for the next start. NEW
names itself there when it has taken its first tick (``pitlogger/trial.py``). So whatever becomes of it before that, it
does not load, it hangs, the power goes: the next start runs OLD again. ``.`` for OLD are the modules beside this file.

That is all this file knows: sets of other versions are started by it too, so ``pitlogger.start.main()`` is its bargain
with every one of them, and ``pitlogger.trial.begin(NEW, OLD)`` with one on trial. It has no functions, because what it
has stays in memory while the logger runs.
"""

import os
import sys

names = []
try:
    with open("set") as f:
        names = f.read().split()
    if len(names) > 1:
        with open("set.new", "w") as f:
            f.write(names[1])
        os.rename("set.new", "set")
except OSError:
    names = names[-1:]  # there is no such file; or it does not take the way back, and then that is not left
if len(names) > 1:
    import machine

    try:
        sys.path.insert(0, names[0])
        from pitlogger.trial import begin

        begin(names[0], names[1])
    except Exception as error:
        sys.print_exception(error)
    machine.reset()
if names:
    sys.path.insert(0, names[0])
    try:
        os.rename(names[0] + "/config.json", "config.json")
    except OSError:
        pass  # it came with none, or that has long been in place

from pitlogger.start import main  # noqa: E402 - from the set

main()
