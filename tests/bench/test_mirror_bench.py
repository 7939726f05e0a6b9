"""The mirror over long: points written, found, lost and doubled under kills, outages and full disks; what it costs.

Run: .venv/bin/python -m pytest -s tests/bench/test_mirror_bench.py

Filling a disk needs root, who mounts a small one in memory. The seed is PITSCRIBE_SEED, or 314159.
"""

import contextlib
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from servers import InfluxDB, VictoriaMetrics, free_port

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS / "host"), str(TESTS / "system")]

from mirror_rig import Between, Copy, hand_on  # noqa: E402 - they are in other folders of the tests
from page_world import LOGGER, START, UP_MS, make_world  # noqa: E402

from pitscribe.mirror.connect import connect  # noqa: E402
from pitscribe.mirror.cooks import Cooks  # noqa: E402
from pitscribe.mirror.copier import Copier  # noqa: E402
from pitscribe.mirror.mirror import Mirror, Pace  # noqa: E402
from pitscribe.mirror.server import Address  # noqa: E402

SEED = int(os.environ.get("PITSCRIBE_SEED", "314159"))
HOURS, KILLS = 18, 20
STORES = pytest.mark.parametrize("kind", [VictoriaMetrics, InfluxDB], ids=["victoria", "influx"])


def tell(copy, world, what):
    """End the cook, bring all, and print the one line that counts."""
    world.ledger.end_cook(world.cook.id)
    copy.bring(60)
    points, found, doubled, same = copy.both()
    print(f"\n{what}: points {points}, found {found}, lost {points - found}, doubled {doubled}, all the same: {same}")
    assert (found, doubled, same) == (points, 0, True)
    copy.stop()
    world.ledger.close()


@STORES
def test_kills_and_outages(kind, tmp_path):
    """Of the server, of the mirror, of both, some in the midst of a write; 100 to 1500 s of the cook between."""
    draw = random.Random(SEED)
    server = kind(tmp_path)
    server.start()
    between = Between(server.url)
    between.only = "/api/v2/write" if kind is VictoriaMetrics else "/write"
    world = make_world(tmp_path, hours=0.5, period_s=2.0)
    world.ledger.set_cook(world.cook.id, target_c=None)
    copy = Copy(world, between.url)
    if kind is VictoriaMetrics:  # nothing has rested for half a minute of the server's here
        copy.pass_s = 0.0
    counts = dict.fromkeys(("server killed", "server stopped", "mirror killed", "cut in a write"), 0)

    def cut(handler, answer, data):
        between.spoil = None
        server.stop(kill=True)
        handler.close_connection = True

    for _ in range(KILLS):
        world.carry_on(draw.uniform(100, 1500))
        if draw.random() < 0.4:  # the server has it or not, and is killed in the next moment
            between.spoil, between.before = cut, draw.random() < 0.5
            counts["cut in a write"] += 1
            copy.step()
        else:
            copy.step()
            hard = draw.random() < 0.7
            counts["server killed" if hard else "server stopped"] += 1
            server.stop(kill=hard)
            world.carry_on(draw.uniform(60, 600))
            copy.step()
        if draw.random() < 0.5:
            counts["mirror killed"] += 1
            copy.begin_anew()
        between.spoil = None
        if server.process is None:
            server.start()
        copy.step()
    print(f"\nseed {SEED}: {counts}")
    copy.pass_s = 100.0
    tell(copy, world, server.package)
    between.stop()
    server.stop()


@STORES
def test_what_has_rested_is_on_disk_when_the_server_is_killed(kind, tmp_path):
    """So long after a write (``Server.rests_s``) an hour that is found counts as there for good."""
    server = kind(tmp_path)
    server.start()
    world = make_world(tmp_path, hours=2, period_s=1.0)
    world.ledger.set_cook(world.cook.id, target_c=None)
    world.ledger.end_cook(world.cook.id)
    copy = Copy(world, server.url, pace=Pace(confirm_s=1e9))
    copy.step()
    rests_s = connect(copy.address).rests_s
    time.sleep(rests_s)
    server.stop(kill=True)
    server.start()
    points, found, doubled, same = copy.both()
    print(f"\n{server.package}, killed {rests_s:.0f} s after the last write: points {points}, found {found}")
    assert (found, doubled, same) == (points, 0, True)
    copy.stop()
    world.ledger.close()
    server.stop()


@STORES
def test_a_disk_that_is_really_full(kind):
    if os.geteuid() != 0:
        pytest.skip("only root can mount a small disk")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        disk, home = folder / "disk", folder / "home"
        disk.mkdir()
        home.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", disk], check=True)
        server = kind(disk)
        try:
            server.start()
            world = make_world(home, hours=3, period_s=2.0)
            world.ledger.set_cook(world.cook.id, target_c=None)
            copy = Copy(world, server.url)
            copy.step()
            before = copy.mirror.written
            with contextlib.suppress(OSError):
                (disk / "filler").write_bytes(bytes(24 << 20))
            time.sleep(2.5)  # VictoriaMetrics looks each second how much room there is
            world.carry_on(3600)
            copy.step()
            print(f"\n{server.package}, {before} points written before: {copy.mirror.trouble}")
            assert copy.mirror.trouble is not None
            assert copy.step() > 5
            (disk / "filler").unlink()
            time.sleep(2.5)
            if server.process.poll() is not None:
                print(f"{server.package} has ended by itself with {server.process.poll()}")
                server.start()
            tell(copy, world, f"{server.package}, with room again")
        finally:
            server.stop(kill=True)
            subprocess.run(["umount", "-l", disk], check=True)


