"""A week of the whole firmware in the heap of the board: it does not grow. `pytest tests/bench/test_week_bench.py -s`.

Everything that a logger does at home, with simulated time: six channels at a tick a second, a journal that rotates, an
uplink to a real broker that comes and goes, a host that stores and tells the time, questions over the cable.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))
from firmware_rig import StoringHost
from long_rig import LongRun, told
from servers import Mosquitto

UP_S, DOWN_S = 3.0, 1.5  # of real time: half a day or so of the logger's, each


class Meanwhile:
    """Starts and stops the broker, and asks over the cable."""

    def __init__(self, broker, run):
        self.broker, self.run = broker, run
        self.up, self.due, self.turns = True, time.monotonic() + UP_S, 0

    def __call__(self):
        if time.monotonic() < self.due:
            return
        self.run.ask(("state", "log", "settings")[self.turns % 3])
        self.turns += 1
        if self.up:
            self.broker.stop(kill=self.turns % 4 == 1)
        else:
            self.broker.start()
        self.up = not self.up
        self.due = time.monotonic() + (UP_S if self.up else DOWN_S)


def test_a_week_needs_no_more_memory_than_its_first_day(tmp_path, capsys):
    broker = Mosquitto(tmp_path)
    broker.start()
    host = StoringHost(broker.port, utc=lambda: 1_764_000_000_000)
    uplink = {"host": "127.0.0.1", "port": broker.port, "ack_s": 3600, "keepalive_s": 7200}
    run = LongRun(
        tmp_path / "flash",
        {"broker": uplink, "now_s": 600, "state_s": 3600, "journal_kb": 256, "hotspot": {"when": "never"}},
        every_s=6 * 3600,
    )
    meanwhile = Meanwhile(broker, run)
    try:
        rows = run.until(7 * 24, 600, meanwhile)
    finally:
        run.close()
        host.close()
        if meanwhile.up:
            broker.stop()
    day = max(row.used for row in rows if row.up_s <= 86_500)
    later = max(row.used for row in rows if row.up_s > 86_500)
    with capsys.disabled():
        print(f"\n{told(rows)}\nthe first day {day} B, later {later} B; {len(set(host.keys))} frames came, of "
              f"{len(host.keys)}; broker away {meanwhile.turns // 2} times; {run.answers()} answers over the cable")
    assert "MemoryError" not in run.console()
    assert rows[-1].missed == rows[-1].dropped == 0
    assert run.answers() > 5
    assert len(set(host.keys)) > 1000
    assert later <= day + 1024
