"""How far off this machine's clock may be: what the kernel says, what a battery clock says, and neither."""

import subprocess
import sys

import pytest

from pitscribe import clock
from pitscribe.clock import BATTERY_ERR_MS, NETWORK_ERR_MS, SetClock, set_well, system_clock_err_ms

NOW = 1_780_000_000.0


def battery(folder, text):
    (folder / "rtc0").mkdir()
    (folder / "rtc0" / "since_epoch").write_text(text)


@pytest.mark.parametrize("knows", [True, None])
def test_a_clock_that_the_network_keeps_or_that_nobody_can_be_asked_of_is_known_well(tmp_path, knows):
    assert system_clock_err_ms(lambda: knows, tmp_path, SetClock(NOW)) == NETWORK_ERR_MS


def test_without_network_time_and_battery_the_clock_is_not_set(tmp_path):
    assert system_clock_err_ms(lambda: False, tmp_path, SetClock(NOW)) is None
    assert system_clock_err_ms(lambda: False, tmp_path / "none", SetClock(NOW)) is None


@pytest.mark.parametrize(
    ("said", "err_ms"),
    [(f"{NOW - 20:.0f}\n", BATTERY_ERR_MS), (f"{NOW - 86400:.0f}\n", None), ("37\n", None), ("", None), ("x", None)],
)
def test_a_battery_clock_counts_if_the_time_came_from_it(tmp_path, said, err_ms):
    """One whose battery is missing began at 1970 with the last power-up, and the system's time came from elsewhere."""
    battery(tmp_path, said)
    assert system_clock_err_ms(lambda: False, tmp_path, SetClock(NOW)) == err_ms


def test_the_kernel_is_asked_and_nothing_is_set():
    """Held to what Python's own call of another process gets; whether it is set here, nobody can say beforehand."""
    said = clock._kernel_knows()
    code = "import ctypes; print(ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(1024)))"
    state = int(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)
    assert said == (None if state < 0 else state != 5)


def test_a_clock_that_is_vouched_for_needs_no_kernel():
    assert set_well() == NETWORK_ERR_MS
