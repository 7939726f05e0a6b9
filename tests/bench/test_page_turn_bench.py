"""The longest turn that the hotspot's page takes from all others, and what that is on the board by the measured factor.

In one program on real MicroPython: the firmware's server and a guest. Each turn of each coroutine is timed; of 40 times
the shortest counts, which leaves out what else this computer does meanwhile.
"""

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from firmware_rig import run
from servers import free_port
from web_rig import PIN, write_segments

FACTOR = 320  # bytecode, Linux to board (measured on an emulated one)
MOST_MS = 25  # a tenth of the shortest period

_TURNS = """
import asyncio, gc, json, time
from asyncio import core
from pitlogger import settings
from pitlogger.app import App
from pitlogger.views import Views
from pitlogger.web import Web
from pitlogger.hotspot import page_file
turns = {}
class Timed:
    def __init__(self, coro):
        self._coro = coro
        self.name = str(coro).split("'")[1]
    def send(self, value):
        began = time.ticks_us()
        try:
            return self._coro.send(value)
        finally:
            turns.setdefault(self.name, []).append(time.ticks_diff(time.ticks_us(), began))
    def throw(self, *error):
        return self._coro.throw(*error)
    def close(self):
        return self._coro.close()
plain = core.create_task
core.create_task = asyncio.create_task = lambda coro: plain(Timed(coro))
values, _ = settings.read("config.json")
class Chip:
    def configure(self): pass
    def read(self, codes, at):
        codes[at] = 429 + at
        codes[at + 1] = 400
        codes[at + 2] = 0
app = App(values, [], [Chip() for _ in values["channels"]], 7, time, "power", None, None)
async def ask(port, text):
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(text)
    await writer.drain()
    size = 0
    while True:
        piece = await reader.read(4096)
        if not piece:
            break
        size += len(piece)
    reader.s.close()
    return size
async def main():
    app.follow()
    web = Web(Views(app, page_file(), "PIN", time), "127.0.0.1", time)
    plain(web.accept(web.listen(PORT)))
    for i in range(26 * 60 // values["trend_min"]):
        app.sampler.up_low = 1000 * 60 * values["trend_min"] * i & 0xffffff
        app.sampler.up_high = 1000 * 60 * values["trend_min"] * i >> 24
        app.sampler.take()
        app.local.read()
        app.log.add("a line of the log that is as long as they come: %d, or so" % i)
        if app.sampler.take_full() is not None:
            app.sampler.release(app.sampler.take_full())
    with open("asks.json") as f:
        asks = json.load(f)
    found = {}
    for what, text in asks.items():
        least = {}
        for nth in range(40):
            gc.collect()
            gc.disable()
            turns.clear()
            size = await ask(PORT, text.encode())
            await asyncio.sleep_ms(2)
            gc.enable()
            turns.pop("main", None)  # the guest
            for name in turns:
                before, now = least.get(name, turns[name]), turns[name]
                least[name] = [min(a, b) for a, b in zip(before, now)]
        worst = max((max(us), name, us.index(max(us))) for name, us in least.items())
        found[what] = [size, worst]
    print(json.dumps(found))
asyncio.run(main())
"""


_LINES = ("Host: 127.0.0.1", "User-Agent: Mozilla/5.0 (X11; Linux x86_64)", "Accept: */*", "Referer: http://127.0.0.1/",
          "Accept-Encoding: gzip, deflate", "Accept-Language: en-US,en;q=0.9")
_PATHS = ("/", "/now", "/trend", "/trend?from=700", "/log", "/journal", "/journal?segment=1", "/nothing")


def requests() -> dict[str, str]:
    """What a browser asks for, and what somebody could to keep the logger busy: a head has room for 2 KB."""

    def head(path: str, lines: tuple[str, ...]) -> str:
        return "\r\n".join([f"GET {path} HTTP/1.1", *lines, "", ""])

    asks = {f"GET {path}": head(path, _LINES) for path in _PATHS}
    asks["with a head of 2 KB"] = head("/log", (*_LINES, *["X-Something: " + "x" * 100] * 15))
    asks["with 450 lines"] = head("/log", (*_LINES, *["a:"] * 450))
    body = json.dumps({"kind": "text", "text": "x" * 150, "pin": PIN, "mark": "m"})
    lines = (_LINES[0], "Content-Type: application/json", f"Content-Length: {len(body)}")
    asks["POST /note"] = "POST" + head("/note", lines)[3:] + body
    return asks


def test_longest_turn_of_the_page_is_within_a_tenth_of_the_shortest_period(tmp_path):
    config = {
        "trend_min": 2, "usb": 0, "hotspot": {"when": "never"},
        "channels": [
            {"chip": "max31855", "cs": i, "place": f"place number {i}", "kind": "meat", "low": 100, "high": 300}
            for i in range(8)
        ],
    }
    (tmp_path / "config.json").write_text(json.dumps(config))
    (tmp_path / "asks.json").write_text(json.dumps(requests()))
    write_segments(tmp_path / "journal", 3)
    out = run(_TURNS.replace("PORT", str(free_port())).replace("PIN", PIN), tmp_path, heap="heapsize=1M")
    worst = 0.0
    for what, (size, (us, name, nth)) in json.loads(out.splitlines()[-1]).items():
        board_ms = us * FACTOR / 1000
        worst = max(worst, board_ms)
        where = f"turn {nth} of {name}"
        print(f"{what:20} {size:6} bytes, longest: {us:4} us, {where:18} {board_ms:5.1f} ms on the board")
    assert worst <= MOST_MS
