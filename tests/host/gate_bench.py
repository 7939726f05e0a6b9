"""The bench's chips and drawn ones, and all of the gate's rules over what they said: for the tests of the flags."""

from dataclasses import replace

import numpy as np

from pitscribe.metrology import its90
from pitscribe.metrology.chain import correct
from pitscribe.metrology.chips import chip_of, code_from_emf, split_max31855, split_max31856
from pitscribe.metrology.flags import Flag
from pitscribe.metrology.minutes import Samples, Summary
from pitscribe.metrology.together import Trace, judge
from pitscribe.metrology.uncertainty import Setup
from pitscribe.simulate.chips import Fault
from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.simulate.world import World

CR0_AUTO_DETECT = 0x90
CR1 = {("max31856", "K"): 3, ("max31856", "T"): 7, ("max31856-gain8", "T"): 8}
SINGLE = [flag for flag in Flag if flag.value.bit_count() == 1]


def make_world(name, seed, hours, faults=None):
    """A bench world that has run so long, with faults in place of the scenario's own if some are given."""
    scenario = SCENARIOS[name]
    world = World(scenario if faults is None else replace(scenario, faults=tuple(faults)), seed)
    world.run_to(3600 * hours)
    return world


def utc(world, seconds):
    """UTC of a second of the world."""
    return world.scenario.utc0_ms / 1000 + seconds


def read_chip(world, placement, seconds):
    """hot, cold, fault (n,) of a chip, read through its registers at some seconds of the world."""
    chip = world.chips[placement.cs]
    if placement.chip == "max31855":
        rows = [split_max31855(int.from_bytes(chip.transfer(b"", 4, 1000 * t), "big")) for t in seconds.tolist()]
    else:
        chip.transfer(bytes((0x80, CR0_AUTO_DETECT, CR1[placement.chip, placement.tc])), 0, 0)
        rows = [split_max31856(chip.transfer(b"\x0a", 6, 1000 * t)) for t in seconds.tolist()]
    return np.array(rows, np.int32).T.copy()


def samples_of(world, hours, first_s=5, period=1):
    """(Setup, place, Samples) of each placement, every so many seconds."""
    seconds = np.arange(first_s, int(3600 * hours), period)
    out = []
    for p in world.scenario.placements:
        hot, cold, fault = read_chip(world, p, seconds)
        setup = Setup(p.chip, p.tc, p.tc, p.probe.grade, p.kind, None)
        t = utc(world, seconds.astype(np.float64))
        done = correct(p.chip, p.tc, hot, cold, fault, t=t, kind=p.kind, tolerance=p.probe.grade)
        out.append((setup, p.place, Samples(t, done.celsius, done.flags, hot, cold)))
    return out


def as_trace(setup, place, samples, pieces=1, placement=None):
    """A trace that was summed up in so many pieces; of the same placement as others of its place, if none is given."""
    summary = Summary(setup)
    for rows in np.array_split(np.arange(samples.t.size), pieces):
        summary.extend(Samples(*(column[rows] for column in samples)))
    return Trace(place, 1, hash(place) if placement is None else placement, setup, samples.flags, summary)


def judged(world, hours, notes=(), period=1, **rename):
    """Place -> (Samples, flags) after all rules; ``rename``: place, _ for a blank -> (place, kind) it is said to be."""
    parts = []
    for setup, place, samples in samples_of(world, hours, period=period):
        place, kind = rename.get(place.replace(" ", "_"), (place, setup.kind))
        parts.append((replace(setup, kind=kind), place, samples))
    flags = judge([as_trace(*part) for part in parts], notes)
    return {place: (samples, some) for (_, place, samples), some in zip(parts, flags, strict=True)}


def counts(result):
    """(place, flag name) -> seconds that have it."""
    return {(place, flag.name): n for place, (_, flags) in result.items() for flag in SINGLE
            if (n := int(np.count_nonzero(flags & np.uint32(flag))))}


def seconds_of(result, world, place, flag):
    """The world's seconds at which a place has a flag."""
    samples, flags = result[place]
    return samples.t[(flags & np.uint32(flag)) != 0] - utc(world, 0)


def fault(channel, kind, start_min, end_min=None):
    """A fault of the bench, in minutes of the world."""
    return Fault(channel, kind, 60.0 * start_min, float("inf") if end_min is None else 60.0 * end_min)


def drawn_chip(true, box, rng, *, chip, kind, place, period=1, noise_k=None, t0=60.0 * 28_000_000, first_s=7):
    """A trace of a type K channel that an ideal chip reads every so many seconds of a place.

    true, box: (n,), the place and the terminals at each second [degC]; noise_k: rms of the amplifier, that of its data
    sheet if None; the cold sensor has half of it.
    """
    i = np.arange(first_s, true.size, period)
    uv = 1000 * chip_of(chip).noise_mv if noise_k is None else noise_k * float(its90.sensitivity("K", 100.0))
    mv = its90.emf("K", true[i]) - its90.emf("K", box[i]) + rng.normal(0, 1, i.size) * uv / 1000
    codes = code_from_emf(chip, "K", mv, box[i] + rng.normal(0, 1, i.size) * uv / 80)
    t = t0 + i.astype(np.float64)
    done = correct(chip, "K", *codes, np.zeros(i.size, np.int32), t=t, kind=kind)
    return as_trace(Setup(chip, "K", "K", "iec-2", kind, None), place, Samples(t, done.celsius, done.flags, *codes))