class Counting:
    """A server that counts and keeps nothing."""

    kind, reads, texts, rests_s = "one that counts", True, True, 1e9
    address = Address("http://counts", "o", "b")

    def __init__(self, *, by_series):
        self.deletes_series = by_series
        self.points = self.bytes = self.deletes = 0

    def write(self, lines):
        self.points += len(lines)
        self.bytes += sum(len(line.encode()) + 1 for line in lines)

    def held(self, stream, first_ms, last_ms):
        return {}

    def delete(self, series, first_ms, last_ms):
        self.deletes += 1


@pytest.mark.parametrize("ppm", [0, 12, 30, 60])
def test_what_hourly_anchors_cost(ppm, tmp_path):
    """A cook of 18 h, six channels at 1 Hz, looked at each five minutes, with an anchor each hour right to 20 ms."""
    draw = np.random.default_rng(SEED)
    world = make_world(tmp_path, hours=0, period_s=1.0)
    world.ledger.set_cook(world.cook.id, target_c=None)
    server, clock = Counting(by_series=True), [0.0]
    copier = Copier(world.ledger, world.ledger.mirror("x").id, server, real=lambda: clock[0], confirm_s=1e9)
    cooks = Cooks(world.ledger, "home", lambda: clock[0])
    for five in range(1, HOURS * 12 + 1):
        world.carry_on(300)
        clock[0] += 300
        if five % 12 == 0:
            s = world.done_s
            utc = START + s * (1 + ppm * 1e-6) + float(draw.uniform(-0.02, 0.02))
            world.send(world.anchor(LOGGER, UP_MS + round(s * 1000), utc))
        cooks.step(copier)
    once = HOURS * 3600 * 6 + 2 * HOURS * 60
    print(f"\n{ppm} ppm: {server.points} points written, each {server.points / once:.2f} times; "
          f"{server.bytes / 1e6:.0f} MB of lines; {server.deletes} series deleted")
    assert server.points < 1.4 * once
    world.ledger.close()


MEMORY = """
import json, sys, time
from pathlib import Path
sys.path[:0] = sys.argv[2:4]
from pitscribe.clock import SystemClock
from pitscribe.cook.analysis import analyse
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import Reader
def peak():
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024
ledger = Ledger(Path(sys.argv[1]) / "ledger.sqlite", SystemClock())
reader = Reader(ledger, 1)
analyse(reader.read())
plain = peak()
from mirror_rig import Copy
class World: pass
world = World()
world.ledger, world.cook = ledger, ledger.cook(1)
copy = Copy(world, sys.argv[4], name="memory")
seen = []
for _ in range(int(sys.argv[5])):
    copy.step()
    seen.append(peak())
print(json.dumps([plain, seen, copy.mirror.written, copy.mirror.trouble and copy.mirror.trouble.text]))
"""


def test_memory_of_a_cook_of_18_hours(tmp_path):
    """The peak of a process that reads and analyses the cook, and that mirrors it besides: away, then there."""
    world = make_world(tmp_path, hours=HOURS, period_s=1.0)
    world.ledger.set_cook(world.cook.id, target_c=None)
    world.ledger.end_cook(world.cook.id)
    world.ledger.close()
    server = InfluxDB(tmp_path)
    server.start()
    for what, url in (("away", f"http://127.0.0.1:{free_port()}"), ("there", server.url)):
        command = [sys.executable, "-c", MEMORY, tmp_path, TESTS / "host", TESTS / "system", url, "8"]
        paths = os.environ | {"PYTHONPATH": str(TESTS)}
        out = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=True, env=paths).stdout
        plain, seen, written, trouble = json.loads(out)
        print(f"\nserver {what}: read and analysed {plain:.0f} MB; mirrored, peak after each pass "
              f"{' '.join(f'{mb:.0f}' for mb in seen)} MB; {written} points; {trouble}")
        assert seen[-1] - seen[1] < 5, "flat"
    server.stop()


def commits(world, seconds):
    """How long each of a frame's commits takes, one each 50 ms. [ms]"""
    took, until = [], time.monotonic() + seconds
    while time.monotonic() < until:
        began = time.perf_counter()
        world.carry_on(32, anchor=False)
        took.append(1000 * (time.perf_counter() - began))
        time.sleep(0.05)
    return np.array(took)


@pytest.mark.alone
def test_the_intake_is_not_held_up(tmp_path):
    """Frames come in at twenty a second while the mirror has a cook of 12 h to write: server away, slow, fine, none.

    A frame's time has the making of its 32 ticks in it, the same for all four.
    """
    server = InfluxDB(tmp_path)
    server.start()
    between = Between(server.url)

    def slowly(handler, answer, data):
        time.sleep(2)
        hand_on(handler, answer, data)

    for what in ("no mirror", "server away", "server slow (2 s)", "server fine"):
        folder = tmp_path / what
        folder.mkdir()
        world = make_world(folder, hours=12, period_s=1.0)
        between.spoil = slowly if "slow" in what else None
        url = f"http://127.0.0.1:{free_port()}" if "away" in what else between.url
        mirror = Mirror(world.ledger, Address(url, "o", "pit"), what, pace=Pace(retry_s=(0.5, 1.0)))
        if what != "no mirror":
            mirror.start()
        took = commits(world, 15)
        threading.Thread(target=mirror.stop, daemon=True).start()
        time.sleep(1)
        p50, p95, most = np.percentile(took, [50, 95, 100])
        mirrored = world.ledger.mirrored_cooks(world.ledger.mirror(f"{url} o pit").id)
        points = sum(count.points for count in mirrored.values())
        print(f"\n{what}: {took.size} frames; a frame {p50:.1f} ms, p95 {p95:.1f} ms, at most {most:.0f} ms; "
              f"{points} points written; {mirror.trouble and mirror.trouble.text}")
        assert p95 < 250
    between.stop()
    server.stop()
