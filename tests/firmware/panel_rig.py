"""What the panel's tests run on: a model of an SSD1306 or SH1106, made from the data sheets, and a logger with a panel.

The model takes what is written to it over I2C and keeps what it was sent and when, so that a test can look at the
glass as it was at any time. Sources: as in pitlogger/panel/display.py; from memory.
"""

import json
import random
import struct
import tempfile
import zlib
from dataclasses import dataclass
from pathlib import Path

from firmware_rig import HEAP, Worker, run
from i2c_rig import RunningBench

ADDRESS = 0x3C
BAUD = 100_000
_FOR_EVER_US = 1_000_000
# Bytes that follow a command. What is not here the chip does not know.
_BOTH = {0x81: 1, 0xA0: 0, 0xA1: 0, 0xA4: 0, 0xA5: 0, 0xA6: 0, 0xA7: 0, 0xA8: 1, 0xAE: 0, 0xAF: 0, 0xC0: 0, 0xC8: 0,
         0xD3: 1, 0xD5: 1, 0xD9: 1, 0xDA: 1, 0xDB: 1, 0xE3: 0}
_BOTH |= dict.fromkeys((*range(0x20), *range(0x40, 0x80), *range(0xB0, 0xB8)), 0)
_COMMANDS = {
    "ssd1306": _BOTH | {0x20: 1, 0x21: 2, 0x22: 2, 0x2E: 0, 0x2F: 0, 0x8D: 1, 0xA3: 2},
    "sh1106": _BOTH | {0x30: 0, 0x31: 0, 0x32: 0, 0x33: 0, 0xAD: 1, 0xE0: 0, 0xEE: 0},
}


