"""Cooks on the bench for the tests of air probes: register words of every second, through the real chain."""

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pitscribe.metrology.airprobe import Track
from pitscribe.metrology.chain import Context, correct_piece
from pitscribe.metrology.chips import split_max31855, split_max31856
from pitscribe.metrology.flags import usable
from pitscribe.metrology.uncertainty import Setup, budget
from pitscribe.simulate.chips import draw_chip_error, make_chip
from pitscribe.simulate.probes import draw_wire_error
from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.simulate.world import World
from pitscribe.wire.frames import Channel, FrameKey, check_many, encode_event, encode_ticks

STICK = SCENARIOS["stick"]
# Our own cooks: another fire, another day, another hand.
COOKS = {
    "as it is": (STICK, 21),
    "low and with large splits": (replace(STICK, hand=replace(STICK.hand, band_c=108.0, split_kg=1.1)), 22),
    "a cold and gusty day": (replace(STICK, weather=replace(STICK.weather, mean_c=3.0, wind=3.5, gusts=1.8)), 23),
    "hot, wrapped in foil": (replace(STICK, hand=replace(STICK.hand, band_c=128.0, split_kg=0.85, wrap="foil")), 24),
}


class Words(NamedTuple):
    """One channel's columns: t [s], hot, cold, fault, and the truth at the place [degC]."""

    t: np.ndarray
    hot: np.ndarray
    cold: np.ndarray
    fault: np.ndarray
    true: np.ndarray


def play(name, hours):
    """The world of one of the cooks."""
    scenario, seed = COOKS[name]
    world = World(scenario, seed)
    world.run_to(hours * 3600)
    return world


def draw(world, seed):
    """Give a world's channels other wires and chips: errors drawn anew, within their classes."""
    rng = np.random.default_rng(seed)
    for i, p in enumerate(world.scenario.placements):
        world.wire_errors[i] = draw_wire_error(rng, p.tc, p.probe.grade)
        world.chip_errors[i] = draw_chip_error(rng, p.chip, p.tc)
        world.chips[p.cs] = make_chip(p.chip, p.channel, p.tc, world.loop, world.chip_errors[i], world.seed)


def keep_errors(one, other):
    """Give ``other`` the wires and chips of ``one``: another cook with the same things."""
    for i, p in enumerate(other.scenario.placements):
        other.wire_errors[i], other.chip_errors[i] = one.wire_errors[i], one.chip_errors[i]
        other.chips[p.cs] = make_chip(p.chip, p.channel, p.tc, other.loop, other.chip_errors[i], other.seed)


def words(world, place, seconds):
    """What a place's chip answers at these whole seconds."""
    i, p = next((i, p) for i, p in enumerate(world.scenario.placements) if p.place == place)
    chip = world.chips[p.cs]
    if p.chip == "max31855":
        rows = [split_max31855(int.from_bytes(chip.transfer(b"", 4, t), "big")) for t in (1000 * seconds).tolist()]
    else:
        chip.transfer(bytes((0x80, 0x90, {"K": 3, "T": 7}[p.tc])), 0, 0)
        rows = [split_max31856(chip.transfer(b"\x0a", 6, t)) for t in (1000 * seconds).tolist()]
    hot, cold, fault = (np.array(column, np.int32) for column in zip(*rows, strict=True))
    return Words(seconds.astype(np.float64), hot, cold, fault, world.true[seconds, i])


def setup_of(world, place, *, learned=True):
    p = next(p for p in world.scenario.placements if p.place == place)
    return Setup(p.chip, p.tc, p.tc, p.probe.grade, p.kind, air_learned=learned)


def track(world, place, seconds, *, learned=True):
    """Usable samples of a place through the chain, and the truth at them."""
    w = words(world, place, seconds)
    done, _ = correct_piece(setup_of(world, place, learned=learned), w.hot, w.cold, w.fault, w.t, 0.0, Context())
    good = usable(done.flags) & np.isfinite(done.celsius)
    return Track(w.t[good], done.celsius[good], done.u[good]), w.true[good]


def parts_u(world, place, celsius):
    """(noise of one reading, constant errors) of a place's channel at a temperature [K]."""
    lines = budget(setup_of(world, place), celsius).lines
    squares = [0.0, 0.0]
    for line in lines:
        squares[line.name not in ("quantisation", "chip noise")] += line.u**2
    return math.sqrt(squares[0]), math.sqrt(squares[1])


LOGGER = 0x0051C4A1
PLACES = ("grate", "stick", "dome", "flat")  # by channel


def frames_of(world, boot, began_ms, seconds, frozen=None):
    """Frames of 32 ticks of a boot that began at UTC ``began_ms`` with the world, an anchor first.

    frozen : (place, from s, to s): there the chip says the same for ever
    """
    placements = {p.place: p for p in world.scenario.placements}
    table = [Channel(placements[name].chip, placements[name].tc) for name in PLACES]
    columns = [words(world, name, seconds) for name in PLACES]
    hot, cold, fault = (np.stack([getattr(c, name) for c in columns], 1) for name in ("hot", "cold", "fault"))
    if frozen is not None:
        name, first, last = frozen
        rows, channel = np.flatnonzero((seconds >= first) & (seconds < last)), PLACES.index(name)
        hot[rows, channel], cold[rows, channel] = hot[rows[0], channel], cold[rows[0], channel]
    anchor = {"utc_ms": began_ms + 500, "err_ms": 50, "from": "host"}
    made = [encode_event(FrameKey(LOGGER, boot, 0), 500, "anchor", anchor)]
    for i in range(0, seconds.size - 31, 32):
        rows, key = slice(i, i + 32), FrameKey(LOGGER, boot, 1 + i // 32)
        period = int(seconds[1] - seconds[0]) * 1000
        made.append(encode_ticks(key, 1000 * int(seconds[i]), period, table, hot[rows], cold[rows], fault[rows]))
    return made


def store(ledger, frames):
    ledger.store_frames(list(zip(check_many(frames), frames, strict=True)), "bench")


def cook_of(ledger, name, began_ms, hours, probes):
    """A cook with these probes in their places, ended."""
    cook = ledger.start_cook(name, at=began_ms)
    for channel, place in enumerate(PLACES):
        if place in probes:
            ledger.place(cook.id, probes[place], LOGGER, channel, place, "meat" if place == "flat" else "air")
    return ledger.end_cook(cook.id, began_ms + round(3_600_000 * hours))
