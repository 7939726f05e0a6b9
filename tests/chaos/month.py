"""Thirty days of twenty loggers through broker, intake, ledger, watch, alerts and page: does anything grow?

    PYTHONPATH=tests .venv/bin/python -m chaos.month
    PYTHONPATH=tests .venv/bin/python -m chaos.month --days 30 --loggers 20 --period-s 5 --seed 1

The time is simulated: the loggers' frames are sent as fast as they are taken, over a connection each to the broker of
our own, and the host's clock is set along, two hours a step. Six channels a logger; each day has two cooks with notes,
started and ended on the page; each week every logger boots anew. Printed for each day: memory, file descriptors,
threads, bytes of the ledger for each sample, and how soon the page answers. Then the slope of each with its standard
uncertainty, by a straight line through the last two thirds of the days. Status 1 if one grows: if by the line less two
standard uncertainties it would be beyond its allowance in the end; or if a frame is missing.
"""

import argparse
import contextlib
import json
import sqlite3
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from typing import NamedTuple

import numpy as np

_TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(_TESTS), str(_TESTS / "host")]

from chaos.crowd import FIRST, Talker, get, some_frames  # noqa: E402
from chaos.crowd_senders import Crowd, Logger, with_key  # noqa: E402
from page_world import PLACES, Place, curve  # noqa: E402

from pitscribe.clock import SetClock  # noqa: E402
from pitscribe.ledger.ledger import Ledger  # noqa: E402
from pitscribe.metrology import chips, its90  # noqa: E402
from pitscribe.wire.frames import Channel, FrameKey, encode_event, encode_ticks  # noqa: E402

START = 1_780_272_000.0  # 2026-06-01T00:00:00Z
DAY_S, STEP_S, TICKS, WINDOW = 86_400, 7200, 32, 40
PATIENCE_S = 600  # for two hours of frames
SETTLED = 1 / 3  # of the days: by then everything has been imported and every buffer has its size
COOKS = ((8, 20), (12, 18))  # hours of the day
WIRES = tuple(Place(p.name, p.kind, "max31855", "K", p.level, p.pace, p.rest) for p in PLACES)
# What is looked at: (its unit, how much of growth over all days is none: our allowance, no source).
ALLOWED = {"rss": ("MB", 6.0), "files": ("", 2.0), "threads": ("", 2.0), "sample": ("B", 0.01)}
ROUTES = {"snapshot": "api/snapshot", "chart": "api/chart?cook={cook}", "loggers": "api/loggers", "cooks": "api/cooks"}
ALLOWED_MS = 10.0  # of a route's answer


class Sent(NamedTuple):
    """A frame that is to be sent: at which UTC it is whole, and its bytes."""

    at: float
    frame: bytes


