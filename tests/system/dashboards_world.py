"""Two cooks of one smoker in a ledger, as the bench plays them, copied by the mirror to a real server.

The later one has a fire that goes out and comes back, stalls, notes, an open probe, a band and a target; what
dashboards may trip over is in its name and its notes. Another ledger with a cook of the same name is in the same store.
"""

from dataclasses import replace

import numpy as np
from gate_bench import read_chip

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.mirror import ahead
from pitscribe.mirror.connect import connect
from pitscribe.mirror.mirror import Mirror, Pace
from pitscribe.mirror.points import SeriesName, Stream, figures, tag_value
from pitscribe.mirror.server import Address
from pitscribe.simulate.chips import Fault
from pitscribe.simulate.meat import MeatSpec
from pitscribe.simulate.scenario import SCENARIOS, SIX, HandSpec
from pitscribe.simulate.world import World
from pitscribe.wire.frames import Channel, FrameKey, check, encode_event, encode_ticks

SEED = 1
PERIOD_S = 30
LOGGER = 0x00C0FFEE
LEDGER, OTHER = "home", "cabin"
NAME = """It's "oak" 5/6 [1.5 kg], a=b"""  # quotes, a slash and brackets, which queries have a meaning for
ODD = ("a|b", "^.*$", "$cook ${cook}", "{x}", '"', "''", "a\\b", "%s %20 &c=d+e#f", "ünï 🔥", "(", "1,2=3 4", "//")
BAND_C = (107.2, 135.0)
_MEAT = MeatSpec(length=0.30, width=0.18, thickness=(0.016, 0.02, 0.024, 0.022), layers=9)
_HAND = HandSpec(away=((1.05 * 3600, 2.55 * 3600),), rotate_at_s=None, wrap_at_c=68.0, pull_at_c=None,
                 spritz_from_s=3600.0, spritz_every_s=3000.0)
_SCENARIO = replace(SCENARIOS["fire-out"], meat=_MEAT, placements=SIX[:5], hand=_HAND)
APART_S = 7200  # between the starts of the two cooks: each is in the time that is shown of the other


def make_ledger(folder):
    """(ledger, the earlier cook, the cook), both over; the clock stands at their end."""
    clock = SetClock(0.0)
    ledger = Ledger(folder / "ledger.sqlite", clock)
    small = replace(_SCENARIO, hours=0.6, utc0_ms=_SCENARIO.utc0_ms - 1000 * APART_S)
    earlier = _play(ledger, clock, small, 1, "Small one", None)
    scenario = replace(_SCENARIO, hours=3.5, faults=(Fault(4, "open", 600, 1500),))
    return ledger, earlier, _play(ledger, clock, scenario, 2, NAME, 88.0)


def _play(ledger, clock, scenario, boot, name, target_c):
    world = World(scenario, SEED + boot)
    world.run_to(scenario.hours * 3600)
    clock.at = scenario.utc0_ms / 1000
    cook = ledger.start_cook(name, target_c=target_c)
    for p in scenario.placements:
        ledger.place(cook.id, p.tc, LOGGER, p.channel, p.place, p.kind)
    if target_c is not None:
        ledger.set_cook(cook.id, band_c=BAND_C)
    frames = list(_frames(world, scenario, boot))
    clock.at += scenario.hours * 3600 - 1800
    journal = {"first": 0, "next": len(frames), "cursor": len(frames) - 3, "lost": 0, "hours": 21.5, "ok": True}
    state = {"v": 1, "online": True, "boot": boot, "up": 1, "name": "smoker", "missed": 2, "journal": journal}
    ledger.saw_state(LOGGER, state)
    clock.at += 1800
    ledger.store_frames([(check(frame), frame) for frame in frames], "test")
    for did in world.happenings:
        ledger.add_note(cook.id, scenario.utc0_ms + did.world_ms, did.kind, did.text)
    ledger.add_note(cook.id, scenario.utc0_ms + 1_234_567, "text", 'said "done"? no')
    return ledger.end_cook(cook.id)


def _frames(world, scenario, boot):
    """What the logger would have sent: uptime is the world's time."""
    anchor = {"utc_ms": scenario.utc0_ms, "err_ms": 50, "from": "host"}
    yield encode_event(FrameKey(LOGGER, boot, 0), 0, "anchor", anchor)
    seconds = np.arange(PERIOD_S, int(scenario.hours * 3600), PERIOD_S)
    columns = [read_chip(world, p, seconds) for p in scenario.placements]
    hot, cold, fault = (np.stack([one[i] for one in columns], axis=1) for i in range(3))
    table = tuple(Channel(p.chip, p.tc) for p in scenario.placements)
    for n, i in enumerate(range(0, seconds.size, 32)):
        rows = slice(i, i + 32)
        yield encode_ticks(FrameKey(LOGGER, boot, n + 1), int(seconds[i]) * 1000, PERIOD_S * 1000, table, hot[rows],
                           cold[rows], fault[rows])


def make_other(folder):
    """A ledger of somebody else, whose cook has the same number and name, and was at the same time on a like logger."""
    clock = SetClock(_SCENARIO.utc0_ms / 1000 - APART_S)
    ledger = Ledger(folder / "ledger.sqlite", clock)
    ledger.end_cook(ledger.start_cook("Small one").id)
    _play(ledger, clock, replace(_SCENARIO, hours=0.6), 3, NAME, 90.0)
    return ledger


def write_odd(server):
    """Cooks of a third ledger, whose names mean something in queries; with ``started`` their number, and no more.

    To be called before ``copy``, which waits until all that was written can be read.
    """
    link = connect(Address(server.url, "o", "pit"))
    for number, name in enumerate(ODD, 1):
        tags = {"ledger": "odd", "cook": tag_value(f"{number} {name}")}
        started, t_ms = figures(np.array([float(number)])), np.array([_SCENARIO.utc0_ms + number])
        link.write(list(Stream(SeriesName("pitscribe_cook", tags), t_ms, {"started": started}).lines()))
    link.close()


def copy(ledger, name, server, monkeypatch, made):
    """Let the mirror bring a ledger to a server. ``made``: forecasts that were made of it before, kept for the next."""
    real = ahead.forecasts_ahead

    def kept(record):
        key = ahead._print(record)
        if key not in made:
            made[key] = real(record)
        return made[key]

    monkeypatch.setattr(ahead, "forecasts_ahead", kept)
    clock = [0.0]
    mirror = Mirror(ledger, Address(server.url, "o", "pit"), name, pace=Pace(confirm_s=1), real=lambda: clock[0])
    for _ in range(300):
        clock[0] += 100.0
        mirror.step()
        assert mirror.trouble is None, mirror.trouble
        if mirror.done:
            break
    assert mirror.done
    mirror.stop()
