"""The one radio: a guest where a known network is in reach, a host where none is, and nothing lost on the way."""

import contextlib
import itertools
import json
import subprocess

from firmware_rig import HEAP, MICROPYTHON, Logger, StoringHost, WordChip, environment, run
from servers import free_port, wait_until
from usb_rig import CableLogger, FilePort, ask_state
from web_rig import KEY, PIN, Guest

from pitscribe.intake.usb import Conversation
from pitscribe.wire.lines import question

HOME = {"ssid": "home", "password": "at the house"}
SCRIPT = """
import asyncio, gc, json, network, sys, time
from pitlogger import rules, settings
from pitlogger.app import App
values = rules.defaults()
values["channels"] = values["channels"][:2]
values["broker"].update(host="127.0.0.1", port=PORT)
values["wifi"] = [{"ssid": "home", "password": "secret one"}]
values["hotspot"].update(port=PAGE, dns=0)
class Chip:
    def configure(self): pass
    def read(self, codes, at):
        codes[at] = codes[at + 1] = 400
        codes[at + 2] = 0
app = App(values, [], [Chip(), Chip()], 1, time, "power", network.WLAN(network.STA_IF), None,
          ap=network.WLAN(network.AP_IF))
def air(**reach):
    with open("air.json", "w") as f:
        json.dump(reach, f)
def has(*names):
    return ["pitlogger." + name in sys.modules for name in names]
async def until(what, s):
    for _ in range(s):
        if what():
            return
        await asyncio.sleep_ms(1000)
    raise OSError("waited in vain")
"""


def on_board(flash, body):
    """Run a script in jump mode with both kinds of network; return what it printed, line by line, as JSON."""
    script = SCRIPT.replace("PORT", "9").replace("PAGE", str(free_port())) + body
    more = {"PITSCRIBE_AIR": "air.json", "PITSCRIBE_AP": "127.0.0.1", "PITSCRIBE_SPEED": "0", "PITSCRIBE_EASE_MS": "0"}
    out = run(script, flash, shims=True, **more)
    return [json.loads(line) for line in out.splitlines() if not line.startswith("hotspot:")]


def test_own_network_opens_a_minute_after_the_known_one_went_and_the_other_part_is_out_of_memory(flash):
    body = """
async def go():
    air(home="secret one")
    task = asyncio.create_task(app.run())
    await until(lambda: app.net and app.net.wifi.up.is_set(), 30)
    print(json.dumps(has("net", "mqtt", "web", "hotspot")))
    air()
    gone = time.ticks_ms()
    await until(lambda: app.hotspot is not None, 200)
    print(json.dumps(time.ticks_diff(time.ticks_ms(), gone) // 1000))
    await asyncio.sleep_ms(2000)
    print(json.dumps(has("net", "mqtt", "web", "hotspot") + [app.uplink is None]))
asyncio.run(go())
"""
    guest, waited, host = on_board(flash, body)
    assert guest == [True, True, False, False]
    assert 60 <= waited <= 73  # with a module a tick
    assert host == [False, False, True, True, True]


def test_known_network_that_comes_back_is_found_once_nobody_looked_for_five_minutes_and_not_before(flash):
    body = """
async def go():
    air()
    task = asyncio.create_task(app.run())
    await until(lambda: app.hotspot is not None, 200)
    air(home="secret one")
    for _ in range(10):                  # somebody looks, for twenty minutes
        await asyncio.sleep_ms(120_000)
        app.hotspot._views.get("/now", "")
    print(json.dumps(app.hotspot is not None))
    asked = time.ticks_ms()
    await until(lambda: app.net and app.net.wifi.up.is_set(), 600)
    print(json.dumps(time.ticks_diff(time.ticks_ms(), asked) // 1000))
asyncio.run(go())
"""
    stayed, waited = on_board(flash, body)
    assert stayed is True
    assert 300 <= waited <= 313  # with a module a tick


