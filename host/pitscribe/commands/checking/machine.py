"""The machine: Python and libraries, memory, disk, clock and time zone."""

import importlib.metadata
import platform
import re
import shutil
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path

from pitscribe.clock import BATTERY_ERR_MS, local, system_clock_err_ms
from pitscribe.commands.checking.finding import Finding, look, not_looked, ok, wrong
from pitscribe.commands.checking.scene import Scene
from pitscribe.commands.zone import zone_at
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import BootSpan

LEAST_PYTHON = (3, 11)
LEAST_SQLITE = (3, 37)  # STRICT tables: sqlite.org/stricttables.html
SERVE_MB = 150  # what serve may take; our own aim
LEAST_FREE_MB = 100  # our allowance, no source
FEW_DAYS, SOME_DAYS = 7, 60  # until the disk is full: our allowances, no source
RATE_DAYS = 30  # the present rate is that of the last so many
_MB = 1 << 20
_MS_A_DAY = 86_400_000


def python(scene: Scene) -> Iterator[Finding]:
    """Python, and the SQLite that it came with."""
    said = f"{platform.python_version()} at {sys.executable}"
    if sys.version_info < LEAST_PYTHON:
        yield wrong("Python", said, "install Python 3.11 or later, and Pitscribe with it")
    else:
        yield ok("Python", said)
    if sqlite3.sqlite_version_info < LEAST_SQLITE:
        yield wrong("SQLite", sqlite3.sqlite_version, "it must be 3.37 or later: use a later Python or system")
    else:
        yield ok("SQLite", sqlite3.sqlite_version)


def libraries(scene: Scene) -> Iterator[Finding]:
    """The libraries that Pitscribe names, against the ranges that it was tested with."""
    found = []
    for wanted in importlib.metadata.requires("pitscribe") or []:
        if "extra ==" in wanted:
            continue
        name, ranges = _requirement(wanted)
        try:
            version = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            yield wrong(name, "it is not installed", f"install pitscribe anew, or: python -m pip install '{wanted}'")
            continue
        found.append(f"{name} {version}")
        if not within(version, ranges):
            yield look(name, f"version {version}, tested with {ranges}", f"python -m pip install '{wanted}'")
    yield ok("libraries", ", ".join(found))


def _requirement(wanted: str) -> tuple[str, str]:
    """``numpy<3,>=1.26; marker`` -> (``numpy``, ``<3,>=1.26``)."""
    parted = re.match(r"([\w.-]+)(?:\[[^]]*\])?\s*\(?([^;)]*)", wanted)
    return (parted[1], parted[2].strip()) if parted else (wanted, "")


def within(version: str, ranges: str) -> bool:
    """Whether a version is within ranges such as ``<3,>=1.26``; what is not a bound of that kind is not judged."""
    mine = _numbers(version)
    for one in filter(None, (part.strip() for part in ranges.split(","))):
        sign, bound = re.match(r"([<>=!~]*)(.*)", one).groups()  # type: ignore[union-attr]
        theirs = _numbers(bound)
        if (sign == ">=" and mine < theirs) or (sign == "<" and mine >= theirs):
            return False
    return True


def _numbers(version: str) -> tuple[int, ...]:
    leading = re.match(r"\s*\d+(\.\d+)*", version)
    numbers = [int(part) for part in leading[0].split(".")] if leading else []
    while numbers and numbers[-1] == 0:  # 3.0 is 3
        numbers.pop()
    return tuple(numbers)


def memory(scene: Scene, proc: Path = Path("/proc")) -> Iterator[Finding]:
    """What is free, and what serve takes."""
    try:
        free_mb = _kilobytes(proc / "meminfo", "MemAvailable") // 1024
    except (OSError, KeyError):
        yield not_looked("memory", "this system does not say how much is free")
        return
    taken = ""
    if scene.pid is not None:
        try:
            taken = f"; serve takes {_kilobytes(proc / str(scene.pid) / 'status', 'VmRSS') // 1024} MB"
        except (OSError, KeyError):
            taken = "; what serve takes cannot be seen"
    wanted = SERVE_MB // 3 if scene.served else SERVE_MB
    if free_mb < wanted:
        yield look("memory", f"{free_mb} MB are free{taken}", f"serve takes up to {SERVE_MB} MB: end what else runs")
    else:
        yield ok("memory", f"{free_mb} MB are free{taken}")


