"""The whole firmware on the simulated board through a real mosquitto: nothing is lost and nothing is delayed."""

import itertools
import json
import signal
import subprocess
import time

import pytest
from firmware_rig import (
    HEAP,
    MICROPYTHON,
    ChipBench,
    Logger,
    RegisterChip,
    StoringHost,
    WordChip,
    compiled,
    environment,
    run,
)
from servers import false_broker, wait_until

from pitscribe.wire.frames import EVENT, TICKS, check, decode_event, decode_ticks
from pitscribe.wire.messages import parse_now, parse_state

SPEED = "600"


def chips() -> dict:
    return {17: WordChip(0x06B41900), 20: WordChip(0x064C1900, 0x06501910, 0x064C1920), 26: RegisterChip()}


def config(port: int, ack_s: int = 600, **more) -> dict:
    """Settings for a run at 600 times: what waits for the broker waits 600 times as long."""
    channels = [
        {"chip": "max31855", "tc": "K", "spi": 0, "cs": 17},
        {"chip": "max31855", "tc": "T", "spi": 0, "cs": 20},
        {"chip": "none"},
        {"chip": "max31856", "tc": "T", "spi": 0, "cs": 26},
    ]
    broker = {"host": "127.0.0.1", "port": port, "keepalive_s": 6000, "ack_s": ack_s, "window": 4}
    common = {"name": "pit", "frame_ticks": 8, "now_s": 10, "hotspot": {"when": "never"}}
    return {**common, "channels": channels, "broker": broker, **more}


def count_ticks(bench: ChipBench) -> list[int]:
    """World times at which the first chip was read, growing as the bench serves."""
    return bench.chips[17].worlds


@pytest.fixture
def running(flash, broker, make_bench, loggers):
    """Start a logger on its bench: running(**settings) -> (logger, bench)."""

    def start(bench=None, env=None, **more):
        bench = bench or make_bench(chips())
        loggers.append(Logger(flash, bench, config(broker.port, **more), **{"PITSCRIBE_SPEED": SPEED, **(env or {})}))
        return loggers[-1], bench

    return start


def everything_arrives(host: StoringHost, logger: Logger, least: int) -> None:
    """Wait until the host has ``least`` frames and all that the journal held at that time."""
    wait_until(f"{least} frames with the host", lambda: len(set(host.keys)) >= least)
    journalled = set(logger.journalled())
    wait_until("the whole journal with the host", lambda: journalled <= set(host.keys))


def test_every_journalled_frame_arrives_and_says_what_the_chips_said(running, broker, hosts):
    hosts.append(StoringHost(broker.port))
    host = hosts[0]
    logger, bench = running()
    everything_arrives(host, logger, 30)
    frames = {check(f).key: f for f in host.frames}
    kinds = [check(frames[key]).kind for key in sorted(frames)]
    assert kinds[0] == EVENT
    assert kinds[1:] == [TICKS] * (len(kinds) - 1)
    first = decode_event(frames[min(frames)])
    assert (first.name, first.fields) == ("boot", {"firmware": "0.1.0", "cause": "power", "name": "pit"})
    (ticks,) = decode_ticks([frames[key] for key in sorted(frames)[1:]])
    assert [c.chip for c in ticks.table] == ["max31855", "max31855", "none", "max31856"]
    assert ticks.missed_ms.tolist() == []
    n = len(ticks.uptime_ms)
    assert ticks.uptime_ms.tolist() == [1000 * (k + 1) for k in range(n)]
    assert count_ticks(bench)[:n] == ticks.uptime_ms.tolist()
    # 06B41900 is 107.25 and 25 degC, 064C1900 100.75; the MAX31856 19000h is 25 degC in both.
    assert ticks.hot[:3, :].tolist() == [[429, 403, 0, 3200], [429, 404, 0, 3200], [429, 403, 0, 3200]]
    assert ticks.cold[:3, :].tolist() == [[400, 400, 0, 1600], [400, 401, 0, 1600], [400, 402, 0, 1600]]
    assert (ticks.fault == 0).all()


def test_now_and_state_are_what_the_host_can_read(running, broker, hosts):
    hosts.append(StoringHost(broker.port))
    host = hosts[0]
    running()
    wait_until("three now and two states", lambda: len(host.nows) >= 3 and len(host.states) >= 2)
    now = parse_now(json.dumps(host.nows[-1]).encode())
    assert now.codes[0] == (429, 400, 0)
    assert now.codes[2] is None
    assert [n["up"] for n in host.nows[:3]] == sorted({n["up"] for n in host.nows[:3]})
    state = parse_state(json.dumps(host.states[-1]).encode())
    assert state.online
    assert state.condition is not None
    assert (state.condition.name, state.condition.missed, state.condition.journal.ok) == ("pit", 0, True)
    assert host.states[-1]["settings"] == []