class Chip:
    """The controller's state; ``write`` takes the bytes of one transfer behind the address."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self.columns = 132 if kind == "sh1106" else 128
        noise = random.Random(kind)  # the memory is anything at power-on
        self.ram = [bytearray(noise.randbytes(self.columns)) for _ in range(8)]
        self.page = self.column = 0
        self.on = self.pump = False
        self.mode = 2  # page addressing is the reset value
        self.remap, self.scan = 0xA0, 0xC0
        self.multiplex, self.offset, self.line, self.pins = 0x3F, 0, 0x40, 0x12
        self.strange: list[str] = []
        self._window = (0, 127, 0, 7)

    def write(self, data: bytes) -> None:
        """Control bytes, then commands or data (SSD1306 8.1.5.2)."""
        at, commands = 0, bytearray()
        while at < len(data):
            control, at = data[at], at + 1
            if control & 0x3F:
                self.strange.append(f"control byte {control:02x}")
            end = at + 1 if control & 0x80 else len(data)
            if control & 0x40:
                self._data(data[at:end])
            else:
                commands += data[at:end]
                self._commands(commands)
            at = end
        if commands:
            self.strange.append(f"half a command {commands.hex()}")

    def _commands(self, given: bytearray) -> None:
        """Do the commands that are whole, and take them off the front."""
        while given:
            count = _COMMANDS[self.kind].get(given[0])
            if count is None:
                self.strange.append(f"command {given.pop(0):02x}")
                continue
            if len(given) < 1 + count:
                return
            self._do(given[0], bytes(given[1 : 1 + count]))
            del given[: 1 + count]

    def _do(self, command: int, more: bytes) -> None:
        if command < 0x10:
            self.column = self.column & 0xF0 | command
        elif command < 0x20:
            self.column = (command & 0xF) << 4 | self.column & 0xF
        elif 0xB0 <= command < 0xB8:
            self.page = command & 7
        elif command == 0x20:
            self.mode = more[0] & 3
        elif command in (0x21, 0x22):
            begin, end, first, last = self._window
            self._window = (*more, first, last) if command == 0x21 else (begin, end, *more)
            self.column, self.page = self._window[0], self._window[2]
        elif 0x40 <= command < 0x80:
            self.line = command
        elif command in (0xAE, 0xAF):
            self.on = command == 0xAF
        elif command in (0x8D, 0xAD):
            self.pump = more[0] in (0x14, 0x8B)
        elif command in (0xA0, 0xA1):
            self.remap = command
        elif command in (0xC0, 0xC8):
            self.scan = command
        elif command == 0xA8:
            self.multiplex = more[0]
        elif command == 0xD3:
            self.offset = more[0]
        elif command == 0xDA:
            self.pins = more[0]

    def _data(self, data: bytes) -> None:
        for byte in data:
            if self.column < self.columns:
                self.ram[self.page][self.column] = byte
            self.column += 1
            if self.mode == 2:  # page addressing: round within the page
                self.column %= self.columns
            elif self.mode == 0 and self.column > self._window[1]:
                self.column = self._window[0]
                self.page = self._window[2] if self.page == self._window[3] else self.page + 1

    def picture(self) -> list[list[int]]:
        """64 rows of 128 pixels as a person sees them on a module that is upright with A1 and C8."""
        if not (self.on and self.pump):
            return [[0] * 128 for _ in range(64)]
        assert (self.line, self.offset, self.multiplex, self.pins) == (0x40, 0, 0x3F, 0x12)
        first = 2 if self.kind == "sh1106" else 0  # its glass has 128 of 132 columns
        rows = [[self.ram[y >> 3][first + x] >> (y & 7) & 1 for x in range(128)] for y in range(64)]
        if self.remap == 0xA0:
            rows = [row[::-1] for row in rows]
        return rows if self.scan == 0xC8 else rows[::-1]


class Glass:
    """A screen on the simulated bus, which is told how long each transfer takes at 100 kHz."""

    def __init__(self, kind: str = "ssd1306") -> None:
        self.kind = kind
        self.sent: list[tuple[int, bytes]] = []  # world time, bytes
        self.asked: list[int] = []  # world times of all transfers, answered or not
        self.gone: tuple[float, float] = (1e18, 1e18)  # it does not acknowledge from .. to
        self.stuck: float | None = None  # it holds the data line from then on
        self.slow: tuple[float, float] = (1e18, 1e18)  # it holds the clock from .. to
        self.power: list[float] = []  # when its supply came back: it has forgotten all

    def transfer(self, written: bytes, n_read: int, world_ms: int) -> tuple[int, int, bytes]:
        self.asked.append(world_ms)
        if self.gone[0] <= world_ms < self.gone[1]:
            return 1, 90, b"\xff" * n_read
        if self.slow[0] <= world_ms < self.slow[1]:
            return 0, _FOR_EVER_US, b"\xff" * n_read
        self.sent.append((world_ms, written))
        return 0, (1 + len(written)) * 9_000_000 // BAUD, b"\xff" * n_read

    def holds_line(self, world_ms: int) -> float | None:
        return self.stuck if self.stuck is not None and world_ms >= self.stuck else None

    def chip_at(self, world_ms: float) -> Chip:
        """The controller as it was at a time."""
        chip, powers = Chip(self.kind), [t for t in self.power if t <= world_ms]
        for at, data in self.sent:
            if at > world_ms:
                break
            while powers and powers[0] <= at:
                chip = Chip(self.kind)
                powers.pop(0)
            chip.write(data)
        assert not chip.strange
        return chip

    def at(self, world_ms: float) -> list[list[int]]:
        """The picture at a time."""
        return self.chip_at(world_ms).picture()


def png(rows: list[list[int]], scale: int = 4, edge: int = 8) -> bytes:
    """A picture file: lit pixels light blue on black, what is 2 grey; an edge. PNG specification, third edition."""
    width = len(rows[0]) * scale + 2 * edge
    blank = b"\0" + b"\2" * width
    lines = [blank] * edge
    for row in rows:
        line = b"".join(bytes([pixel]) * scale for pixel in row)
        lines += [b"\0" + b"\2" * edge + line + b"\2" * edge] * scale
    lines += [blank] * edge

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", width, len(lines), 8, 3, 0, 0, 0)
    colours = bytes((8, 12, 20, 190, 225, 255, 96, 100, 108))
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"PLTE", colours)
            + chunk(b"IDAT", zlib.compress(b"".join(lines), 9)) + chunk(b"IEND", b""))


PROGRAM = """
import asyncio, gc, json, machine, time
from pitlogger import settings
from pitlogger.app import App
import pitlogger.local
from pitlogger.chips import i2c_driver
from pitlogger.chips.i2c import I2cBus, TIMEOUT_US
plan = json.loads(%r)
values, complaints = settings.read("config.json")
BAUD = 100000
def make():
    return machine.I2C(0, scl=machine.Pin(5), sda=machine.Pin(4), freq=BAUD, timeout=TIMEOUT_US)
