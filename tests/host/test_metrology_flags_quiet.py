"""Places that hardly move, quiet and coarse chips, slow loggers, hands and notes: nothing good is called bad there."""

from dataclasses import replace

import numpy as np
import pytest
from gate_bench import SINGLE, drawn_chip
from scipy.stats import norm

from pitscribe.metrology import stuck
from pitscribe.metrology.flags import Flag
from pitscribe.metrology.minutes import Minutes, Samples, Summary
from pitscribe.metrology.stuck import lively_by_codes
from pitscribe.metrology.swapped import Told
from pitscribe.metrology.together import judge
from pitscribe.metrology.uncertainty import Setup

T0 = 60.0 * 28_000_000
HOUR = 3600


def fire(n, rng, level=110.0):
    """A fire's air, (n,) [degC]: a slow swing and eddies of seconds to minutes."""
    eddies = sum(size * np.convolve(rng.normal(0, 1, n + tau), np.ones(tau), "valid")[:n] / tau**0.5
                 for tau, size in ((5, 0.5), (60, 0.8), (240, 0.8)))
    return level + 6 * np.sin(np.arange(n) / 400.0) + eddies


def steady(n, rng, level):
    """The air of an electric cabinet, (n,) [degC]."""
    return level + 0.15 * np.sin(np.arange(n) / 300.0) + rng.normal(0, 0.05, n)


def towards(x, at, level, tau):
    """From second ``at`` on a place goes over to ``level`` (a figure or a series) with a time constant."""
    left = np.exp(-np.arange(x.size - at) / tau)
    out = x.copy()
    out[at:] = (level[at:] if np.ndim(level) else level) * (1 - left) + x[at] * left
    return out


def quiet_place(name, n, rng):
    """(air, other air, meat, other meat, box) of a circumstance, (n,) each [degC]."""
    s, box = np.arange(n), 25 + 0.4 * np.sin(np.arange(n) / 5000.0)
    flat, tip = 63 + 4 * np.exp(-s / 6000.0), 60 + 8 * np.exp(-s / 9000.0)
    air, far = steady(n, rng, 65.0), steady(n, rng, 63.0)
    if name == "cabinet after a fire":
        air, far = (towards(fire(n, rng), HOUR, a, 300.0) for a in (air, far))
        flat = towards(40.0 + 12 * s / HOUR, HOUR, 65.0, 7200.0)
    elif name == "winter":
        box, air, far = box - 44, fire(n, rng), fire(n, rng)
    elif name == "fridge-cold start after the pit":
        air, far = fire(n, rng), fire(n, rng)
        flat, tip = towards(towards(air, 1500, 4.0, 15.0), 6000, 30.0, 9000.0), 4.0 + 8 * s / HOUR
    elif name == "ice on the tip":
        air, far, flat = fire(n, rng), fire(n, rng), 20 + 6 * s / HOUR
        tip = towards(towards(flat, 3000, 0.0, 6.0), 4800, flat, 15.0)
    elif name == "rest in a warm box":
        air, far = (20 + 30 * (1 - np.exp(-s / 2000.0)) for _ in range(2))
        flat, tip = 50 + 43 * np.exp(-s / 12000.0), 50 + 41 * np.exp(-s / 10000.0)
    return air, far, flat, tip, box


def found(flags):
    """Flag name -> how many samples have it; what is bad only."""
    bad = [flag for flag in SINGLE if flag & Flag.BAD]
    return {f.name: n for f in bad if (n := sum(int(np.count_nonzero(x & np.uint32(f))) for x in flags))}


@pytest.mark.parametrize("period", [1, 10, 60])
@pytest.mark.parametrize("name", ["hold", "cabinet after a fire", "winter", "fridge-cold start after the pit",
                                  "ice on the tip", "rest in a warm box"])
def test_a_quiet_place_has_no_bad_flag_but_rate_while_a_hand_moves_a_probe(name, period):
    """Chips with the noise of their sheet, 0.01 K and, of steps that noise does not fill by the sheet, none."""
    wrong, samples, moved = {}, 0, name in ("fridge-cold start after the pit", "ice on the tip")
    for chip in ("max31855", "max31856", "mcp9600"):
        for noise in (None, 0.01, *([0.0] if chip != "max31856" else [])):
            rng = np.random.default_rng(5)
            *places, box = quiet_place(name, 3 * HOUR, rng)
            flags = judge([drawn_chip(x, box, rng, chip=chip, kind=kind, place=place, period=period, noise_k=noise)
                           for x, kind, place in zip(places, ("air", "air", "meat", "meat"),
                                                     ("grate", "far end", "flat", "tip"), strict=True)])
            samples += sum(x.size for x in flags)
            for flag, count in found(flags).items():
                wrong[chip, noise, flag] = count
    in_hand = {key: wrong.pop(key) for key in list(wrong) if moved and key[2] == "RATE"}
    lying = {key: wrong.pop(key) for key in list(wrong) if "after the pit" in name and key[2] == "NO_CONTACT"}
    print(f"\n{name}, every {period} s: {samples} samples, false bad flags {wrong}; in the hand {in_hand}")
    assert wrong == {}
    assert all(count * period <= 120 for count in in_hand.values())
    assert all(count * period <= 60 * (25 - 14 + 5) for count in lying.values())  # the 25 min in the pit are no meat


def near_hot(rng, n, what):
    """A meat place beside a fire of 100 degC, and the fire, (n,) each: put in late, wrapped, or left alone."""
    air, meat = fire(n, rng, 100.0), 80 + 4 * np.arange(n) / HOUR
    if what == "put in late":
        meat = np.concatenate((np.full(HOUR, 25.0), towards(np.full(n, 25.0), HOUR, meat + 8, 15.0)[HOUR:]))
    elif what == "wrapped":
        meat = towards(towards(meat, HOUR, air, 40.0), HOUR + 180, meat, 20.0)
    return meat, air


