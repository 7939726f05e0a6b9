"""Schematic, wiring picture and tables: made of the pin map, the same as the netlist, and not out of date."""

import copy
import re
import tomllib
import xml.etree.ElementTree as ET
from collections import Counter
from itertools import pairwise

import pytest

import draw
import netlist
import pinmap
import schematic
import wiring
from netlist import Build

MAP = pinmap.load()
BUILD = Build.standard(MAP)
MIXED = Build(("max31855",) * 4 + ("max31856",) * 2)
SVG = "{http://www.w3.org/2000/svg}"


def ends(build: Build) -> dict[str, set[tuple[str, str]]]:
    return {net: {(e.ref, e.pad) for e in found} for net, found in netlist.nets_of(MAP, build).items()}


def words(svg: str) -> Counter[str]:
    """Every line of text in a drawing, as often as it is there."""
    root = ET.fromstring(svg)
    found: Counter[str] = Counter()
    for text in root.iter(f"{SVG}text"):
        lines = [line for line in text.itertext() if line.strip()]
        found.update(line.strip() for line in lines)
    return found


def drawn(svg: str) -> dict[str, set[tuple[str, str]]]:
    """The ends that the wiring picture joins, by net."""
    found: dict[str, set[tuple[str, str]]] = {}
    for wire in ET.fromstring(svg).iter(f"{SVG}g"):
        if wire.get("class") == "wire":
            said = [tuple(end.split(": ")) for end in wire.get("data-ends").split("; ")]
            found.setdefault(wire.get("data-net"), set()).update(said)
    return found


def runs(svg: str) -> list[tuple[str, float, float, float]]:
    """(net, y, from x, to x) of every level piece of wire."""
    found = []
    for wire in ET.fromstring(svg).iter(f"{SVG}g"):
        for line in wire.iter(f"{SVG}polyline"):
            points = [tuple(map(float, p.split(","))) for p in line.get("points").split()]
            found += [(wire.get("data-net"), a[1], min(a[0], b[0]), max(a[0], b[0])) for a, b in pairwise(points)
                      if a[1] == b[1] and a[0] != b[0]]
    return found


def test_what_is_checked_in_is_what_the_pin_map_makes():
    """If it fails: .venv/bin/python hardware/draw.py, and look at the drawings."""
    assert draw.stale(MAP) == []


def test_another_pin_makes_every_drawing_and_table_out_of_date():
    given = tomllib.loads(pinmap.FILE.read_text(encoding="utf-8"))
    other = copy.deepcopy(given)
    other["channel"][1]["cs"] = 7
    assert draw.stale(pinmap.read(other)) == [
        "schematic.svg", "wiring.svg", "netlist.csv", "BUILD.md", "schematic.pdf", "wiring.pdf"]
    other = copy.deepcopy(given)
    other["part"][0]["rating"] = "another"
    assert draw.stale(pinmap.read(other)) == ["BUILD.md"]


@pytest.mark.parametrize("build", [BUILD, MIXED, Build(BUILD.chips, ())], ids=["all", "mixed chips", "no things"])
def test_the_schematic_names_the_net_of_every_pad_and_no_other(build):
    said = words(schematic.draw(MAP, build))
    for net, found in ends(build).items():
        pads = sum(pad == net for every in ends(build).values() for _, pad in every)  # GND is a pad's name as well
        assert said[net] == len(found) + pads, net
    parts = {ref for found in ends(build).values() for ref, _ in found}
    named = {word.split()[0] for word in said}
    assert parts <= named
    assert not {f"TC{c}+" for c in range(6, 9)} & named


@pytest.mark.parametrize("build", [BUILD, MIXED, Build(BUILD.chips, ())], ids=["all", "mixed chips", "no things"])
def test_the_wiring_picture_joins_what_the_netlist_joins(build):
    """Left out: what a bought module has on it (C0b to C5b, R1, R2), and the board's ground pins but one a side."""
    found = drawn(wiring.draw(MAP, build))
    left_out = re.compile(r"C\db|R1|R2")
    for net, wanted in ends(build).items():
        wanted = {(ref, pad) for ref, pad in wanted if not left_out.fullmatch(ref)}
        if net == "GND":
            assert {end for end in found[net] if end[0] != "U1"} == {end for end in wanted if end[0] != "U1"}
            assert found[net] <= wanted
            assert len(found[net] - {end for end in wanted if end[0] != "U1"}) == (2 if build.things else 1)
        elif len(wanted) > 1:
            assert found[net] == wanted, net
    assert set(found) <= set(ends(build))


@pytest.mark.parametrize("build", [BUILD, MIXED], ids=["all", "mixed chips"])
def test_no_two_wires_of_the_picture_lie_on_each_other(build):
    level = runs(wiring.draw(MAP, build))
    for i, (net, y, left, right) in enumerate(level):
        for other, y2, left2, right2 in level[i + 1 :]:
            if net != other and abs(y - y2) < 4:
                assert min(right, right2) - max(left, left2) <= 0, f"{net} and {other} at {y}"


def test_each_pdf_carries_the_mark_of_the_drawing_that_it_was_printed_from():
    for name in ("schematic", "wiring"):
        data = (draw.HERE / f"{name}.pdf").read_bytes()
        assert data.startswith(b"%PDF-")
        assert data.count(b"/Type /Page\n") == 1
        assert draw.mark_of((draw.HERE / f"{name}.svg").read_text(encoding="utf-8")).encode() in data


def test_the_guide_has_every_part_with_two_choices_and_names_every_setting():
    guide = (draw.HERE / "BUILD.md").read_text(encoding="utf-8")
    for part in MAP.parts:
        assert part.what in guide
        for choice in part.choices:
            assert choice in guide
    for gp in (use.gp for use in MAP.uses()):
        pin = MAP.pin_of(gp)
        assert f"| {pin.n} | {pin.name} |" in guide