def test_will_says_offline_when_the_logger_is_cut_off(running, broker, hosts):
    hosts.append(StoringHost(broker.port))
    host = hosts[0]
    logger, _ = running()
    wait_until("a state", lambda: host.states)
    boot = host.states[0]["boot"]
    logger.cut_power()
    wait_until("the will", lambda: not host.states[-1]["online"])
    assert host.states[-1] == {"v": 1, "online": False, "boot": boot}
    assert parse_state(json.dumps(host.states[-1]).encode()).condition is None


def cursor(host: StoringHost) -> int:
    return max((s["journal"]["cursor"] for s in host.states if s["online"]), default=0)


def test_cursor_moves_only_on_stored_and_frames_come_again_until_then(running, broker, hosts):
    hosts.append(StoringHost(broker.port, stores=False))
    host = hosts[0]
    logger, _ = running(state_s=60, ack_s=240)
    # The broker acknowledges every packet; the host says nothing, so the same frames come again and again ...
    wait_until("the first frame three times", lambda: host.keys.count(host.keys[0]) >= 3 if host.keys else False)
    assert cursor(host) == 0
    assert len(set(host.keys)) <= 16  # ... and no more than the lead are sent ahead of the cursor
    # A `stored` with a wrong boot, of something never sent, or out of shape moves nothing.
    base = f"pitscribe/1/{check(host.frames[0]).key.logger:08x}"
    boot = host.keys[0][0]
    for wrong in ([[boot ^ 1, 0, 99]], [[boot, 5000, 6000]], [[boot, 3, 1]], "all", [[boot]]):
        host.say(base, "stored", {"stored": wrong})
    states = len(host.states)
    wait_until("three more states", lambda: len(host.states) >= states + 3)
    assert cursor(host) == 0
    assert host.states[-1]["refused"] == 2
    # Stored out of order, the first one last.
    host.say(base, "stored", {"stored": [[boot, 1, 2]]})
    states = len(host.states)
    wait_until("two more states", lambda: len(host.states) >= states + 2)
    assert cursor(host) == 0
    host.say(base, "stored", {"stored": [[boot, 0, 2]]})
    wait_until("the cursor at 3", lambda: cursor(host) >= 3)
    host.stores = True
    everything_arrives(host, logger, 40)


@pytest.mark.parametrize("kill", [False, True], ids=["stopped", "crashed"])
def test_broker_that_goes_away_delays_no_tick_and_costs_no_frame(kill, running, broker, hosts):
    hosts.append(StoringHost(broker.port))
    host = hosts[0]
    logger, bench = running()
    wait_until("five frames", lambda: len(set(host.keys)) >= 5)
    broker.stop(kill=kill)
    at = len(count_ticks(bench))
    wait_until("400 more ticks without a broker", lambda: len(count_ticks(bench)) > at + 400)
    known = set(host.keys)
    broker.start()
    everything_arrives(host, logger, len(known) + 50)
    assert host.states[-1]["missed"] == 0
    assert host.states[-1]["trouble"]
    worlds = count_ticks(bench)
    assert all(b - a == 1000 for a, b in itertools.pairwise(worlds))


def test_process_killed_and_started_again_costs_no_journalled_frame(running, broker, hosts, loggers):
    hosts.append(StoringHost(broker.port))
    host = hosts[0]
    bench = None
    held: set[tuple[int, int]] = set()
    for round_ in range(4):
        logger, bench = running(bench=bench)
        goal = len(set(host.keys)) + 9 + 4 * round_
        wait_until("more frames", lambda goal=goal: len(set(host.keys)) >= goal)
        logger.cut_power()
        held |= set(logger.journalled())
    logger, _ = running(bench=bench)
    wait_until("every frame that was ever in the journal", lambda: held <= set(host.keys))
    wait_until("a frame of the fifth boot", lambda: len({boot for boot, _ in host.keys}) == 5)
    # Once after the key takes the doubles out, and the bytes under a key are always the same.
    by_key: dict = {}
    for frame in host.frames:
        by_key.setdefault(check(frame).key, set()).add(frame)
    assert all(len(frames) == 1 for frames in by_key.values())
    sequences = sorted(key.sequence for key in by_key)
    assert sequences == list(range(sequences[-1] + 1))


def test_host_that_is_away_while_the_broker_stays_gets_everything_when_it_is_back(running, broker, hosts):
    hosts.append(StoringHost(broker.port))
    logger, bench = running()
    wait_until("five frames", lambda: len(hosts[0].keys) >= 5)
    hosts[0].close()
    known = set(hosts[0].keys)
    at = len(count_ticks(bench))
    wait_until("600 ticks without a host", lambda: len(count_ticks(bench)) > at + 600)
    hosts.append(StoringHost(broker.port))
    wait_until("the whole journal with the host", lambda: set(logger.journalled()) <= known | set(hosts[1].keys))
    hosts[0] = hosts.pop()