def test_eighty_changes_of_part_leave_no_heap_behind_and_no_tick_out(flash):
    body = """
async def go():
    air()
    task = asyncio.create_task(app.run())
    for turn in range(40):
        air()
        await until(lambda: app.hotspot is not None, 700)
        await asyncio.sleep_ms(3000)
        gc.collect()
        hosting = gc.mem_alloc()
        air(home="secret one")
        await until(lambda: app.net and app.net.wifi.up.is_set(), 700)
        await asyncio.sleep_ms(3000)
        gc.collect()
        print(json.dumps([hosting, gc.mem_alloc()]))  # kept nowhere: it would be growth
    print(json.dumps(app.sampler.missed))
asyncio.run(go())
"""
    *heaps, missed = on_board(flash, body)
    assert missed == 0
    for part in (0, 1):
        early, late = (min(heap[part] for heap in some) for some in (heaps[1:6], heaps[-5:]))
        print(f"heap as {('host', 'guest')[part]}: {early} early, {late} after eighty changes")
        assert late <= early + 64


def test_what_a_part_needs_is_loaded_a_module_after_a_tick_so_that_no_piece_of_it_is_long(flash):
    body = """
import builtins
ticked, loaded, load = [0, 0], [], __import__
def tick():
    ticked[:] = time.ticks_ms(), ticked[1] + 1
    app._on_tick()
def watched(name, *more):
    new = name.startswith("pitlogger.") and name not in sys.modules
    before = len(sys.modules)
    made = load(name, *more)
    if new:
        loaded.append((name, ticked[1], time.ticks_diff(time.ticks_ms(), ticked[0]), len(sys.modules) - before))
    return made
async def go():
    air()
    app.sampler._on_tick = tick
    task = asyncio.create_task(app.run())
    builtins.__import__ = watched
    await until(lambda: app.hotspot is not None, 200)
    air(home="secret one")
    await until(lambda: app.net and app.net.wifi.up.is_set(), 700)
    print(json.dumps(loaded))
asyncio.run(go())
"""
    (loaded,) = on_board(flash, body)
    assert len(loaded) > 10  # both parts, one after the other
    assert all(late <= 10 and modules == 1 for _, _, late, modules in loaded)
    assert len({tick for _, tick, _, _ in loaded}) == len(loaded)


def test_access_point_that_will_not_open_keeps_nobody_from_the_known_network(flash):
    body = """
app.radio._ap.config = None
async def go():
    air()
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(600_000)
    air(home="secret one")
    await until(lambda: app.net and app.net.wifi.up.is_set(), 200)
    print(json.dumps([line for _, line in app.log.lines() if "radio" in line][:1]))
asyncio.run(go())
"""
    ((line,),) = on_board(flash, body.replace("config = None", "active = refuse").replace("app.radio", REFUSE, 1))
    assert line.startswith("radio: ")


REFUSE = """
def refuse(on=None):
    raise OSError(19)
app.radio"""


def test_frames_of_a_stay_on_its_own_ground_reach_the_host_when_the_logger_is_home_again(
    flash, broker, hosts, loggers, make_bench, tmp_path
):
    """The whole firmware: uplink, own page with a guest, uplink again; each frame once, no tick missed."""
    air = tmp_path / "air.json"

    def reach(**networks):
        made = tmp_path / "made"
        made.write_text(json.dumps(networks))
        made.rename(air)

    reach(home=HOME["password"])
    page = free_port()
    config = {
        "name": "pit", "frame_ticks": 8, "now_s": 10, "watchdog_ms": 0, "wifi": [HOME],
        "channels": [{"chip": "max31855", "cs": 17, "kind": "meat", "place": "flat"}],
        "hotspot": {"when": "needed", "port": page, "dns": 0, "key": KEY, "pin": PIN},
        "broker": {"host": "127.0.0.1", "port": broker.port, "keepalive_s": 6000, "ack_s": 600},
    }  # fmt: off
    hosts.append(StoringHost(broker.port))
    env = {"PITSCRIBE_SPEED": "60", "PITSCRIBE_AP": "127.0.0.1", "PITSCRIBE_AIR": str(air)}
    loggers.append(Logger(flash, make_bench({17: WordChip(0x06B41900)}), config, **env))
    host, logger = hosts[0], loggers[0]
    wait_until("frames at home", lambda: len(host.frames) > 5)
    reach()
    wait_until("the own network", lambda: "hotspot:" in logger.console())
    before = len(set(host.keys))
    assert Guest(page).get("/now").json["channels"][0]["place"] == "flat"
    reach(home=HOME["password"])
    wait_until("home again", lambda: len(set(host.keys)) > before + 30)
    sequences = sorted({sequence for _, sequence in host.keys})
    assert sequences == list(range(sequences[0], sequences[-1] + 1))
    assert host.states[-1]["missed"] == 0


