"""Resident memory of the host through a simulated day, with a page open.

Run: .venv/bin/python -m pytest -s tests/bench/test_serve_memory.py

The host is a process of its own that lives in the bench's time: broker, intake, ledger, watch and page. The cook runs
all day, so its series are part of what is held: 6 channels x 1 Hz x 28 bytes are 0.6 MB an hour.
"""

import json
import subprocess
import sys
import threading
import urllib.request
from pathlib import Path

from servers import wait_until

from pitscribe.simulate.rig import Bench, Board, write_settings
from pitscribe.simulate.scenario import SCENARIOS

HOURS, SPEED, SCENARIO = 24, 800, "bare"
LIMIT_MB = 150  # DESIGN.md section 6: what serve may take on a Raspberry Pi
SETTLED_H = 3  # by then everything has been imported and every buffer has its size

HOST = """
import json, sys, time, zlib
from pathlib import Path
from pitscribe.commands.host import Host
from pitscribe.config import BrokerConfig, PageConfig
from pitscribe.simulate.rig import WorldClock
from pitscribe.simulate.scenario import SCENARIOS
folder, name, unique = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
scenario = SCENARIOS[name]
clock = WorldClock(folder / "bench", scenario.utc0_ms)
with Host(folder, clock, BrokerConfig(port=0, listen="127.0.0.1"), page=PageConfig(port=0)) as host:
    cook = host.ledger.start_cook("a day", at=scenario.utc0_ms)
    for p in scenario.placements:
        host.ledger.place(cook.id, p.tc, zlib.crc32(bytes.fromhex(unique)), p.channel, p.place, p.kind)
    print(json.dumps([host.page.url, host.where]), flush=True)
    time.sleep(3600)
"""
UNIQUE = "70697473"


def resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def keep_a_page_open(url: str) -> None:
    """Read the event stream as an open page does, and ask for the chart now and then."""

    def read() -> None:
        with urllib.request.urlopen(f"{url}api/events", timeout=600) as stream:
            while stream.readline():
                pass

    threading.Thread(target=read, daemon=True).start()


def test_the_hosts_memory_is_flat_through_a_day_but_for_the_cooks_own_series(tmp_path):
    bench = Bench(tmp_path / "bench", SCENARIO, 7, HOURS)
    host = subprocess.Popen(
        [sys.executable, "-c", HOST, str(tmp_path), SCENARIO, UNIQUE], stdout=subprocess.PIPE, text=True
    )
    board = None
    try:
        assert host.stdout is not None
        url, where = json.loads(host.stdout.readline())
        write_settings(tmp_path / "flash", SCENARIOS[SCENARIO], SPEED, *where)
        keep_a_page_open(url)
        board = Board(tmp_path / "flash", bench, speed=SPEED, world_end_ms=HOURS * 3_600_000, unique_id=UNIQUE)
        seen = {}
        for hour in range(1, HOURS + 1):
            wait_until(f"hour {hour}", lambda: bench.clock.world_ms() >= hour * 3_600_000, 60)  # noqa: B023
            if hour % 3 == 0:
                seen[hour] = resident_mb(host.pid)
                print(f"hour {hour:2}: {seen[hour]:6.1f} MB resident")
    finally:
        if board is not None:
            board.cut_power()
        host.kill()
        host.wait()
        bench.stop()
    grown = seen[HOURS] - seen[SETTLED_H]
    print(f"grown by {grown:.1f} MB in {HOURS - SETTLED_H} h; the series themselves {0.6 * (HOURS - SETTLED_H):.1f} MB")
    assert seen[HOURS] < LIMIT_MB
    assert grown < 3 * 0.6 * (HOURS - SETTLED_H)