@pytest.mark.parametrize(("what", "longest"), [("left alone", 0), ("put in late", 0), ("wrapped", 8)])
def test_quiet_meat_close_to_the_pits_heat_is_not_taken_for_air_at_any_rate_of_sampling(what, longest):
    """The three minutes in which a wrapped probe hangs in the air may be flagged, and a few after them."""
    n, told = 3 * HOUR, {}
    for chip in ("max31855", "max31856"):
        for period in (1, 10, 60):
            for seed in range(3):
                rng = np.random.default_rng(seed)
                meat, air = near_hot(rng, n, what)
                box = np.full(n, 25.0)
                flags, _ = judge([drawn_chip(meat, box, rng, chip=chip, kind="meat", place="flat", period=period),
                                  drawn_chip(air, box, rng, chip=chip, kind="air", place="grate", period=period)])
                told[chip, period, seed] = np.count_nonzero(flags & np.uint32(Flag.NO_CONTACT)) * period / 60
    print(f"\n{what}: NO_CONTACT for {max(told.values()):.1f} min at most")
    assert max(told.values()) <= longest


def open_wire(trace):
    """The same trace with its circuit open throughout."""
    n = trace.flags.size
    flags = np.full(n, Flag.OPEN, np.uint32)
    none = np.zeros(n, np.int32)
    summary = Summary(trace.setup)
    summary.extend(Samples(T0 + 7 + np.arange(n) * (2 * HOUR // n), np.full(n, np.nan), flags, none, none))
    return replace(trace, place="far end", placement=77, flags=flags, summary=summary)


@pytest.mark.parametrize("period", [1, 60])
def test_an_air_place_that_says_nothing_does_not_keep_a_lost_contact_on(period):
    n, rng = 2 * HOUR, np.random.default_rng(3)
    air, box = fire(n, rng), np.full(n, 25.0)
    meat = towards(air, 1800, 4 + 5 * np.arange(n) / HOUR, 15.0)
    traces = [drawn_chip(x, box, rng, chip="max31855", kind=kind, place=place, period=period)
              for x, kind, place in ((meat, "meat", "flat"), (air, "air", "grate"))]
    for some in (traces, [*traces, open_wire(traces[1])]):
        at = np.flatnonzero(judge(some)[0] & np.uint32(Flag.NO_CONTACT)) * period / 60
        assert at.size
        assert at[-1] < 36


def test_words_about_a_place_take_no_lid_and_no_hand_for_an_answer():
    """A steady pit whose lid is opened, and a probe that is moved, while somebody writes about another one."""
    n, rng = 2 * HOUR, np.random.default_rng(1)
    s, box = np.arange(n), np.full(n, 25.0)
    lid = towards(towards(steady(n, rng, 110.0), HOUR, 60.0, 40.0), HOUR + 240, 110.0, 200.0)
    frost = towards(towards(steady(n, rng, 110.0), HOUR, 0.0, 40.0), HOUR + 240, 110.0, 200.0)
    flat, tip = 60 + 5 * s / HOUR, 58 + 5 * s / HOUR
    pulled = towards(towards(tip, HOUR, 25.0, 20.0), HOUR + 200, tip, 20.0)
    for air, other, kind in ((lid, tip, "text"), (lid, tip, "ice"), (frost, tip, "ice"), (lid, pulled, "text"),
                             (lid, pulled, "ice")):
        traces = [drawn_chip(x, box, rng, chip="max31856", kind=sort, place=place)
                  for x, sort, place in ((flat, "meat", "flat"), (other, "meat", "tip"), (air, "air", "grate"))]
        flags = judge(traces, [Told(T0 + HOUR - 20, kind, "the flat")])
        assert not any((x & np.uint32(Flag.SWAPPED)).any() for x in flags)


@pytest.mark.parametrize(("steps", "lively"), [(0.1, False), (0.2, False), (0.35, True), (0.5, True)])
def test_a_channel_is_lively_by_its_codes_from_the_noise_that_the_rule_names(steps, lively):
    """A slow rise over many steps of 0.25 degC with normal noise of so many steps."""
    assert 0.2 < stuck.STUCK_NOISE_STEPS < 0.35
    rng, m = np.random.default_rng(4), 120
    hot = np.rint(np.linspace(80, 140, 60 * m) + rng.normal(0, steps, 60 * m)).reshape(m, 60)
    turned = np.diff(hot.ravel())
    flips = np.concatenate(([0, 0], turned[1:] * turned[:-1] < 0)).reshape(m, 60).sum(axis=1)
    columns = dict.fromkeys(Minutes._fields, np.zeros(m))
    own = Minutes(**columns | {"codes": np.full(m, 60.0), "flips": flips.astype(float),
                               "hot_low": hot.min(axis=1), "hot_high": hot.max(axis=1)})
    setup = Setup("max31855", "K", "K", "iec-2", "meat", None)
    assert lively_by_codes(own, setup, np.array([m - 1])).tolist() == [lively]


def test_noise_of_the_named_size_rests_as_seldom_as_the_rule_says():
    """Against the normal law of a general library: all samples within half a step of the middle of one."""
    rests = 1 - 2 * norm.sf(0.5 / stuck.STUCK_NOISE_STEPS)
    assert rests**stuck.STUCK_SAMPLES < 1.1e-8
    by_sheet = 1 - 2 * norm.sf(0.5 / stuck.STUCK_SHEET_STEPS)
    assert by_sheet**stuck.STUCK_SHEET_SAMPLES < 1e-13
