"""Governed virtual time: what the firmware on the simulated board takes for the time.

Time stands still while the firmware computes. It passes only where the firmware waits: in ``select.poll`` (that is
where asyncio waits) and in ``sleep``. A wait of d ms makes the virtual clock d ms later, to the millisecond, however
long it took; so a slow computer makes a slow run, never a late tick. How fast the waits go is set by the environment
(README.md). The virtual ticks begin well ahead of the real ones and stay ahead, because asyncio's task queue, which is
C, stamps "run this now" with the real ticks: a stamp in the past runs at once, one in the future would have to wait.
"""

import os

import _bench
import uselect
import utime
from utime import gmtime, localtime, mktime, ticks_add, ticks_diff  # noqa: F401

_AHEAD_MS = 3_600_000  # start of the virtual ticks before the real ones: room for any lag at 1x
_DEBT_US = 200_000  # real time that may be caught up; a computer that owes more just runs slower


def _setting(name, default):
    text = os.getenv(name)
    return float(text) if text else default


bench = _bench.connect()
_world0 = bench.world0_ms if bench else 0
_utc0 = bench.utc0_ms if bench else utime.time_ns() // 1_000_000 - _world0

_speed = _setting("PITSCRIBE_SPEED", 1)
_start = utime.ticks_ms() + _AHEAD_MS
_eased = _start + int(_setting("PITSCRIBE_EASE_MS", 1500))
_world_end = int(_setting("PITSCRIBE_WORLD_END_MS", -1))
_end = _start + _world_end - _world0 if _world_end >= 0 else None

_now = _start  # virtual ticks, ms
_line = utime.ticks_us()  # real instant at which _now was due; the pace is held against this line
_fraction_us = 0
_watch_ms = 0  # watchdog: timeout, 0 = none
_watch_due = 0


def _rate(now):
    """Return the pace at this instant (virtual ms per real ms; 0: no pacing) and the ticks until which it holds."""
    if now < _eased:
        return 1, _eased
    if _end is None:
        return _speed, None
    if now < _end:
        return _speed, _end
    return 1, None


def _step(poller, step, rate):
    """Let ``step`` virtual ms pass, or fewer if a socket has something; return what the sockets have."""
    global _now, _line
    if rate == 0:
        events = poller.poll(0)
        if not events:
            _now += step
        _line = utime.ticks_us()
        return events
    real = utime.ticks_us()
    if real - _line > _DEBT_US:
        _line = real - _DEBT_US
    due = _line + int(step * 1000 / rate)
    events = poller.poll(max(0, (due - real) // 1000))
    if events:
        passed = min(step, max(0, int((utime.ticks_us() - _line) * rate / 1000)))
        _now += passed
        _line += int(passed * 1000 / rate)
    else:
        _now += step
        _line = due
    return events


def wait(poller, ms):
    """Wait ``ms`` virtual ms (below 0: for ever) for the sockets of a real poll object; return their events."""
    if ms == 0:
        return poller.poll(0)
    until = None if ms < 0 else _now + ms
    while True:
        rate, holds = _rate(_now)
        step = 1000 if until is None else until - _now
        if holds is not None:
            step = min(step, holds - _now)
        events = _step(poller, step, rate)
        if _watch_ms and _now > _watch_due:
            print("board: watchdog reset")
            raise SystemExit(4)
        if events or _now == until:
            return events


def watch(ms):
    """Start or feed the watchdog: unless fed again within ``ms`` of virtual time, the board resets."""
    global _watch_ms, _watch_due
    _watch_ms = ms
    _watch_due = _now + ms


def world_ms():
    """Where the simulated world is now."""
    return _world0 + _now - _start


def ticks_ms():
    return _now


def ticks_us():
    return _now * 1000


def ticks_cpu():
    return _now * 1000


def sleep_ms(ms):
    if ms > 0:
        wait(uselect.poll(), ms)


def sleep(seconds):
    sleep_ms(int(seconds * 1000))


def sleep_us(us):
    global _fraction_us
    _fraction_us += us
    ms = _fraction_us // 1000
    _fraction_us -= ms * 1000
    sleep_ms(ms)


def time_ns():
    return (_utc0 + world_ms()) * 1_000_000


def time():
    return (_utc0 + world_ms()) // 1000