def test_host_that_says_it_listens_gets_at_once_what_it_missed_however_patient_the_logger_is(running, broker, hosts):
    hosts.append(StoringHost(broker.port))
    logger, _ = running(ack_s=65535, state_s=65535)  # a minute and a half of this test
    wait_until("frames stored", lambda: len(set(hosts[0].keys)) >= 5)
    hosts[0].close()
    known = len(logger.journalled())
    wait_until("frames that nobody stores", lambda: len(logger.journalled()) >= known + 30)
    hosts.append(StoringHost(broker.port, greets=True))
    wait_until("all of them", lambda: set(logger.journalled()) <= set(hosts[0].keys) | set(hosts[1].keys), 10)


def test_first_time_order_is_journalled_as_an_anchor_and_told_in_the_state(running, broker, hosts):
    utc0 = 1_764_000_000_000
    bench_time = {"bench": None}
    hosts.append(StoringHost(broker.port, utc=lambda: utc0 + bench_time["bench"].world_ms))
    host = hosts[0]
    _, bench = running(env={"PITSCRIBE_EASE_MS": "800"})
    bench_time["bench"] = bench
    wait_until("anchor", lambda: any(check(f).kind == EVENT and decode_event(f).name == "anchor" for f in host.frames))
    anchors = [decode_event(f) for f in set(host.frames) if check(f).kind == EVENT and decode_event(f).name == "anchor"]
    anchor = min(anchors, key=lambda a: a.key.sequence)
    # The world is known to the test to a period: the bench learns of the time when a chip is read.
    assert anchor.fields["from"] == "host"
    assert abs(anchor.fields["utc_ms"] - utc0 - anchor.uptime_ms) <= anchor.fields["err_ms"] + 1000
    assert anchor.fields["err_ms"] < 5000  # at this speed that is some tenths of a second of the computer's time
    wait_until("the anchor in the state", lambda: host.states[-1].get("anchor"))
    told = host.states[-1]["anchor"]
    assert told == {"up": anchor.uptime_ms, **anchor.fields}


def test_watchdog_bites_when_the_sampler_stands_and_not_before(running, broker, flash, make_bench):
    """The firmware runs for 600 ticks with a watchdog of 2 s; then its sampler task is stopped from outside."""
    bench = make_bench(chips())
    (flash / "config.json").write_text(json.dumps(config(broker.port, broker={}, watchdog_ms=3000)))
    script = """
import asyncio, machine, time
from pitlogger import settings
from pitlogger.app import App
values, complaints = settings.read("config.json")
class Chip:
    def configure(self): pass
    def read(self, codes, at):
        codes[at] = 1
values["channels"] = values["channels"][:1]
app = App(values, complaints, [Chip()], 1, time, "power", None, machine.WDT(timeout=2500))
async def go():
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(600_000)
    print(app.sampler.beats, app.sampler.missed)
    app.sampler.run = None
    Chip.read = lambda self, codes, at: time.sleep_ms(100_000)
    await asyncio.sleep_ms(600_000)
    print("never")
try:
    asyncio.run(go())
except SystemExit as status:
    print(status.value if hasattr(status, "value") else status.args[0])
"""
    out = run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0")
    assert out.split("\n")[:3] == ["599 0", "board: watchdog reset", "4"]


def said(payload: bytes) -> bytes:
    """A packet that publishes a ``stored``, of whatever logger."""
    body = b"\x00\x1bpitscribe/1/00000000/stored" + payload
    return b"\x30" + bytes([len(body)]) + body


NONSENSE = [
    b"\x20\x02\x00\x05",  # refused: not authorised
    b"HTTP/1.1 400 Bad Request\r\n\r\n",
    b"\x20\x02\x00\x00\x30\x00",  # connected; then a publish without a topic
    b"\x20\x02\x00\x00\x30\x05\x00\x03\xff\xfe\xfd",  # a topic that is not UTF-8
    b"\x20\x02\x00\x00\x40\x01\x00",  # an acknowledgement of half a packet id
    b"\x20\x02\x00\x00\x30\xff\xff\xff\xff\x7f",  # a length of five bytes
    b"\x20\x02\x00\x00\x30\xff\xff\x7f",  # two megabytes are to come
    b"\x20\x02\x00\x00\x90\x03\x00\x01\x80",  # subscription refused
    b"\x20\x02\x00\x00" + said(b'{"v":1,"stored":[[1e999,0,9]]}'),  # a number without end
    b"",
]