def lines():
    return [machine.Pin(n, machine.Pin.OPEN_DRAIN, value=1) for n in (5, 4)]
start = time.ticks_ms()
def at():
    return time.ticks_diff(time.ticks_ms(), start)
ticks = []
class Chip:
    # Its hot codes by time: [[from ms, code], ...], where a code of None is an open probe.
    def __init__(self, codes, counts):
        self.codes, self.counts = codes, counts
    def configure(self): pass
    def read(self, codes, i):
        now = at()
        if self.counts and len(ticks) < 400:
            ticks.append(now)
        code = [c for t, c in self.codes if t <= now][-1]
        codes[i], codes[i + 1], codes[i + 2] = (0, 400, 1) if code is None else (code, 400, 0)
class Pin:
    def __init__(self, number):
        self.number = number
    def __call__(self):
        now = at()
        return 0 if any(a <= now < b for a, b in plan["presses"].get(str(self.number), [])) else 1
sounds = []
class Pwm:
    hz = 0
    def freq(self, hz): self.hz = hz
    def duty_u16(self, duty): sounds.append((at(), self.hz if duty else 0))
class Spot:
    ssid, key, pin, where = plan["spot"] or ("", "", "", "")
bus = I2cBus(make, lines, time)
screen = bus if values["panel"]["screen"] != "none" else None
def chip(i, c):
    return i2c_driver(values["channels"][i], bus, values["period_ms"]) if c == "i2c" else Chip(c, i == 0)
made = [None if c is None else chip(i, c) for i, c in enumerate(plan["chips"])]
gc.collect()
before = gc.mem_alloc()
from pitlogger.panel.panel import Panel, load
load(values["panel"], screen is not None)  # before anything large is made, as main.py does it
gc.collect()
loaded = gc.mem_alloc() - before
app = App(values, complaints, made, 0x70697473, time, "power", None, None)
if plan["spot"]:
    app.hotspot = Spot
ticked = app.sampler._on_tick
def on_tick():
    ticked()
    if panel:
        panel.tick()
app.sampler._on_tick = on_tick
panel = None
async def main():
    global panel
    asyncio.create_task(app.run())
    app.follow()
    while at() < plan["begin"]:
        await asyncio.sleep_ms(plan["begin"] - at())
    gc.collect()
    begun = gc.mem_alloc()
    panel = Panel(app, values, screen, Pin, time, lambda number: Pwm())
    gc.collect()
    cost = loaded + gc.mem_alloc() - begun
    task = asyncio.create_task(panel.run())
    for until, what in plan["steps"] + [[plan["ms"], "end"]]:
        while at() < until:
            await asyncio.sleep_ms(min(500, until - at()))
            if task.done():
                await task
        if what.startswith("!"):
            exec(what[1:])
        elif what == "stand":  # the sampler's beat goes on, and it takes nothing
            app.sampler.take = lambda: None
        elif what == "anchor":
            app.anchor({"up": app.uptime.now(), "utc_ms": 1790000000000, "err_ms": 20, "from": "ntp"})
    gc.collect()
    print(json.dumps({"ticks": ticks, "missed": app.sampler.missed, "sounds": sounds, "cost": cost,
                      "begun": begun, "after": gc.mem_alloc(),
                      "world0": time.world_ms() - at()}))
