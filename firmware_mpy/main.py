"""The switch: which set of modules this start runs.

The file ``set`` names the folder of the set; where there is none the modules lie beside this file. To put another set
in place is one rename of ``set``, so that a start runs one set or the other and never a mix. A ``config.json`` in the
folder of that set came with it, and is put in place now: so new settings and new modules come by the same rename.

``NEW OLD`` in ``set`` puts NEW on trial, once: before it runs, ``set`` is made to name OLD for the next start. NEW
names itself there when it has taken its first tick (``pitlogger/trial.py``). So whatever becomes of it before that, it
does not load, it hangs, the power goes: the next start runs OLD again. ``.`` for OLD are the modules beside this file.

That is all this file knows: sets of other versions are started by it too, so ``pitlogger.start.main()`` is its bargain
with every one of them, and ``main(folder)`` with one that is on trial.
"""

import os
import sys

TRIAL_MS = 90000  # for the first tick: the longest period there is, and half a minute to start
timer = None  # of the trial: held, for one that is collected does not ring


def named():
    """Return the names in ``set``."""
    try:
        with open("set") as f:
            return f.read().split()
    except OSError:
        return []


def put(path, text):
    """Make ``text`` the content of a file, by a rename."""
    with open(path + ".new", "w") as f:
        f.write(text)
    os.rename(path + ".new", path)


def stays(folder):
    """Return what runs the set in ``folder``, or the modules beside this file where that is empty."""
    if folder:
        sys.path.insert(0, folder)
        try:
            os.rename(folder + "/config.json", "config.json")
        except OSError:
            pass  # it came with none, or that has long been in place
    from pitlogger.start import main

    return main


def on_trial(new, old):
    """Return what runs ``new``, and resets the board where that ends or has taken no tick in time."""
    global timer
    import machine

    def end(why):
        try:
            put("reason", "soft %s: %r" % (new, why))
        finally:
            machine.reset()

    def look(_):
        if named() == [old]:
            end("no tick in time")

    def run():
        sys.path.insert(0, new)
        try:
            from pitlogger.start import main

            main(new)
        except Exception as error:
            try:
                sys.print_exception(error)
            finally:
                end(error)

    put("set", old)
    timer = machine.Timer(-1, mode=machine.Timer.ONE_SHOT, period=TRIAL_MS, callback=look)
    return run


def chosen(names):
    """Return what this start runs."""
    if len(names) > 1:
        try:
            return on_trial(names[0], names[1])
        except Exception as error:  # the flash did not take the way back, or there is no timer: so it is not left
            sys.print_exception(error)
    return stays(names[-1] if names else "")


main = chosen(named())

main()
