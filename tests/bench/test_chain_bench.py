"""Speed of decoding and correcting an 18-hour cook of six channels at 1 Hz, and of reading it live. Run with -s.

The cook is made here: slow temperatures with a step or two of noise, as the chips would code them.
"""

import contextlib
import time

import numpy as np
import pytest
import thermocouple_its90

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.metrology import chips, its90
from pitscribe.metrology.chain import correct
from pitscribe.series import Reader, load
from pitscribe.wire.frames import Channel, FrameKey, check_many, decode_ticks, encode_event, encode_ticks

HOURS, LOGGER, T0_MS = 18, 0x00C0FFEE, 1_700_000_000_000
TABLE = [Channel("max31855", "K"), Channel("max31855", "T"), Channel("max31856", "K"), Channel("max31855", "T"),
         Channel("max31856-gain8", "K"), Channel("max31856-gain32", "T")]
PLACES = [("grate", "air"), ("far end", "air"), *((place, "meat") for place in ("flat", "point", "tip", "deckle"))]
N = HOURS * 3600


@pytest.fixture(scope="module")
def codes():
    rng, t = np.random.default_rng(1), np.arange(N)
    columns = []
    for (chip, tc), (_, kind) in zip(TABLE, PLACES, strict=True):
        slow = 121 + 12 * np.sin(t / 900) if kind == "air" else 95 - 90 * np.exp(-t / 18000)
        cold = 25 + 8 * np.sin(t / 7000)
        mv = its90.emf(tc, slow + rng.normal(0, 0.1, N)) - its90.emf(tc, cold)
        columns.append(chips.code_from_emf(chip, tc, mv, cold))
    return [np.stack([column[i] for column in columns], 1) for i in (0, 1)]


@pytest.fixture(scope="module")
def frames(codes):
    hot, cold = codes
    none = np.zeros((32, 6), np.int32)
    made = []
    for i in range(N // 32):
        rows = slice(32 * i, 32 * i + 32)
        key = FrameKey(LOGGER, 1, 1 + i)
        made.append(encode_ticks(key, 1000 + 32_000 * i, 1000, TABLE, hot[rows], cold[rows], none))
    return made


def best(what, times=7):
    """The least of several wall times [s]: what the machine can do when nothing else runs."""
    took = []
    for _ in range(times):
        began = time.perf_counter()
        what()
        took.append(time.perf_counter() - began)
    return min(took)


def chain(hot, cold, fault, t):
    for i, ((chip, tc), (_, kind)) in enumerate(zip(TABLE, PLACES, strict=True)):
        done = correct(chip, tc, hot[:, i], cold[:, i], fault[:, i], t=t, kind=kind, tolerance="iec-1", time_u=0.1)
        assert not done.flags.any()


def test_an_18_hour_cook_is_decoded_and_corrected_in_150_ms(frames):
    (run,) = decode_ticks(frames)
    t = T0_MS / 1000 + run.uptime_ms / 1000

    def both():
        (run,) = decode_ticks(frames)
        chain(run.hot, run.cold, run.fault, T0_MS / 1000 + run.uptime_ms / 1000)

    decode, correcting = best(lambda: decode_ticks(frames)), best(lambda: chain(run.hot, run.cold, run.fault, t))
    together = best(both)
    samples = run.hot.size
    print(f"\n{samples} samples: decode {1e3 * decode:.1f} ms, chain with uncertainty and flags "
          f"{1e3 * correcting:.1f} ms, together {1e3 * together:.1f} ms (limit 150)")
    assert samples > 388_000
    assert together < 0.150


def test_a_cook_is_loaded_from_the_ledger_and_a_live_read_takes_a_few_ms(frames, tmp_path):
    head = encode_event(FrameKey(LOGGER, 1, 0), 500, "anchor", {"utc_ms": T0_MS + 500, "err_ms": 100, "from": "host"})
    with contextlib.closing(Ledger(tmp_path / "ledger.db", SetClock(T0_MS / 1000))) as ledger:
        cook = ledger.start_cook("bench", at=T0_MS)
        for channel, ((_, tc), (place, kind)) in enumerate(zip(TABLE, PLACES, strict=True)):
            ledger.place(cook.id, tc, LOGGER, channel, place, kind)
        first = [head, *frames[:-30]]
        ledger.store_frames(list(zip(check_many(first), first, strict=True)), "bench")
        whole = best(lambda: load(ledger, cook.id), 3)
        reader, live = Reader(ledger, cook.id), []
        reader.read()
        for frame in frames[-30:]:
            ledger.store_frames(list(zip(check_many([frame]), [frame], strict=True)), "bench")
            live.append(best(reader.read, 1))
        samples = sum(s.t.size for s in reader.read().places)
    print(f"\n{samples} samples in the ledger: load {1e3 * whole:.1f} ms; live read after one new frame: "
          f"median {1e3 * np.median(live):.1f} ms, worst of 30 {1e3 * max(live):.1f} ms")
    assert whole < 0.300
    assert np.median(live) < 0.020


@pytest.mark.parametrize("kind", its90.KINDS)
def test_the_inverse_is_far_quicker_than_a_pure_python_package_and_no_less_exact(kind):
    celsius = np.linspace(-20, 400, 65_000)
    other, mv = thermocouple_its90.get(kind), its90.emf(kind, celsius)
    few = mv[::65].tolist()
    ours = best(lambda: its90.temperature(kind, mv), 15) / mv.size
    theirs = best(lambda: [other.temperature(x) for x in few], 3) / len(few)
    our_error = float(np.abs(its90.temperature(kind, mv)[::65] - celsius[::65]).max())
    their_error = float(np.abs([other.temperature(x) - t for x, t in zip(few, celsius[::65], strict=True)]).max())
    print(f"\ninverse, type {kind}: {1e9 * ours:.1f} ns a value, off by {our_error:.0e} degC at most; "
          f"thermocouple-its90 {1e9 * theirs:.0f} ns, {their_error:.0e} degC; {theirs / ours:.0f} times the rate")
    assert theirs > 50 * ours
    assert our_error < max(their_error, 1e-12)  # 1e-12 degC is what rounding of the emf leaves
