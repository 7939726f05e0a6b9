"""The netlist: sound for every build, and each rule sees what breaks it."""

import copy
import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import netlist
import pinmap
from netlist import Build, End

MAP = pinmap.load()
SUBSETS = [c for k in range(len(pinmap.THINGS) + 1) for c in itertools.combinations(pinmap.THINGS, k)]
FULL = netlist.nets_of(MAP, Build.standard(MAP))


@settings(max_examples=100, deadline=None)
@given(st.tuples(*[st.sampled_from(may) for _, may in MAP.channels]), st.sampled_from(SUBSETS))
def test_every_build_is_sound(chips, things):
    nets = netlist.nets_of(MAP, Build(chips, things))
    assert netlist.complaints(nets) == []
    assert ("SPI0_MOSI" in nets) == ("max31856" in chips)


def test_every_amplifier_shares_clock_and_data_and_has_a_select_supply_and_ground_of_its_own_pin():
    for c, cs in enumerate(MAP.selects):
        pad = f"{MAP.pin_of(cs).n} GP{cs}"
        assert FULL[f"CS{c}"] == [End("U1", pad, "output"), End(f"A{c}", "CS", "input")]
        for net, pad in (("SPI0_SCK", "SCK"), ("SPI0_MISO", "SO"), ("3V3", "VCC"), ("GND", "GND")):
            assert any(end.ref == f"A{c}" and end.pad == pad for end in FULL[net])


def moved(ref: str, pad: str, to: str | None, kind: str | None = None) -> netlist.Nets:
    """The full netlist with one end elsewhere: on another net, or on none."""
    nets = copy.deepcopy(FULL)
    for ends in nets.values():
        for end in [e for e in ends if (e.ref, e.pad) == (ref, pad)]:
            ends.remove(end)
            if to is not None:
                nets.setdefault(to, []).append(End(ref, pad, kind or end.kind))
            return nets
    raise AssertionError(f"no {ref} {pad}")


@pytest.mark.parametrize(("nets", "complaint"), [
    (moved("A2", "GND", None), "A2: has a supply and no ground"),
    (moved("A2", "CS", "CS1"), "CS1: selects 2 chips"),
    (moved("A2", "CS", None), "A2: drives a shared line and has no select"),
    (moved("U1", "36 3V3", None), "3V3: feeds a supply pin and has no source"),
    (moved("A0", "SO", "SPI0_SCK"), "SPI0_SCK: has a driver beside others that share"),
    (moved("R1", "1", None), "I2C0_SDA: has no pull-up"),
    (moved("U1", "24 GP18", None), "SPI0_SCK: is an input that nothing drives"),
    (moved("U1", "22 GP17", "SPI0_SCK"), "SPI0_SCK: has more than one driver"),
    (moved("C1", "1", "ELSEWHERE"), "ELSEWHERE: has one end, C1 1"),
    (moved("D1", "K", "GND"), "GND: is ground and driven"),
    (moved("U1", "22 GP17", None), "CS0: no output drives it"),
])
def test_each_rule_sees_what_breaks_it(nets, complaint):
    assert complaint in netlist.complaints(nets)


def test_a_pad_on_two_nets_is_seen():
    nets = copy.deepcopy(FULL)
    nets["GND"].append(End("A0", "VCC", "power-in"))
    assert "A0 VCC: on several nets: 3V3, GND" in netlist.complaints(nets)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([(e.ref, e.pad) for ends in FULL.values() for e in ends]))
def test_no_end_can_come_loose_unseen(end):
    assert netlist.complaints(moved(*end, "LOOSE"))


def test_the_table_has_every_end_once():
    lines = netlist.as_csv(FULL).splitlines()
    assert lines[0] == "net,part,pad,kind"
    said = [tuple(line.split(",")) for line in lines[1:]]
    assert sorted(said) == sorted((net, e.ref, e.pad, e.kind) for net, ends in FULL.items() for e in ends)
    assert len(set(said)) == len(said)