def _kilobytes(path: Path, name: str) -> int:
    lines = (line.partition(":") for line in path.read_text().splitlines())
    return int({key: value.split()[0] for key, _, value in lines if value.split()}[name])


def disk(scene: Scene) -> Iterator[Finding]:
    """The room that is left, and for how long at the present rate."""
    if not scene.home.is_dir():
        yield not_looked("disk", f"there is no folder {scene.home} yet")
        return
    free = shutil.disk_usage(scene.home).free
    rate = 0.0 if scene.ledger is None else bytes_a_day(scene)
    days = free / rate if rate else float("inf")
    said = f"{free / _MB:.0f} MB are free"
    if rate:
        most = "over ten years" if days > 3650 else f"{days:.0f} days"
        said += f"; at {rate / _MB:.1f} MB a day, as in the last {RATE_DAYS} days, that is {most}"
    more = "make room, or move the home to a larger disk; cooks are never thrown away by themselves"
    if free < LEAST_FREE_MB * _MB or days < FEW_DAYS:
        yield wrong("disk", said, more)
    elif days < SOME_DAYS:
        yield look("disk", said, more)
    else:
        yield ok("disk", said)


def bytes_a_day(scene: Scene) -> float:
    """How fast the ledger grows: the frames that came in lately, each as large as one is on the average."""
    ledger = scene.the_ledger()
    frames, now = ledger.frame_count(), ledger.now_ms()
    spans = _boots(ledger)
    if not frames or not spans:
        return 0.0
    since = max(now - RATE_DAYS * _MS_A_DAY, min(span.first_received_ms for span in spans))
    lately = 0.0
    for span in spans:
        whole = max(1, span.last_received_ms - span.first_received_ms)
        lately += span.frames * min(1.0, max(0, span.last_received_ms - since + 1) / whole)
    each = scene.ledger_path.stat().st_size / frames
    return lately * each / max(1.0, (now - since) / _MS_A_DAY)


def _boots(ledger: Ledger) -> list[BootSpan]:
    return [span for info in ledger.loggers() for span in ledger.boots(info.logger)]


def clock(scene: Scene) -> Iterator[Finding]:
    """Whether the clock is set, and not behind what was stored."""
    now = scene.clock.now()
    set_it = "give it a network, or turn network time on: timedatectl set-ntp true"
    err_ms = system_clock_err_ms()
    if err_ms is None and not scene.config.trust_clock:
        yield wrong("clock", f"{local(now)}, which nothing has set: loggers are not told the time", f"{set_it}; or say "
                    "that it is right with [host] trust_clock = true")
    else:
        how = "set by network time" if err_ms is not None and err_ms < BATTERY_ERR_MS else "set by its battery clock"
        yield ok("clock", f"{local(now)}, {how if err_ms is not None else 'trusted by [host] trust_clock'}")
    if scene.ledger is not None:
        newest = max((span.last_received_ms for span in _boots(scene.ledger)), default=0)
        if newest > (now + 60) * 1000:
            yield wrong("clock", f"it is behind what was stored at {local(newest / 1000)}", set_it)


def time_zone(scene: Scene) -> Iterator[Finding]:
    """In which zone times are shown."""
    zone = zone_at(scene.clock.now())
    said = f"{zone.name} (UTC{zone.offset})"
    if zone.name.rpartition("/")[2] in ("UTC", "UCT", "Zulu", "Universal"):
        yield look("time zone", f"{said}: commands show times in UTC", "if you are elsewhere: timedatectl set-timezone "
                   "Area/City")
    else:
        yield ok("time zone", said)
