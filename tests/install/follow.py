"""Follow docs/INSTALL.md on a clean Debian: each command as it stands there, its output against what the guide says.

Run as root: .venv/bin/python tests/install/follow.py WORK_FOLDER [--emulated] [trixie|bookworm]

What is installed is the last commit of this clone. Only ADDRESS has to be put in. Prints a line a step, and at the end
how many were run and how many of them printed what they should. Ends with status 1 if one did not. In a container, or
with --emulated in a computer that can do a little more (machine.py).
"""

import re
import sys
import time
from pathlib import Path

from guide import GUIDE, ROOT, Step, printed_as, steps_of
from machine import ADDRESS, Done, Shell, clean_root, computer, container, tree_of

SOURCE = "/srv/pitscribe.git"
MOST_S = 3600.0
# What the unit promises besides, tried before it is taken away. A process that is stopped answers no signal but the
# last one: 60 s until the watchdog misses it, 60 more until it is killed, 30 to the next start.
CABLE_OUT = "for card in $(ip -o link | cut -d: -f2 | grep -vx ' lo'); do sudo ip link set $card down; done"
PID = "$(systemctl show --property=MainPID --value pitscribe)"
PROMISES = (
    ("it is started again when it was killed", f"sudo kill -KILL {PID}; sleep 60; systemctl is-active pitscribe"),
    ("it is started again when it hangs", f"sudo kill -STOP {PID}; sleep 210; systemctl is-active pitscribe"),
    ("both were the manager's", "test $(systemctl show --property=NRestarts --value pitscribe) = 2 && echo active"),
    ("what it keeps is its own", "test $(sudo stat -c %a%U /var/lib/pitscribe) = 700pitscribe && echo active"),
    ("it starts without a network", f"{CABLE_OUT}; sudo systemctl restart pitscribe; systemctl is-active pitscribe"),
)
# What the phone does with the one-time link: sets a password, and comes in; nobody else does.
PAGE = f"http://{ADDRESS}:8421"
PHONE = (
    "curl --silent --fail --output /dev/null --cookie-jar /tmp/jar --header 'Content-Type: application/json' "
    f"--header 'Origin: {PAGE}' --data '{{\"word\": \"WORD\", \"password\": \"oak and patience\"}}' "
    f"{PAGE}/api/first && "
    f"curl --silent --fail --output /dev/null --cookie /tmp/jar {PAGE}/api/cooks && "
    f"! curl --silent --fail --output /dev/null {PAGE}/api/cooks && echo active"
)
REFUSED = "Not authorized"  # what the guide shows of commands that should fail


def is_well(step: Step, done: Done) -> bool:
    """Whether a step did what the guide says."""
    refused = any(REFUSED in line for line in step.expected)
    return printed_as(step.expected, done.text) and (done.status == 0 or refused)


def kept(shell: Shell, what: str, line: str) -> bool:
    """Whether the service does what its unit promises."""
    done = shell.run(line, MOST_S)
    print(f"beside it {'well' if done.text == 'active' + chr(10) else f'NOT WELL ({done.text!r})'}: {what}", flush=True)
    return done.text == "active\n"


def follow(shell: Shell, steps: list[Step], *, container: bool) -> int:
    """Do all steps in their order; return how many did not do what the guide says."""
    ran = failed = broken = 0
    for step in steps:
        first = step.command.splitlines()[0]
        if first.startswith("sudo systemctl disable"):
            broken += sum(not kept(shell, *promise) for promise in PROMISES)
        if why := step.why_not(container=container):
            print(f"line {step.line:3}  not run, {why}: {first}", flush=True)
            continue
        begun = time.monotonic()
        done = shell.run(step.command.replace("ADDRESS", SOURCE), MOST_S)
        took = time.monotonic() - begun
        ran += 1
        if word := re.search(r"/first#(\S+)", done.text):
            broken += not kept(shell, "the link sets a password, which lets in", PHONE.replace("WORD", word[1]))
        well = is_well(step, done)
        print(f"line {step.line:3}  {'well' if well else 'NOT WELL'} {took:6.1f} s  {first}", flush=True)
        if not well:
            failed += 1
            print(f"    status {done.status}; it printed:\n{done.text}    and the guide says:")
            print(*step.expected, sep="\n", flush=True)
    print(f"{len(steps)} steps: {ran} run, {ran - failed} of them as the guide says, {len(steps) - ran} not run")
    return failed + broken


def main() -> int:
    emulated = "--emulated" in sys.argv
    folder, *release = (word for word in sys.argv[1:] if not word.startswith("--"))
    root = clean_root(Path(folder).resolve(), release[0] if release else "trixie")
    work = Path(folder).resolve() / ("computer" if emulated else "container")
    tree = tree_of(root, ROOT, work)
    with computer(root, tree, work) if emulated else container(tree, work) as shell:
        print(shell.run(". /etc/os-release; echo $PRETTY_NAME, $(systemctl --version | head -n 1)").text, end="")
        return 1 if follow(shell, steps_of(GUIDE.read_text(encoding="utf-8")), container=not emulated) else 0


if __name__ == "__main__":
    sys.exit(main())
