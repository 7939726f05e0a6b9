"""The netlist of a build, made from the pin map, and what is wrong with it by the usual electrical rules.

A build is which chip is on each channel and which of the things that a logger works without it has.
"""

from collections import Counter
from dataclasses import dataclass

from pinmap import THINGS, Part, PinMap, board_pads

_SOURCES = ("power-out", "power-or")
_HOLDS = ("output", "tristate", "pull-up", "pull-down", *_SOURCES)  # what gives an input a level


@dataclass(frozen=True, slots=True)
class End:
    """One end of a net: a pad of a part, and what it is electrically."""

    ref: str
    pad: str
    kind: str


@dataclass(frozen=True, slots=True)
class Build:
    """Which chip is on each channel, and which things there are besides."""

    chips: tuple[str, ...]
    things: tuple[str, ...] = THINGS

    @classmethod
    def standard(cls, pinmap: PinMap, things: tuple[str, ...] = THINGS) -> "Build":
        """The build that the pin map names first."""
        return cls(tuple(may[0] for _, may in pinmap.channels), things)


Nets = dict[str, list[End]]


def parts_of(pinmap: PinMap, build: Build) -> list[tuple[Part, str, int | None]]:
    """(part, reference, channel or None) of everything in a build; what is one a channel stands there for each."""
    found: list[tuple[Part, str, int | None]] = []
    for part in pinmap.parts:
        if part.thing and part.thing not in build.things:
            continue
        if not part.each:
            found.append((part, part.ref, None))
            continue
        found += [(part, part.ref.format(c=c), c) for c, chip in enumerate(build.chips) if part.chip in ("", chip)]
    return found


def nets_of(pinmap: PinMap, build: Build) -> Nets:
    """Return every net with its ends, the board's first."""
    nets: Nets = {}
    ref = pinmap.parts[0].ref
    for use in pinmap.uses():
        if use.thing in ("", *build.things) and (not use.chip or use.chip in build.chips):
            pad = f"{pinmap.pin_of(use.gp).n} GP{use.gp}"
            nets.setdefault(use.net, []).append(End(ref, pad, use.kind))
    for pad, kind, net in board_pads(pinmap):
        if net != "VSYS" or {"supply", "battery"} & set(build.things):
            nets.setdefault(net, []).append(End(ref, pad, kind))
    for part, name, channel in parts_of(pinmap, build):
        for pad, kind, net in part.pads:
            nets.setdefault(net.format(c=channel), []).append(End(name, pad, kind))
    return nets


def complaints(nets: Nets) -> list[str]:
    """What breaks the rules: loose ends, two drivers, inputs that nothing drives, supplies and grounds that lack
    something, selects that are shared, a data line that is shared without a select each."""
    wrong = []
    for net, ends in nets.items():
        kinds = Counter(end.kind for end in ends)
        wrong += [f"{net}: {text}" for text in (*_of_count(ends), *_of_drivers(kinds), *_of_levels(kinds))]
        wrong += [f"{net}: {pad} is on it twice" for pad, n in Counter((e.ref, e.pad) for e in ends).items() if n > 1]
    return wrong + _of_pads(nets) + _of_selects(nets) + _of_grounds(nets)


def _of_count(ends: list[End]) -> list[str]:
    return [] if len(ends) > 1 else [f"has one end, {ends[0].ref} {ends[0].pad}"]


def _of_drivers(kinds: Counter[str]) -> list[str]:
    wrong = []
    if kinds["output"] + kinds["power-out"] > 1:
        wrong.append("has more than one driver")
    if kinds["output"] + kinds["power-out"] and kinds["tristate"] + kinds["power-or"]:
        wrong.append("has a driver beside others that share")
    if kinds["ground"] and kinds["output"] + kinds["tristate"] + sum(kinds[kind] for kind in _SOURCES):
        wrong.append("is ground and driven")
    return wrong


def _of_levels(kinds: Counter[str]) -> list[str]:
    wrong = []
    if kinds["power-in"] and not sum(kinds[kind] for kind in _SOURCES):
        wrong.append("feeds a supply pin and has no source")
    if kinds["input"] and not sum(kinds[kind] for kind in _HOLDS):
        wrong.append("is an input that nothing drives")
    if kinds["open-drain"] and not kinds["pull-up"]:
        wrong.append("has no pull-up")
    return wrong


def _of_pads(nets: Nets) -> list[str]:
    on: dict[tuple[str, str], set[str]] = {}
    for net, ends in nets.items():
        for end in ends:
            on.setdefault((end.ref, end.pad), set()).add(net)
    return [f"{ref} {pad}: on several nets: {', '.join(sorted(names))}" for (ref, pad), names in on.items()
            if len(names) > 1]


def _of_selects(nets: Nets) -> list[str]:
    """Every part that may drive a shared line has a select of its own, driven by one output."""
    wrong = []
    selects: dict[str, str] = {}
    for net, ends in nets.items():
        for end in ends:
            if end.pad == "CS":
                selects[end.ref] = net
    shared = Counter(selects.values())
    wrong += [f"{net}: selects {n} chips" for net, n in shared.items() if n > 1]
    for ends in nets.values():
        wrong += [f"{end.ref}: drives a shared line and has no select" for end in ends
                  if end.kind == "tristate" and end.ref not in selects]
    wrong += [f"{net}: no output drives it" for net in shared if not any(e.kind == "output" for e in nets[net])]
    return wrong


def _of_grounds(nets: Nets) -> list[str]:
    grounded = {end.ref for end in nets.get("GND", [])}
    fed = {end.ref for ends in nets.values() for end in ends if end.kind == "power-in"}
    return [f"{ref}: has a supply and no ground" for ref in sorted(fed - grounded)]


def as_csv(nets: Nets) -> str:
    """The netlist as a table: net, part, pad, what the pad is electrically."""
    rows = ["net,part,pad,kind"]
    rows += [f"{net},{end.ref},{end.pad},{end.kind}" for net, ends in sorted(nets.items()) for end in ends]
    return "\n".join(rows) + "\n"
