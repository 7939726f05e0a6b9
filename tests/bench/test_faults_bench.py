"""The faults of test_faults.py at full length, with their figures: `pytest tests/bench/test_faults_bench.py -s`.

Broker stopped for 20 s, then killed and away for 8 s, a line held up, Wi-Fi that flaps; the name server is dead.
"""

import json
import signal
import socket
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from faults_rig import PERIOD_MS, RealTimeLogger
from firmware_rig import StoringHost
from link import Link
from servers import Mosquitto, wait_until
from test_faults import NETWORKS, SECRET, settle


def test_long_faults_miss_no_tick_and_lose_no_frame(tmp_path):
    flash = tmp_path / "flash"
    flash.mkdir()
    broker = Mosquitto(tmp_path)
    broker.start()
    (flash / "addresses.json").write_text(json.dumps({"broker.test": "127.0.0.1"}))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as dead:
        dead.bind(("127.0.0.1", 0))
        server = f"127.0.0.1:{dead.getsockname()[1]}"
        link, host = Link(broker.port), StoringHost(broker.port, secret=SECRET)
        settings = {"wifi": NETWORKS, "secret": SECRET, "name_server": server, "ntp": "time.test"}
        logger = RealTimeLogger(flash, link.port, broker={"host": "broker.test"}, **settings)
        try:
            wait_until("two frames", lambda: len(host.keys) >= 2)
            broker.process.send_signal(signal.SIGSTOP)
            time.sleep(20)
            broker.process.send_signal(signal.SIGCONT)
            settle(logger, host, "broker stopped 20 s", 60)
            broker.stop(kill=True)
            time.sleep(8)
            broker.start()
            settle(logger, host, "broker killed 8 s", 60)
            link.held = True
            time.sleep(15)
            link.held = False
            settle(logger, host, "line held up 15 s", 60)
            for turn in range(8):
                reach = {} if turn % 2 == 0 else {("home", "field")[turn // 2 % 2]: ("home!", "field!")[turn // 2 % 2]}
                link.held = not reach
                logger.air(reach)
                time.sleep(3)
            told = settle(logger, host, "Wi-Fi away four times for 3 s", 60)
        finally:
            logger.stop()
            host.close()
            link.close()
            broker.stop()
    print(f"all: {told['ticks']} ticks of {PERIOD_MS} ms, {told['connections']} connections")
