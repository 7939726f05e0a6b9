"""The README's demo, headless, for 14 hours. Run: .venv/bin/python -m pytest -s tests/bench/test_demo_bench.py"""

import re
import subprocess
import sys
import time

LIMIT_S = 90


def test_a_14_hour_six_channel_demo_takes_less_than_90_seconds():
    began = time.monotonic()
    command = [sys.executable, "-m", "pitscribe.cli", "demo", "--headless", "--hours", "14", "--seed", "7"]
    run = subprocess.run(command, capture_output=True, text=True, timeout=600)
    took = time.monotonic() - began
    print(run.stdout)
    print(f"the whole command: {took:.1f} s")
    assert run.returncode == 0, run.stderr
    assert re.search(r"^frames .*equal$", run.stdout, re.M)
    assert took < LIMIT_S