def test_module_that_the_flash_cannot_give_delays_the_part_and_resets_nothing(flash):
    body = """
async def go():
    air()
    package = sys.modules["pitlogger"]
    real = package.__path__
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(50_000)
    package.__path__ = "nowhere"
    await asyncio.sleep_ms(100_000)
    print(json.dumps([app.hotspot is None, [line for _, line in app.log.lines() if "radio" in line][:1]]))
    package.__path__ = real
    await until(lambda: app.hotspot is not None, 200)
    print(json.dumps([app.sampler.missed, task.done()]))
asyncio.run(go())
"""
    (none, (line,)), (missed, ended) = on_board(flash, body)
    assert none
    assert line.startswith("radio: no module named")
    assert (missed, ended) == (0, False)


def test_a_reader_that_stops_while_the_radio_changes_its_part_costs_neither_a_tick_nor_the_change(
    flash, make_bench, tmp_path
):
    """On a cable that is read no more, with lines waiting for it: from the known network to its own, and back."""
    air, page, port = tmp_path / "air.json", free_port(), tmp_path / "port"

    def reach(**networks):
        (tmp_path / "made").write_text(json.dumps(networks))
        (tmp_path / "made").rename(air)

    reach(home=HOME["password"])
    config = {
        "frame_ticks": 8, "watchdog_ms": 8000, "wifi": [HOME], "channels": [{"chip": "max31855", "cs": 17}],
        "hotspot": {"when": "needed", "port": page, "dns": 0, "key": KEY, "pin": PIN}, "broker": {"host": "127.0.0.1"},
    }
    bench = make_bench({17: WordChip(0x06B41900)})
    env = {"PITSCRIBE_SPEED": "240", "PITSCRIBE_AP": "127.0.0.1", "PITSCRIBE_AIR": str(air)}
    logger = CableLogger(flash, bench, config, port, **env)
    file = FilePort(port)
    try:
        far = Conversation(file, "port", answer_s=5.0)
        assert far.ask("live", s=600).refused is None
        logger.cable.reads = False
        logger.cable._all_to_board(question(77, "frames", **{"from": 0, "most": 16}) * 20)
        reach()
        served = []

        def own() -> bool:
            with contextlib.suppress(OSError):
                served.append(Guest(page).get("/now").json["missed"])
            return bool(served)

        wait_until("its own network, with its page", own)
        reach(home=HOME["password"])

        def closed() -> bool:
            try:
                Guest(page).get("/now")
            except OSError:
                return True
            return False

        del served[:]
        before = bench.chips[17].reads
        wait_until("seven minutes that nobody asks for the page", lambda: bench.chips[17].reads > before + 420)
        wait_until("the known network again", closed)
        logger.cable.reads = True
        answer = ask_state(far)
        assert json.loads(answer.state)["missed"] == 0
        assert answer.members["skipped"] > 0
        assert {b - a for a, b in itertools.pairwise(bench.chips[17].worlds)} == {1000}
        assert logger.process.poll() is None
    finally:
        file.close()
        logger.cut_power()


def test_console_that_nobody_reads_does_not_hold_up_the_opening_of_the_own_network(flash):
    """The pipe is full to the last byte, as a port is whose reader has stopped."""
    body = """
import select
room = select.poll()
room.register(sys.stdout, select.POLLOUT)
while room.poll(0):
    sys.stdout.buffer.write(bytes(4096))
async def go():
    air()
    asyncio.create_task(app.run())
    await asyncio.sleep_ms(200_000)
    with open("told", "w") as f:
        json.dump([app.hotspot is not None and app.hotspot.where != "", app.sampler.missed], f)
asyncio.run(go())
"""
    more = {"PITSCRIBE_AIR": "air.json", "PITSCRIBE_AP": "127.0.0.1", "PITSCRIBE_SPEED": "0", "PITSCRIBE_EASE_MS": "0"}
    flash.mkdir(exist_ok=True)
    (flash / "script.py").write_text(SCRIPT.replace("PORT", "9").replace("PAGE", str(free_port())) + body)
    board = subprocess.Popen(
        [str(MICROPYTHON), "-X", HEAP, "script.py"], cwd=flash, env=environment(True, **more), stdout=subprocess.PIPE
    )
    try:
        assert board.wait(15) == 0
    finally:
        board.kill()
        board.communicate()
    assert json.loads((flash / "told").read_text()) == [True, 0]
