"""Follow docs/INSTALL.md on a clean Debian: each command as it stands there, its output against what the guide says.

Run as root: .venv/bin/python tests/install/follow.py WORK_FOLDER [trixie|bookworm]

What is installed is the last commit of this clone. The machine has 192.168.1.10 and is called `pit`; only ADDRESS has
to be put in. Prints a line a step, and at the end how many were run, how many printed what they should, and what was
not run and why. Ends with status 1 if a step failed.
"""

import sys
import time
from pathlib import Path

from guide import GUIDE, ROOT, Step, printed_as, steps_of
from machine import Done, Machine, clean_root, image_of

SOURCE = "/srv/pitscribe.git"
MOST_S = 3600.0
REFUSED = "Not authorized"  # what the guide shows of commands that should fail


def is_well(step: Step, done: Done) -> bool:
    """Whether a step did what the guide says."""
    refused = any(REFUSED in line for line in step.expected)
    return printed_as(step.expected, done.text) and (done.status == 0 or refused)


def follow(machine: Machine, steps: list[Step]) -> int:
    """Do all steps in their order; return how many did not do what the guide says."""
    ran = failed = 0
    for step in steps:
        first = step.command.splitlines()[0]
        if why := step.why_not():
            print(f"line {step.line:3}  not run, {why}: {first}", flush=True)
            continue
        begun = time.monotonic()
        done = machine.run(step.command.replace("ADDRESS", SOURCE), MOST_S)
        ran += 1
        well = is_well(step, done)
        took = time.monotonic() - begun
        print(f"line {step.line:3}  {'well' if well else 'NOT WELL'} {took:6.1f} s  {first}", flush=True)
        if not well:
            failed += 1
            print(f"    status {done.status}; it printed:\n{done.text}    and the guide says:")
            print(*step.expected, sep="\n", flush=True)
    print(f"{len(steps)} steps: {ran} run, {ran - failed} of them as the guide says, {len(steps) - ran} not run")
    return failed


def main() -> int:
    folder = Path(sys.argv[1]).resolve()
    root = clean_root(folder, sys.argv[2] if len(sys.argv) > 2 else "trixie")
    disk = image_of(root, ROOT, folder / "machine")
    with Machine(root, disk, folder / "machine") as machine:
        print(machine.run(". /etc/os-release; echo $PRETTY_NAME, $(systemctl --version | head -n 1)").text, end="")
        return 1 if follow(machine, steps_of(GUIDE.read_text(encoding="utf-8"))) else 0


if __name__ == "__main__":
    sys.exit(main())
