"""What a frame and a `now` cost a process that takes in together with others; docs/SCALE.md computes with it.

Run: .venv/bin/python -m pytest -s tests/bench/test_share_bench.py
What is counted is the processor time of the process that is measured, which other work on the machine changes little;
broker, sender and the other process have processes of their own.
"""

import json
import subprocess
import sys
import time

from intake_rig import LOGGER, packet, publish_packet
from page_world import make_world
from servers import VictoriaMetrics, wait_until
from share_rig import Process
from test_intake_bench import SENDER, cook_frames

from pitscribe.clock import SystemClock
from pitscribe.intake.mqtt import Intake
from pitscribe.intake.shared import SharedIntake
from pitscribe.ledger.ledger import Ledger
from pitscribe.mirror.mirror import Mirror, Pace
from pitscribe.mirror.server import Address
from pitscribe.watch.live import Watch
from pitscribe.wire import messages
from pitscribe.wire.share import Layout

COUNT, NOWS, HOURS = 12_000, 20_000, 12
MEMBERS = ("north", "south")
OURS = LOGGER  # north is the process that is measured


class Fixed(Process):
    """The other process, with settings of its own."""

    def __init__(self, folder, broker, keeper):
        self.name, self.home, self._whole, self.process, self.kills = "south", folder / "south", False, None, 0
        self.home.mkdir()
        (self.home / "pitscribe.toml").write_text(
            f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[share]\nname = "south"\n'
            f'members = ["north", "south"]\nkeepers = {{ "{OURS:08x}" = "{keeper}" }}\n'
        )


def send(broker, packets, count, tmp_path):
    file = tmp_path / "packets"
    file.write_bytes(packets)
    return subprocess.Popen([sys.executable, "-c", SENDER, str(broker.port), file, str(count)])


def frame_packets(count):
    topic = messages.frame_topic(OURS)
    return b"".join(publish_packet(topic, frame, n % 65535 + 1) for n, frame in enumerate(cook_frames(count, 1)))


def waiting(books):
    return sum(one.frames for book in books for one in book.waiting_counts().values())


def measured(broker, tmp_path, done):
    """Processor seconds until ``done``, from before the first frame."""
    began, wall = time.process_time(), time.monotonic()
    sender = send(broker, frame_packets(COUNT), COUNT, tmp_path)
    wait_until("all is done", done, 300)
    took, wall = time.process_time() - began, time.monotonic() - wall
    sender.wait(60)
    return took, wall


def test_what_a_frame_costs_alone_as_its_keeper_and_as_who_was_dealt_it(broker, tmp_path):
    ledger = Ledger(tmp_path / "alone.sqlite", SystemClock())
    intake = Intake(ledger, SystemClock(), "127.0.0.1", broker.port)
    intake.start()
    took, wall = measured(broker, tmp_path, lambda: ledger.frame_count() == COUNT)
    intake.stop()
    ledger.close()
    size = (tmp_path / "alone.sqlite").stat().st_size / COUNT
    print(f"\nalone: {1e6 * took / COUNT:.0f} us of a core a frame, {COUNT / wall:.0f} frames/s, {size:.0f} bytes each")
    for keeper in MEMBERS:
        folder = tmp_path / keeper
        folder.mkdir()
        other = Fixed(folder, broker, keeper)
        other.begin()
        other.wait()
        ledger = Ledger(folder / "north.sqlite", SystemClock())
        theirs = other.ledger()
        layout = Layout("pit", "north", MEMBERS, {OURS: keeper})
        intake = SharedIntake(ledger, SystemClock(), "127.0.0.1", broker.port, layout=layout)
        intake.start()
        kept = ledger if keeper == "north" else theirs
        books = (ledger, theirs)
        took, wall = measured(
            broker, tmp_path, lambda kept=kept, books=books: kept.frame_count() == COUNT and not waiting(books)
        )
        intake.stop()
        what = "keeps all, half of them passed on to it" if keeper == "north" else "keeps none, is dealt half"
        print(f"one of two, {what}: {1e6 * took / COUNT:.0f} us of a core for each of all, {COUNT / wall:.0f} frames/s")
        other.kill()
        for book in books:
            book.close()
    assert COUNT / wall > 50, "a hundred loggers are 3 frames a second"


def test_what_a_cook_costs_its_mirror_and_its_watch(tmp_path):
    """Six places at 1 Hz: the hours that there are, then minute by minute, as while the cook goes on."""
    store = VictoriaMetrics(tmp_path)
    store.start()
    world = make_world(tmp_path, hours=HOURS, period_s=1.0)
    at = [0.0]
    mirror = Mirror(world.ledger, Address(store.url, "", "pit"), "bench", pace=Pace(confirm_s=1), real=lambda: at[0])
    began = time.process_time()
    for _ in range(8):
        at[0] += 100.0
        mirror.step()
    assert mirror.trouble is None
    took = time.process_time() - began
    print(f"\nmirror: {took / HOURS:.2f} s of a core and {mirror.written / HOURS:.0f} points an hour of cook", end=", ")
    watch = Watch(world.ledger, world.clock)
    watch.step()
    passes, seconds = 10, {"mirror": 0.0, "watch": 0.0}
    for _ in range(passes):
        world.carry_on(60)
        at[0] += 60.0
        for name, step in (("mirror", mirror.step), ("watch", watch.step)):
            began = time.process_time()
            step()
            seconds[name] += time.process_time() - began
    print(", ".join(f"{name}: {1000 * of / passes:.0f} ms a pass" for name, of in seconds.items()), f"after {HOURS} h")
    mirror.stop()
    store.stop()
    world.ledger.close()
    assert seconds["mirror"] / passes < 12, "a fifth of a core each minute"


def test_what_the_now_of_a_logger_costs_its_keeper_and_the_others(broker, tmp_path):
    codes = {"v": 1, "boot": 1, "up": 6000, "table": [0x13] * 6, "codes": [[400, 300, 0]] * 6}
    for keeper in MEMBERS:
        ledger = Ledger(tmp_path / f"{keeper}.sqlite", SystemClock())
        layout = Layout("pit", "north", MEMBERS, {OURS: keeper})
        intake = SharedIntake(ledger, SystemClock(), "127.0.0.1", broker.port, layout=layout)
        seen = []
        came = intake._came
        intake._came = lambda message, came=came, seen=seen: (came(message), seen.append(1))
        intake.start()
        topic = messages.now_topic(OURS).encode()
        one = packet(0x30, len(topic).to_bytes(2, "big") + topic + json.dumps(codes).encode())  # QoS 0
        began = time.process_time()
        sender = send(broker, one * NOWS, 0, tmp_path)
        wait_until("all came", lambda seen=seen: len(seen) == NOWS, 120)
        took = time.process_time() - began
        sender.wait(60)
        print(f"now: {1e6 * took / NOWS:.0f} us of a core, {'its keeper' if keeper == 'north' else 'another process'}")
        intake.stop()
        ledger.close()
