"""Reading an install guide: its commands with what they should print, out of its blocks."""

import re
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "docs" / "INSTALL.md"

# What is not run, by how the command begins; every other one is.
NOT_RUN = {
    "sudo nmcli ": "there is no Wi-Fi radio",
}
# What only the emulated computer can do (machine.py).
NOT_IN_A_CONTAINER = {
    "grep -o memory ": "whether memory is counted is this machine's business",
    "sudo date --set ": "a container has no clock of its own",
    "sudo journalctl --unit=pitscribe --output=cat --no-pager --lines=6": "the clock is this machine's, and may be set",
}


class Step(NamedTuple):
    """A command of the guide: where it stands, what is typed (several lines, if so), and what it should print."""

    line: int
    command: str
    expected: tuple[str, ...]

    def why_not(self, *, container: bool = False) -> str | None:
        """Why it is not run, None if it is."""
        reasons = {**NOT_RUN, **(NOT_IN_A_CONTAINER if container else {})}
        return next((why for begin, why in reasons.items() if self.command.startswith(begin)), None)


def steps_of(text: str) -> list[Step]:
    """The steps of a guide, in its order: in a block without a language, what begins with ``$``."""
    found: list[Step] = []
    lines = iter(enumerate(text.splitlines(), 1))
    for _, line in lines:
        if line.startswith("```"):
            block = []
            for number, inner in lines:
                if inner == "```":
                    break
                block.append((number, inner))
            if line == "```":
                found += _of_block(block)
    return found


def _of_block(block: list[tuple[int, str]]) -> list[Step]:
    found: list[Step] = []
    rest = list(block)
    while rest:
        number, line = rest.pop(0)
        if not line.startswith("$ "):
            raise ValueError(f"line {number}: {line!r} belongs to no command")
        typed = [line[2:]]
        while typed[-1].endswith("\\"):
            typed.append(rest.pop(0)[1])
        if here := re.search(r"<<'?(\w+)'?$", typed[-1]):
            while typed[-1] != here[1]:
                typed.append(rest.pop(0)[1])
        expected = []
        while rest and not rest[0][1].startswith("$ "):
            expected.append(rest.pop(0)[1])
        found.append(Step(number, "\n".join(typed), tuple(expected)))
    return found


def printed_as(expected: tuple[str, ...], printed: str) -> bool:
    """Whether something printed is what the guide says: ``...`` any lines, an ellipsis any text in a line."""
    pattern = ""
    for line in expected:
        if line == "...":
            pattern += r"(?:.*\n)*?"
        else:
            pattern += ".*".join(re.escape(part) for part in line.split("…")) + r"\n"
    tidy = "".join(f"{line.rstrip()}\n" for line in printed.splitlines())
    return re.fullmatch(rf"\n*{pattern}\n*", tidy) is not None