def test_broker_that_sends_nonsense_stops_neither_sampling_nor_the_tries_to_connect(flash, make_bench, loggers):
    bench = make_bench(chips())
    with false_broker(lambda n: NONSENSE[n % len(NONSENSE)]) as (port, heard):
        logger = Logger(flash, bench, config(port), PITSCRIBE_SPEED="3000")
        loggers.append(logger)
        wait_until("every nonsense twice", lambda: len(heard) > 2 * len(NONSENSE))
        at = len(count_ticks(bench))
        wait_until("500 more ticks", lambda: len(count_ticks(bench)) > at + 500)
    assert logger.status is None
    assert logger.console() == ""  # no task has died of it
    worlds = count_ticks(bench)
    assert all(b - a == 1000 for a, b in itertools.pairwise(worlds))


def test_journal_that_fails_stops_no_tick_and_is_told(running, broker, hosts, flash):
    hosts.append(StoringHost(broker.port))
    host = hosts[0]
    (flash / "journal").write_text("a file where the folder should be")
    logger, bench = running()
    wait_until("a state that says so", lambda: any(s["online"] and not s["journal"]["ok"] for s in host.states))
    at = len(count_ticks(bench))
    wait_until("100 more ticks", lambda: len(count_ticks(bench)) > at + 100)
    wait_until("the frames lost, counted", lambda: host.states[-1]["journal"]["lost"] > 5)
    assert host.states[-1]["missed"] == 0
    assert logger.status is None


def test_damaged_settings_file_still_samples_and_journals(running, flash, make_bench, loggers):
    bench = make_bench(chips())
    logger = Logger(flash, bench, {}, PITSCRIBE_SPEED="0")
    loggers.append(logger)
    logger.cut_power()
    (flash / "config.json").write_bytes(b'{"period_ms": 5')
    env = environment(True, PITSCRIBE_BENCH=bench.path, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0")
    process = subprocess.Popen(
        [str(MICROPYTHON), "-X", HEAP, str(compiled() / "main.py")],
        cwd=flash,
        env=env,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        wait_until("400 ticks", lambda: len(count_ticks(bench)) > 400)
    finally:
        process.kill()
        process.wait()
    assert process.stdout is not None
    assert "damaged" in process.stdout.read()
    assert len(logger.journalled()) > 3


def test_whole_firmware_runs_for_hours_in_the_heap_of_the_board(flash, make_bench, loggers):
    """Jump mode with 180 KB of heap on the 64-bit port, where an object takes twice what it takes on the board."""
    bench = make_bench(chips())
    logger = Logger(flash, bench, config(1, broker={}, frame_ticks=32), PITSCRIBE_SPEED="0")
    loggers.append(logger)
    wait_until("8000 ticks", lambda: len(count_ticks(bench)) > 8000 or logger.status is not None)
    assert logger.status is None, logger.console()


REAL_TIME = """
import asyncio, json, time
from pitlogger import settings
from pitlogger.app import App
values, complaints = settings.read("config.json")
values["channels"] = values["channels"][:1]
class Chip:
    def configure(self): pass
    def read(self, codes, at):
        times.append(time.ticks_ms())
class Wlan:
    def active(self, on): pass
    def isconnected(self): return True
times = []
app = App(values, complaints, [Chip()], 1, time, "power", Wlan(), None)
async def go():
    task = asyncio.create_task(app.run())
    while len(times) < 26:
        await asyncio.sleep_ms(50)
        if len(times) in (1, 10):
            print(len(times))
    late = [time.ticks_diff(t, times[0]) - 250 * k for k, t in enumerate(times)]
    print(json.dumps([app.sampler.missed, max(late), app.uplink.connections, app.journal.next, app.journal.cursor]))
asyncio.run(go())
"""


@pytest.mark.alone
def test_in_real_time_a_broker_that_hangs_then_dies_then_returns_makes_no_tick_late(broker, hosts, flash):
    """No virtual time here: a call that blocks would show. The broker hangs (SIGSTOP) past ``ack_s`` and is killed."""
    values = config(broker.port, ack_s=2, period_ms=250, frame_ticks=4, now_s=1)
    (flash / "config.json").write_text(json.dumps(values))
    (flash / "real.py").write_text(REAL_TIME)
    command = [str(MICROPYTHON), "-X", HEAP, str(flash / "real.py")]
    logger = subprocess.Popen(command, cwd=flash, env=environment(False), stdout=subprocess.PIPE, text=True)
    try:
        hosts.append(StoringHost(broker.port))
        wait_until("two frames", lambda: len(hosts[0].keys) >= 2)
        broker.process.send_signal(signal.SIGSTOP)
        time.sleep(2.6)  # the hang itself, longer than ack_s: not a wait for something to happen
        broker.stop(kill=True)
        broker.start()
        out, _ = logger.communicate(timeout=20)
    finally:
        logger.kill()
        logger.wait()
    missed, latest, connections, following, cursor_ = json.loads(out.splitlines()[-1])
    print(f"latest tick in real time: {latest} ms")
    assert missed == 0
    assert connections >= 2
    assert cursor_ >= following - 2
