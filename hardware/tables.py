"""Tables made of the pin map: parts, header pins, wires, settings."""

import json
from typing import Any

from netlist import Build, nets_of, parts_of
from pinmap import Part, PinMap

_FOR = {"screen": "with the screen", "buzzer": "with the sounder", "buttons": "with the buttons",
        "supply": "with the supply measured", "battery": "with the battery"}


def parts(pinmap: PinMap) -> str:
    """The parts list: how many, of what rating, what to ask for, by what they are needed for."""
    build = Build.standard(pinmap)
    counts: dict[int, int] = {}
    for part, _, _ in parts_of(pinmap, build):
        counts[id(part)] = counts.get(id(part), 0) + 1
    rows = ["| ref | how many | what | rating | choices (any maker's) |", "| --- | --- | --- | --- | --- |"]
    rows += [_row(part, counts.get(id(part), 0), len(build.chips)) for part in pinmap.parts]
    return "\n".join(rows) + "\n"


def _row(part: Part, count: int, channels: int) -> str:
    if part.each and part.ref != "-":
        ref = f"{part.ref.format(c=0)} to {part.ref.format(c=channels - 1)}"
    else:
        ref = "" if part.ref == "-" else part.ref
    many = str(count) if count else "instead of any of those above"
    what = part.what + (f" ({_FOR[part.thing]})" if part.thing else "")
    choices = "; or ".join(part.choices) + (f". Note: {part.note}" if part.note else "")
    return f"| {ref} | {many} | {what} | {part.rating} | {choices} |"


def pins(pinmap: PinMap) -> str:
    """Every header pin that is used: its number, its name, its net and what it goes to. Ground has one row."""
    nets = nets_of(pinmap, Build.standard(pinmap))
    ref = pinmap.parts[0].ref
    mosi = pinmap.pin_of(pinmap.spi["mosi"])
    found = [(mosi.n, mosi.name, "SPI0_MOSI", "SDI of each MAX31856; not wired without one")]
    for net, ends in nets.items():
        goes = ", ".join(f"{end.ref} {end.pad}" for end in ends if end.ref != ref and not _on_module(end.ref))
        mine = [end.pad.split() for end in ends if end.ref == ref]
        found += [(int(n), name, net, goes) for n, name in mine if net != "GND"]
    grounds = ", ".join(end.pad.split()[0] for end in nets["GND"] if end.ref == ref)
    rows = ["| header pin | name | net | goes to |", "| --- | --- | --- | --- |"]
    rows += [f"| {n} | {name} | {net} | {goes} |" for n, name, net, goes in sorted(found)]
    rows.append(f"| {grounds} | GND | GND | every GND pad; one of them on each side is enough, the board joins them |")
    spare = ", ".join(pin.name for pin in pinmap.spare())
    return "\n".join(rows) + f"\n\nSpare: {spare}.\n"


def _on_module(ref: str) -> bool:
    return ref.startswith("C") and ref.endswith("b")


def settings(pinmap: PinMap) -> str:
    """What ``config.json`` must say for the build with everything, as JSON."""
    return f"```json\n{_json(pinmap.settings())}\n```\n"


def _json(values: dict[str, Any]) -> str:
    lines = []
    for key, value in values.items():
        if key == "channels":
            inner = ",\n    ".join(json.dumps(one) for one in value)
            lines.append(f'  "channels": [\n    {inner}\n  ]')
        else:
            lines.append(f'  "{key}": {json.dumps(value)}')
    return "{\n" + ",\n".join(lines) + "\n}"
