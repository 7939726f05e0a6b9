"""How fast frames are taken in: checked, stored durably, acknowledged. Beside it a subscriber that does nothing.

Run: .venv/bin/pytest -s tests/bench/test_intake_bench.py
Both take the same messages from the same mosquitto in the same run, by turns; a process of its own sends them as fast
as the broker takes them.
"""

import statistics
import struct
import subprocess
import sys
import threading
import time
import zlib

import numpy as np
import paho.mqtt.client as paho
from intake_rig import LOGGER, publish_packet
from paho.mqtt.enums import CallbackAPIVersion
from servers import wait_until

from pitscribe.clock import SystemClock
from pitscribe.intake.mqtt import Intake
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire import messages
from pitscribe.wire.frames import Channel, FrameKey, encode_ticks

COUNT, TURNS = 20_000, 3
SENDER = """
import socket, sys, threading
data = open(sys.argv[2], "rb").read()
s = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
s.sendall(bytes.fromhex("1012 0004 4d515454 04 02 0000 0006 73656e646572"))
assert s.recv(4) == bytes.fromhex("20020000")
left = 4 * int(sys.argv[3])
def answers():
    global left
    while left > 0:
        left -= len(s.recv(65536))
reader = threading.Thread(target=answers)
reader.start()
s.sendall(data)
reader.join()
"""


def cook_frames(count: int, boot: int) -> list[bytes]:
    """Frames as a cook gives them: six channels, 32 ticks at 1 Hz. 500 different bodies, each under many keys."""
    rng = np.random.default_rng(5)
    table = (Channel("max31855", "K"),) * 6
    bodies = []
    for _ in range(500):
        hot = 400 + np.cumsum(rng.integers(-1, 2, (32, 6)) * (rng.random((32, 6)) < 0.3), 0)
        cold = 480 + np.cumsum(rng.integers(-1, 2, (32, 6)) * (rng.random((32, 6)) < 0.2), 0)
        bodies.append(encode_ticks(FrameKey(LOGGER, boot, 0), 0, 1000, table, hot, cold, hot * 0))
    frames = []
    for n in range(count):
        body = bodies[n % 500]
        head = body[:8] + struct.pack("<HI", boot, n) + (n * 32_000).to_bytes(6, "little") + body[20:-4]
        frames.append(head + struct.pack("<I", zlib.crc32(head)))
    return frames


def send(broker, frames, tmp_path):
    packets = tmp_path / "packets"
    topic = messages.frame_topic(LOGGER)
    packets.write_bytes(b"".join(publish_packet(topic, f, n % 65535 + 1) for n, f in enumerate(frames)))
    return subprocess.Popen([sys.executable, "-c", SENDER, str(broker.port), packets, str(len(frames))])


def rate_of_nothing(broker, frames, tmp_path) -> float:
    """Messages a second into a paho subscriber whose on_message counts and returns."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    ready, done = threading.Event(), threading.Event()
    times = []

    def came(_client, _data, _message):
        times.append(time.perf_counter())
        if len(times) == len(frames):
            done.set()

    client.on_message = came
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.subscribe(messages.every_logger("frame"), 1)
    assert ready.wait(10)
    sender = send(broker, frames, tmp_path)
    assert done.wait(120)
    sender.wait(60)
    client.disconnect()
    client.loop_stop()
    return (len(times) - 1) / (times[-1] - times[0])


def rate_of_intake(broker, frames, tmp_path) -> tuple[float, int]:
    """Frames a second through the whole intake, from the first one to the commit of the last."""
    ledger = Ledger(tmp_path / f"{time.monotonic_ns()}.sqlite", SystemClock())
    intake = Intake(ledger, SystemClock(), "127.0.0.1", broker.port)
    began = []
    came = intake._came
    intake._came = lambda message: (began or began.append(time.perf_counter()), came(message))
    intake.start()
    sender = send(broker, frames, tmp_path)
    wait_until("all are stored", lambda: intake.status().stored == len(frames), 120)
    ended = time.perf_counter()
    sender.wait(60)
    intake.stop()
    stored = ledger.frame_count()
    ledger.close()
    return len(frames) / (ended - began[0]), stored


def test_intake_reaches_half_the_rate_of_a_subscriber_that_does_nothing(broker, tmp_path):
    frames = cook_frames(COUNT, 1)
    ratios = []
    print(f"\n{COUNT} frames of {statistics.mean(map(len, frames)):.0f} bytes (6 channels, 32 ticks)")
    for _ in range(TURNS):
        idle = rate_of_nothing(broker, frames, tmp_path)
        ours, stored = rate_of_intake(broker, frames, tmp_path)
        assert stored == COUNT
        ratios.append(ours / idle)
        print(f"subscriber that does nothing {idle:7.0f}/s   intake {ours:7.0f}/s   ratio {ours / idle:.2f}")
    print(f"median ratio {statistics.median(ratios):.2f} (at least 0.50 is asked for)")
    assert statistics.median(ratios) >= 0.5