class Player(Logger):
    """One logger through the month: its boots, its frames, its place in time."""

    def __init__(self, number: int, period_ms: int, usual: list[bytes]) -> None:
        super().__init__(number)
        self.period_ms, self.usual = period_ms, usual
        self.boot, self.began, self.first = 0, START, True  # UTC of the power-up
        self.cooking: dict[int, bytes] = {}  # by the step of the frame since START
        self.total = 0

    def until(self, end: float) -> list[Sent]:
        """The frames that are whole between where it was and ``end``."""
        out, span = [], TICKS * self.period_ms / 1000
        if self.boot == 0 or end - self.began > 7 * DAY_S:
            self.began, self.boot = end - STEP_S, self.boot + 1
            self.done = self.began
            out += [self._event(0, "boot", {"firmware": "0.1", "cause": "power", "name": f"pit {self.number & 0xFF}"})]
        if out or round(self.done - START) % (3 * STEP_S) == 0:
            up = round((self.done - self.began) * 1000)
            anchor = {"utc_ms": round(self.done * 1000), "err_ms": 50, "from": "host"}
            out.append(self._event(up, "anchor", anchor))
        while self.done + span <= end:
            slot = round((self.done - START) / span)
            body = self.cooking.pop(slot, None) or self.usual[slot % len(self.usual)]
            key = self.number, self.boot, self._next()
            out.append(Sent(self.done + span, with_key(body, key, round((self.done - self.began) * 1000))))
            self.done += span
        return out

    def _event(self, up_ms: int, kind: str, fields: dict[str, object]) -> Sent:
        return Sent(self.done, encode_event(FrameKey(self.number, self.boot, self._next()), up_ms, kind, fields))

    def _next(self) -> int:
        self.total += 1
        return self.total - 1

    def cook(self, begin: float, hours: float, seed: int) -> None:
        """From ``begin`` on it has the temperatures of a cook."""
        span = TICKS * self.period_ms / 1000
        first, last = int((begin - START) // span), int((begin + hours * 3600 - START) // span)
        for slot, body in enumerate(cook_frames(last - first, self.period_ms, seed), first):
            self.cooking[slot] = body


def cook_frames(count: int, period_ms: int, seed: int) -> list[bytes]:
    """Frames of a cook of six places, by the chips' own codes."""
    rng = np.random.default_rng(seed)
    hours = np.arange(count * TICKS) * period_ms / 3_600_000
    box = 24 + 3 * np.sin(hours / 3)
    codes = []
    for place in WIRES:
        celsius = curve(place, hours, rng)
        if place.kind == "air":
            celsius[hours % 5 > 4.7] -= 45  # the fire falls: a reason for an alert
        codes.append(chips.code_from_emf(place.chip, place.tc, its90.emf(place.tc, celsius) - its90.emf(place.tc, box),
                                         box))
    hot, cold = (np.stack([one[i] for one in codes], axis=1).astype(np.int32) for i in (0, 1))
    table = (Channel("max31855", "K"),) * len(WIRES)
    cuts = [slice(i * TICKS, (i + 1) * TICKS) for i in range(count)]
    return [encode_ticks(FrameKey(FIRST, 1, 0), 0, period_ms, table, hot[c], cold[c], hot[c] * 0) for c in cuts]


class Month:
    """The host, its loggers, and what a person does on its page."""

    def __init__(self, folder: Path, loggers: int, period_s: float, seed: int) -> None:
        self.folder, self.period_ms, self.seed = folder / "home", round(1000 * period_s), seed
        self.host = Talker("crowd_host.py", self.folder, 0, START)
        self.url, (_, port, user, password) = json.loads(self.host.line())
        usual = some_frames(seed, 64, self.period_ms)
        self.line = Crowd(usual)
        self.players = [Player(FIRST + n, self.period_ms, usual) for n in range(loggers)]
        for player in self.players:
            player.come(port, user, password)
            self.line.come(player)
        self.cooks: list[int] = []
        self.frames = self.events = 0
        threading.Thread(target=self._keep_a_page_open, daemon=True).start()

    def _keep_a_page_open(self) -> None:
        with contextlib.suppress(OSError, ValueError), urllib.request.urlopen(f"{self.url}api/events") as stream:
            while stream.readline():
                self.events += 1

    def step(self, end: float) -> None:
        """Two hours: all that the loggers have is sent, and stored."""
        self.host.ask(end)
        waiting = {player.number: player.until(end)[::-1] for player in self.players}
        before = self.frames
        self.frames += sum(map(len, waiting.values()))
        deadline = time.monotonic() + PATIENCE_S
        while any(waiting.values()) or any(player.sent_at for player in self.players):
            for player in self.players:
                queue = waiting[player.number]
                while queue and len(player.sent_at) < WINDOW and not player.out:
                    player.sent_at[player.sequence] = time.monotonic()
                    player.say("frame", queue.pop().frame, 1)
                    player.sequence += 1
                    player.second += 1  # the packet's number
            self.line.hear(0.01)
            assert time.monotonic() < deadline, "a frame was not said to be stored"
            assert not self.line.counts["dropped"] + self.line.counts["refused"], self.line.counts
        for player in self.players:
            up = round((end - player.began) * 1000)
            player.state(player.boot, up, self.period_ms)
            player.now(player.boot, up, [[400, 300, 0]] * 6)
        assert self.frames > before
        self.line.waits.clear()

    def day(self, day: int) -> tuple[dict[str, float], dict[str, float]]:
        """One day with its cooks: (what was measured, s of each route's answer, the median)."""
        times: dict[str, list[float]] = {name: [] for name in ROUTES}
        pages, frames = self.pages(), self.frames
        for hour in range(0, 24, STEP_S // 3600):
            self.person(day, hour)
            self.step(START + day * DAY_S + hour * 3600 + STEP_S)
            for name, path in ROUTES.items() if self.cooks else ():
                asked = time.monotonic()
                get(self.url + path.format(cook=self.cooks[-1]))
                times[name].append(time.monotonic() - asked)
        told = self.host.ask()
        assert told["errors"] == {}, told["errors"]
        samples = (self.frames - frames) * TICKS * 6
        row = {"rss": told["rss_mb"], "files": told["files"], "threads": told["tasks"],
               "sample": (self.pages() - pages) / samples}
        return row, {name: float(np.median(of)) for name, of in times.items()}

    def person(self, day: int, hour: int) -> None:
        """What somebody does on the page at this hour."""
        for number, (begin, end) in enumerate(COOKS):
            player = self.players[(day + 7 * number) % len(self.players)]
            at = START + day * DAY_S + hour * 3600
            if hour == begin:
                places = [{"logger": f"{player.number:08x}", "channel": c, "place": p.name, "kind": p.kind}
                          for c, p in enumerate(WIRES)]
                player.cook(at, end - begin, self.seed + (day + number) % 3)
                made = self.post("api/cooks", name=f"Day {day + 1}, fire {number + 1}", target_c=93.0,
                                 band_c=[110.0, 140.0], places=places, at=at)
                self.cooks.append(made["id"])
            elif begin < hour < end:
                cook = self.cooks[-1] if number or hour <= 12 or hour > 18 else self.cooks[-2]
                self.post(f"api/cooks/{cook}/notes", kind="fuel", text="two splits", at=at)
            elif hour == end:
                self.post(f"api/cooks/{self.cooks[-1 if number else -2]}/end", at=at)

    def post(self, path: str, **fields: object) -> dict[str, int]:
        """Ask the page to do something."""
        body = json.dumps(fields).encode()
        request = urllib.request.Request(self.url + path, body, {"Content-Type": "application/json"})
        with urllib.request.urlopen(request, timeout=60) as answer:
            return dict(json.loads(answer.read()))

    def pages(self) -> int:
        """Bytes of the ledger's pages as of its last commit."""
        with contextlib.closing(sqlite3.connect(f"file:{self.folder / 'ledger.sqlite'}?mode=ro", uri=True)) as db:
            count, size = (int(db.execute(f"PRAGMA {what}").fetchone()[0]) for what in ("page_count", "page_size"))
            return count * size

    def in_the_end(self) -> tuple[int, int]:
        """(frames that are missing or twice, alerts that were told)."""
        with contextlib.closing(Ledger(self.folder / "ledger.sqlite", SetClock(START), read_only=True)) as ledger:
            wrong = sum(
                abs(len(keys := [frame.key.sequence for frame in ledger.frames(player.number)]) - player.total)
                + len(keys) - len(set(keys)) for player in self.players
            )
            return wrong, sum(len(ledger.told(cook.id)) for cook in ledger.cooks())

    def close(self) -> None:
        """End it."""
        self.host.close()


def slope(values: list[float]) -> tuple[float, float]:
    """A day's growth and its standard uncertainty: least squares, residuals taken as the noise (JCGM 100, H.3)."""
    days = np.arange(len(values), dtype=float)
    off = days - days.mean()
    by = float(off @ np.asarray(values) / (off @ off))
    left = np.asarray(values) - np.mean(values) - by * off
    return by, float(np.sqrt(left @ left / max(len(values) - 2, 1) / (off @ off)))


def grown(name: str, values: list[float], unit: str, allowed: float, days: int) -> bool:
    """Print a slope; whether it is growth."""
    by, u = slope(values)
    bad = (by - 2 * u) * days > allowed
    print(f"{name:9} {np.mean(values):8.3f} {unit:2} on the mean, grows {by:+.4f} {unit} a day, u = {u:.4f}: "
          f"{by * days:+.2f} in {days} days{'   IT GROWS' if bad else ''}")
    return bad


def run(folder: Path, days: int, loggers: int, period_s: float, seed: int) -> int:
    """Print day by day; returns how many figures grow, and frames that are not there once."""
    began = time.monotonic()
    month = Month(folder, loggers, period_s, seed)
    rows, answers = [], []
    try:
        for day in range(days):
            row, answer = month.day(day)
            rows.append(row)
            answers.append(answer)
            routes = ", ".join(f"{name} {1000 * s:.0f}" for name, s in answer.items())
            print(f"day {day + 1:2}: {row['rss']:.1f} MB, {row['files']} files, {row['threads']} threads, "
                  f"{row['sample']:.4f} B a sample; ms: {routes}; {time.monotonic() - began:.0f} s", flush=True)
    finally:
        month.close()
    wrong, told = month.in_the_end()
    took = time.monotonic() - began
    print(f"{month.frames} frames in {took:.0f} s ({days * DAY_S / took:.0f} times as fast as life), "
          f"{len(month.cooks)} cooks, {told} alerts, {month.events} lines to a page, {wrong} frames missing or twice")
    first = round(days * SETTLED)
    if days - first < 3:
        return wrong
    for name, (unit, allowed) in ALLOWED.items():
        wrong += grown(name, [row[name] for row in rows[first:]], unit, allowed, days)
    for name in ROUTES:
        wrong += grown(name, [1000 * answer[name] for answer in answers[first:]], "ms", ALLOWED_MS, days)
    return wrong


def main() -> int:
    """Status 1 if something grows or is lost."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, kind, default in (("days", int, 30), ("loggers", int, 20), ("period-s", float, 5.0), ("seed", int, 1)):
        parser.add_argument(f"--{name}", type=kind, default=default)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        return int(run(Path(folder), given.days, given.loggers, given.period_s, given.seed) > 0)


if __name__ == "__main__":
    sys.exit(main())
