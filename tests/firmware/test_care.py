"""Care: when the watchdog is left to bite, safe mode, what is kept of a reset, the log, and what the board senses."""

import json

import pytest
from firmware_rig import Logger, StoringHost, WordChip, Worker, run
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from journal_rig import events_in
from servers import wait_until

APP = """
import asyncio, gc, json, time, machine
from pitlogger import files, rules, settings
from pitlogger.app import App
from pitlogger.care import Care, Health, Senses
from pitlogger.log import Log
from pitlogger.timebase import Uptime
values = rules.defaults()
values.update(frame_ticks=4, period_ms=1000, channels=values["channels"][:1])
class Chip:
    fault = 0
    def configure(self): pass
    def read(self, codes, at):
        codes[at] = codes[at + 1] = 400
        codes[at + 2] = self.fault
class Dog:
    fed = 0
    def feed(self): self.fed += 1
dog, chip = Dog(), Chip()
def app_of(cause="power", **more):
    return App(values, [], [chip], 1, time, cause, more.pop("wlan", None), dog, **more)
async def for_s(app, seconds, then=None):
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(seconds * 1000)
    if then: then()
    task.cancel()
    try:
        await task
    except asyncio.CancelledError:
        pass
"""


def on_board(script, flash, **env):
    return run(APP + script, flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0", **env)


# -- the watchdog ----------------------------------------------------------------------------------------------------


def test_watchdog_is_fed_once_a_second_while_all_is_well_whatever_chips_and_journal_do(flash):
    script = """
chip.fault = 0x0100
app = app_of()
app.journal._write = lambda sequence, frame: False
asyncio.run(for_s(app, 300))
print(dog.fed, app.journal.ok, app.sampler.missed)
"""
    assert on_board(script, flash).split() == ["300", "False", "0"]


@pytest.mark.parametrize(("break_it", "why"), [
    ("app.sampler.take = stop", "the sampler stands"),
    ("app.recorder.encoder.add = never", "the recorder stands"),
])
def test_watchdog_is_left_to_bite_when_sampler_or_recorder_stands_and_why_is_kept(break_it, why, flash):
    script = f"""
app = app_of()
def stop():
    raise asyncio.CancelledError()     # the sampler's task ends without an error that anybody would see
async def never(block):
    await asyncio.Event().wait()
async def go():
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(60000)
    fed = dog.fed
    {break_it}
    await asyncio.sleep_ms(60000)
    before = dog.fed
    await asyncio.sleep_ms(60000)
    print(json.dumps([fed, before - fed, dog.fed - before, list(app.log.lines())[-1]]))
try:
    asyncio.run(go())
except asyncio.CancelledError:
    pass
"""
    fed, after, later, line = json.loads(on_board(script, flash))
    assert 59 <= fed <= 60
    assert after < 45
    assert later == 0
    assert line[1] == why
    seen = on_board('c = Care("watchdog")\nprint(json.dumps([c.cause, c.reason, c.resets]))', flash)
    assert json.loads(seen) == ["watchdog", why, 1]


def test_recorder_that_catches_up_lets_the_dog_be_fed_again_and_the_reason_is_forgotten(flash):
    script = """
app = app_of()
real = app.recorder.encoder.add
gate = asyncio.Event()
async def slow(block):
    await gate.wait()
    return await real(block)
app.recorder.encoder.add = slow
async def go():
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(50000)
    held = dog.fed, files.exists("reason")
    gate.set()
    await asyncio.sleep_ms(10000)
    print(json.dumps([held, dog.fed - held[0], files.exists("reason")]))
    task.cancel()
asyncio.run(go())
"""
    (fed, kept), later, still = json.loads(on_board(script, flash))
    assert (kept, still) == (True, False)
    assert fed < 40
    assert later >= 9


# -- resets and safe mode --------------------------------------------------------------------------------------------

BOOT = "c = Care({!r})\nprint(json.dumps([c.cause, c.reason, c.resets, c.safe]))"


def boot(cause, flash):
    return json.loads(on_board(BOOT.format(cause), flash))


def test_three_resets_without_a_healthy_hour_are_safe_mode_and_the_power_switch_ends_it(flash):
    seen = [boot(cause, flash) for cause in ("power", "watchdog", "unknown", "watchdog", "soft", "power", "watchdog")]
    assert [s[2] for s in seen] == [0, 1, 2, 3, 4, 0, 1]
    assert [s[3] for s in seen] == [False, False, False, True, True, False, False]


def test_power_on_writes_nothing_to_flash(flash):
    boot("power", flash)
    assert not (flash / "resets").exists()


@pytest.mark.parametrize("damage", [b"", b"3", b"3 00000000", b"\xff" * 30, b"x y"])
def test_damaged_count_is_no_count_and_stops_nothing(damage, flash):
    (flash / "resets").write_bytes(damage)
    (flash / "reason").write_bytes(damage)
    assert boot("watchdog", flash)[2:] == [1, False]


def test_reset_of_its_own_is_told_as_soft_with_its_reason_once(flash):
    on_board('Care("power").expect("soft", "MemoryError: \\u00e4\\n" + "x" * 100)', flash)
    cause, reason, resets, _ = boot("watchdog", flash)  # what the RP2040 says of a reset of its own
    assert (cause, resets) == ("soft", 1)
    assert reason.startswith("MemoryError: ??xxx")
    assert len(reason) == 60
    assert boot("watchdog", flash)[:3] == ["watchdog", "", 2]


def test_reason_of_a_reset_that_the_power_switch_came_before_is_not_told(flash):
    on_board('Care("power").expect("watchdog", "the recorder stands")', flash)
    assert boot("power", flash) == ["power", "", 0, False]


def test_healthy_hour_ends_the_count_and_a_shorter_one_does_not(flash):
    (flash / "resets").write_text(on_board(
        'files.write_number("resets", 1)\nprint(open("resets").read(), end="")', flash))
    script = """
care = Care("watchdog")
values["period_ms"] = 10000
app = app_of("watchdog", care=care)
asyncio.run(for_s(app, %d, lambda: print(care.resets, files.read_number("resets"))))
"""
    assert on_board(script % 3590, flash).split() == ["2", "2"]
    assert on_board(script % 3605, flash).split() == ["0", "0"]


def test_boot_event_says_cause_resets_reason_and_safe_mode(flash):
    on_board("app_of()", flash)
    on_board('app_of("watchdog").care.expect("soft", "OSError: 5")', flash)
    on_board('app_of("watchdog")', flash)
    on_board('app_of("watchdog")', flash)
    told = [{k: v for k, v in e.fields.items() if k not in ("firmware", "name")} for e in events_in(flash, "boot")]
    assert told == [
        {"cause": "power"},
        {"cause": "watchdog", "resets": 1},
        {"cause": "soft", "resets": 2, "reason": "OSError: 5"},
        {"cause": "watchdog", "resets": 3, "safe": True},
    ]


def test_longest_boot_event_fits_in_a_frame(flash):
    """A name of quotes and one of four bytes a letter, and the longest reason."""
    for name in ('"' * 40, "\U0001f525" * 40):
        script = f"""
values["name"] = {name!r}
care = Care("watchdog")
care.resets, care.safe, care.reason = 255, True, '"' * 60
app_of("watchdog", care=care)
"""
        on_board(script, flash)
    assert [len(e.fields["reason"]) for e in events_in(flash, "boot")] == [60, 60]


def test_firmware_that_crashes_three_times_samples_in_safe_mode_without_network_and_has_it_back_in_an_hour(
    flash, broker, hosts, loggers, make_bench
):
    bench = make_bench({17: WordChip(0x06B41900)})
    config = {"name": "pit", "frame_ticks": 8, "channels": [{"chip": "max31855", "cs": 17}], "now_s": 60,
              "hotspot": {"when": "never"},
              "broker": {"host": "127.0.0.1", "port": broker.port, "keepalive_s": 6000, "ack_s": 600}}
    flash.mkdir(exist_ok=True)
    on_board('c = Care("watchdog")\nc = Care("watchdog")', flash)
    hosts.append(StoringHost(broker.port))
    env = {"PITSCRIBE_SPEED": "600", "PITSCRIBE_RESET_CAUSE": "watchdog"}
    loggers.append(Logger(flash, bench, config, **env))
    host, chip = hosts[0], bench.chips[17]
    wait_until("fifty minutes of sampling", lambda: chip.reads > 3000)
    assert host.states == []
    assert host.frames == []
    assert "safe mode after 3 resets" in loggers[0].console()
    assert len(loggers[0].journalled()) > 300
    wait_until("the network is back", lambda: host.states and len(host.frames) > 350)
    assert chip.reads > 3600
    assert host.states[-1]["safe"] is False
    assert host.states[-1]["missed"] == 0
    assert events_in(flash, "boot")[-1].fields["safe"] is True


def test_crash_of_the_firmware_leaves_its_reason_for_the_next_boot(flash, loggers, make_bench):
    bench = make_bench({17: WordChip(0x06B41900)})
    config = {"channels": [{"chip": "max31855", "cs": 17}], "frame_ticks": 4, "hotspot": {"when": "never"}}
    loggers.append(Logger(flash, bench, config, PITSCRIBE_SPEED="0", PITSCRIBE_UNIQUE_ID="7"))
    wait_until("it ends", lambda: loggers[0].status is not None)
    assert loggers[0].status == 3  # an odd-length id is a ValueError: the board resets itself
    seen = boot("watchdog", flash)
    assert seen[0] == "soft"
    assert "Error" in seen[1]


def test_safe_mode_does_not_even_load_what_belongs_to_a_network(flash):
    """Such as a module that runs out of memory when it is compiled: it would be at fault again."""
    script = """
import sys
import network
values["broker"]["host"] = "127.0.0.1"
app = app_of("watchdog", care=Care("watchdog"), wlan=network.WLAN(network.STA_IF))
loaded = ["pitlogger." + name in sys.modules for name in ("radio", "net", "uplink", "mqtt")]
print(json.dumps([loaded, json.loads(app.state())["safe"]]))
"""
    seen = [json.loads(on_board(script, flash)) for _ in range(3)]
    assert seen == [[[True] * 4, False]] * 2 + [[[False] * 4, True]]


# -- the log ---------------------------------------------------------------------------------------------------------

LOG = """
from pitlogger.log import Log
class Up:
    at = 0
    def now(self):
        self.at += 1500
        return self.at
def answer(lines):
    log = Log(Up())
    ring = log._ring
    for line in lines:
        log.add(line)
    return [list(log.lines()), len(ring), log.added]
"""


@settings(deadline=None, max_examples=30, suppress_health_check=list(HealthCheck))
@given(lines=st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=90), max_size=100))
def test_log_keeps_the_last_forty_lines_cut_at_a_whole_letter_in_memory_that_does_not_grow(lines, log_worker):
    kept, size, added = log_worker.ask(lines)
    assert size == 2560
    assert added == len(lines)
    first = max(0, len(lines) - 40)
    assert [at for at, _ in kept] == [(i + 1) * 3 // 2 for i in range(first, len(lines))]
    for (_, text), line in zip(kept, lines[first:], strict=True):
        whole = line.encode()[:59].decode(errors="ignore")
        assert text == whole


@pytest.fixture(scope="module")
def log_worker(tmp_path_factory):
    worker = Worker(LOG, tmp_path_factory.mktemp("log"))
    yield worker
    worker.close()


def test_chip_that_dies_and_returns_is_logged_with_the_uptime_and_told_in_state(flash):
    script = """
app = app_of()
async def go():
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(10500)
    chip.fault = 0x0100
    await asyncio.sleep_ms(10000)
    lost = app._chip_words()
    chip.fault = 0
    await asyncio.sleep_ms(10000)
    task.cancel()
    print(json.dumps([lost, json.loads(app.state())["chips"], list(app.log.lines())[-2:]]))
asyncio.run(go())
"""
    lost, back, lines = json.loads(on_board(script, flash))
    assert (lost, back) == (["lost 1"], ["back 1"])
    assert [text for _, text in lines] == ["channel 0: lost 1", "channel 0: back 1"]
    assert [at in (10, 11, 20, 21) for at, _ in lines] == [True, True]


# -- senses ----------------------------------------------------------------------------------------------------------


def test_board_tells_its_temperature_and_supply_where_it_has_a_converter_and_nothing_where_not(flash):
    # RP2040 data sheet section 4.9.5 (from memory): 706 mV at 27 degC, -1.721 mV/K. 3.3 V full scale, 16 bits.
    script = """
class Adc:
    def __init__(self, volts): self.counts = round(volts / 3.3 * 65535)
    def read_u16(self): return self.counts
told = [Senses().read()]
for celsius in (-20, 0, 27, 60, 85):
    told.append(Senses(Adc(0.706 - 0.001721 * (celsius - 27))).read()["chip_c"])
told.append(Senses(None, Adc(1.667), 3000).read())
told.append(Senses(None, Adc(3.3), 20000).read())
print(json.dumps(told))
"""
    none, *celsius, supply, most = json.loads(on_board(script, flash))
    assert none == {}
    assert all(abs(got - c) <= 1 for got, c in zip(celsius, (-20, 0, 27, 60, 85), strict=True))
    assert abs(supply["supply_mv"] - 5001) <= 5
    assert most == {"supply_mv": 66000}