asyncio.run(main())
"""


@dataclass
class Ran:
    """What came of a run: all times in ms since its start."""

    glass: Glass
    told: dict
    world0: int
    folder: Path

    def at(self, ms: int) -> list[list[int]]:
        """The glass at a time."""
        return self.glass.at(self.world0 + ms)

    @property
    def lateness(self) -> list[int]:
        """Of each tick [ms], against the schedule of the first."""
        ticks, period = self.told["ticks"], self.told["period"]
        assert self.told["missed"] == 0
        return [t - ticks[0] - i * period for i, t in enumerate(ticks)]


def panel_run(
    folder: Path,
    scenario: object,
    *,
    ms: int,
    chips: list,
    channels: list[dict],
    kind: str = "ssd1306",
    glass: Glass | None = None,
    presses: dict[int, list[tuple[int, int]]] | None = None,
    spot: tuple[str, str, str, str] | None = None,
    panel: dict | None = None,
    steps: list[tuple[int, str]] | None = None,
    begin: int = 0,
    heap: str = HEAP,
    **settings: object,
) -> Ran:
    """Run a logger with a panel for so long in virtual time; buttons are pressed as planned: {pin: [(from, to)]}.

    ``chips`` has for each channel [[from ms, hot code of a MAX31855], ...], None for an open probe, or "i2c" for a real
    driver on the screen's bus; ``spot`` is name, key, PIN and address of an open network; the panel is there from
    ``begin`` on; ``steps`` has times and what happens then: "stand" or "anchor",
    or a statement behind an exclamation mark.
    """
    glass = glass or Glass(kind)
    flash = Path(tempfile.mkdtemp(prefix="f", dir=folder))
    config = {
        "channels": channels, "usb": 0, "hotspot": {"when": "never"}, "i2c": [{"id": 0, "sda": 4, "scl": 5}],
        "panel": {"screen": kind, **(panel or {})}, **settings,
    }
    (flash / "config.json").write_text(json.dumps(config))
    plan = {"ms": ms, "chips": chips, "spot": spot, "presses": {str(k): v for k, v in (presses or {}).items()},
            "steps": steps or [], "begin": begin}
    bench = RunningBench(flash, scenario)  # type: ignore[arg-type]
    bench.wiring.i2c[0].chips[ADDRESS] = glass  # type: ignore[assignment]
    try:
        said = run(PROGRAM % json.dumps(plan), flash, shims=True, PITSCRIBE_BENCH=bench.path, PITSCRIBE_SPEED="0",
                   PITSCRIBE_EASE_MS="0", heap=heap)
    finally:
        bench.close()
    told = json.loads(said.splitlines()[-1])
    told["period"] = settings.get("period_ms", 1000)
    return Ran(glass, told, told["world0"], flash)


# What a picture says is looked for in the firmware's own letters and numerals, wherever they are.
_LETTERS = """
from framebuf import MONO_HLSB, FrameBuffer
from pitlogger.panel import digits
def answer(question):
    what, big = question
    made = bytearray(16 * 24)
    canvas = FrameBuffer(made, 128, 24, MONO_HLSB)
    if big:
        digits.draw(canvas, what, 58, 0)
        return [[canvas.pixel(x, y) for x in range(58)] for y in range(22)]
    canvas.text(what, 0, 0)
    return [[canvas.pixel(x, y) for x in range(8 * len(what))] for y in range(8)]
"""


class Reader:
    """Finds text, and numbers in large numerals, in a picture."""

    def __init__(self, folder: Path) -> None:
        self._worker = Worker(_LETTERS, folder)
        self._known: dict[tuple[object, bool], list[list[int]]] = {}

    def says(self, picture: list[list[int]], text: str) -> bool:
        """Whether a text stands in a picture."""
        return bool(self._find(picture, text, False, range(129 - 8 * len(text)), range(57)))

    def large(self, picture: list[list[int]], number: int | None, y: int) -> bool:
        """Whether a large number ends at column 58 with its top at ``y``, and nothing else stands before it."""
        return bool(self._find(picture, number, True, range(1), range(y, y + 1)))

    def _find(self, picture: list[list[int]], what: object, big: bool, xs: range, ys: range) -> list[tuple[int, int]]:
        if (what, big) not in self._known:
            self._known[what, big] = self._worker.ask([what, big])  # type: ignore[assignment]
        shape = self._known[what, big]
        wide = len(shape[0])
        return [
            (x, y) for y in ys for x in xs
            if all(picture[y + j][x : x + wide] == row for j, row in enumerate(shape))
        ]

    def close(self) -> None:
        """End the process that draws letters."""
        self._worker.close()
