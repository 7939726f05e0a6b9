"""A board that is outfitted: MicroPython on a cable with power, reset, watchdog and Ctrl-C, as far as Linux has them.

It starts ``main.py`` where its flash has one and ends at the prompt otherwise, or when that ends. Its flash is a folder
or, where ``blocks`` are given, MicroPython's own littlefs in a file: then the power can be cut at any erase or program.
A program that is stopped by Ctrl-C is followed by a MicroPython with a fresh heap at the prompt, as after a soft reset.
What it lacks of a board: a USB port that goes and comes with a reset, and the speed.
"""

import os
import pty
import signal
import subprocess
import termios
import threading
import time
import tty
import zlib
from pathlib import Path

import pytest
from firmware_rig import BOARD, FIRMWARE, HEAP, MICROPYTHON, ChipBench, compiled, environment
from usb_rig import Cable

from pitscribe.commands import outfit, outfit_wait

# In front of the simulated board's own: reset and watchdog end at who has the power, in real time.
_MACHINE = """
with open(%r) as f:
    exec(f.read())
_HERE = %r
def _say(name, text):
    with open(_HERE + name, "w") as f:
        f.write(text)
class WDT:
    def __init__(self, id=0, timeout=5000):
        self._timeout = str(timeout)
        self.feed()
    def feed(self):
        _say("/dog", self._timeout)
def reset():
    _say("/reset", "")
    import utime
    while True:
        utime.sleep(1)
class Timer:
    "Rings where PITSCRIBE_TIMER_SPEED says how much faster than the computer's clock it goes; else never"
    ONE_SHOT = 0
    def __init__(self, id, mode, period, callback):
        speed = int(os.getenv("PITSCRIBE_TIMER_SPEED") or 0)
        if speed:
            import _thread
            _thread.start_new_thread(self._ring, ("sleep %%f" %% (period / 1000 / speed), callback))
    def _ring(self, sleep, callback):
        import micropython
        os.system(sleep)
        micropython.schedule(callback, self)    # as a board's soft timer: in the program, between two of its steps
"""

# A flash of pages of 256 bytes and blocks of 4096, in a file. Where the file ``cut`` has a number and a way, so many
# operations of what is done at the prompt are left, and at the last the power goes: nothing of it happens, or (1) half
# of it, or (2) half and noise behind that. ``count`` gets a byte for each.
_LITTLEFS = """
import os, sys, vfs
HERE, IMAGE = %r, %r
class Flash:
    def __init__(self):
        self.file = open(IMAGE, "r+b")
        self.blocks = self.file.seek(0, 2) // 4096
        self.prompt = False
    def readblocks(self, block, buf, off=0):
        self.file.seek(block * 4096 + off)
        self.file.readinto(buf)
        return 0
    def writeblocks(self, block, buf, off=0):
        at = block * 4096 + off
        if self.prompt:
            self.spend(at, buf)
        self.file.seek(at)
        self.file.write(buf)
        return 0
    def spend(self, at, buf):
        with open(HERE + "/count", "a") as f:
            f.write(".")
        try:
            with open(HERE + "/cut") as f:
                left, way = map(int, f.read().split())
        except OSError:
            return
        if left > 0:
            with open(HERE + "/cut", "w") as f:
                f.write("%%d %%d" %% (left - 1, way))
            return
        half = len(buf) // 2
        if way:
            self.file.seek(at)
            self.file.write(memoryview(buf)[:half])
        if way == 2:
            self.file.write(bytes((i * 31 + at) & 0xFF for i in range(min(64, half))))
        open(HERE + "/dead", "w").close()
        import utime
        while True:
            utime.sleep(1)
    def ioctl(self, op, arg):
        if op == 4:
            return self.blocks
        if op == 5:
            return 4096
        if op == 6:
            return self.writeblocks(arg, ERASED)
        return 0
ERASED = b"\\xff" * 4096
flash = Flash()
"""
_MOUNT = """
vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/flash")
os.chdir("/flash")
sys.path.insert(0, "")
"""
_BOOT = _LITTLEFS + _MOUNT + """
try:
    if not os.getenv("PITSCRIBE_PROMPT"):
        with open("main.py") as f:
            text = f.read()
        exec(text)
except OSError as error:
    if error.errno != 2:
        raise
finally:
    flash.prompt = True
"""
MKFS = "vfs.VfsLfs2.mkfs(flash, progsize=256)\n"


def make_flash(image: Path, blocks: int) -> None:
    """An empty littlefs of so many blocks of 4096 bytes (a Pico W has 212: micropython.md, measured)."""
    image.write_bytes(b"\xff" * 4096 * blocks)
    on_flash(image, "", before=MKFS)


def on_flash(image: Path, code: str, *, before: str = "", path: str = "", **env: str) -> str:
    """Run code in a MicroPython of its own that has the flash mounted, and is in it; return what it printed."""
    whole = {**environment(False), **env, "MICROPYPATH": f"{path}:.frozen"}
    script = _LITTLEFS % ("", str(image)) + before + _MOUNT + code
    done = subprocess.run([str(MICROPYTHON), "-X", HEAP, "-c", script], env=whole, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:] + done.stdout[-2000:]
    return done.stdout


class OutfitBoard:
    """A board with ``flash``; ``starts`` and ``bites`` (of the watchdog) are counted. It has power from the start.

    ``blocks``: of littlefs, in the file ``flash``; 0: a folder.
    """

    def __init__(
        self, flash: Path, bench: ChipBench | None, port: Path, *, speed: int = 20, heap: str = HEAP, blocks: int = 0,
        **env: str,
    ) -> None:
        self.flash, self._heap, self._blocks = flash, heap, blocks
        self.inside = port.parent / "inside"
        self.inside.mkdir(exist_ok=True)
        (self.inside / "machine.py").write_text(_MACHINE % (str(BOARD / "machine.py"), str(self.inside)))
        if blocks:
            (self.inside / "flash.py").write_text(_BOOT % (str(self.inside), str(flash)))
            if not flash.exists():
                make_flash(flash, blocks)
        else:
            flash.mkdir(exist_ok=True)
        self._env = {"PITSCRIBE_BENCH": bench.path if bench else "", "PITSCRIBE_EASE_MS": "0",
                     "PITSCRIBE_UNIQUE_ID": "70697473", "PITSCRIBE_SPEED": str(speed), **env}
        self._master, self._slave = pty.openpty()
        self.starts = self.bites = 0
        self.dog_speed = 1  # how much faster than the computer's clock the watchdog's is
        self._cause = "power"
        self._stop = False
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._start()
        self.cable = Cable(self._master, port)
        self.cable.to_board = self._interrupt
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _start(self, prompt: bool = False) -> None:
        for name in ("dog", "reset"):
            (self.inside / name).unlink(missing_ok=True)
        tty.setraw(self._slave)
        modes = termios.tcgetattr(self._slave)
        modes[3] |= termios.ISIG  # so that it is seen whether a program runs or the prompt, which wants all bytes raw
        termios.tcsetattr(self._slave, termios.TCSANOW, modes)
        whole = environment(True, PITSCRIBE_RESET_CAUSE=self._cause, **self._env)
        whole["MICROPYPATH"] = f"{self.inside}:{BOARD}:.frozen"
        main = ["-i", "main.py"] if (self.flash / "main.py").exists() and not prompt else []
        whole["PITSCRIBE_PROMPT"] = "1" if prompt else ""
        if self._blocks:
            main = ["-i", str(self.inside / "flash.py")]
        self._process = subprocess.Popen(
            [str(MICROPYTHON), "-X", self._heap, *main], cwd=self.inside if self._blocks else self.flash, env=whole,
            stdin=self._slave, stdout=self._slave, stderr=self._slave, start_new_session=True,
        )
        self.starts += not prompt

    def _interrupt(self, data: bytes) -> bytes:
        """Ctrl-C, which a board's USB takes out of what comes while a program runs."""
        if b"\x03" not in data or not self._runs():
            return data
        with self._lock:
            if self._process is not None:
                self._process.send_signal(signal.SIGINT)
                self.await_prompt()
                self._process.kill()
                self._process.wait()
                self._start(prompt=True)
                self.await_prompt()
        return data.replace(b"\x03", b"")

    def _runs(self) -> bool:
        return bool(termios.tcgetattr(self._slave)[3] & termios.ISIG)

    def await_prompt(self) -> None:
        """Wait for the program to end: a prompt that is not there yet would not see what follows."""
        deadline = time.monotonic() + 10
        while self._runs() and self._process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.005)

    def cut_after(self, operations: int, way: int = 0) -> None:
        """Let the power go at this operation of the flash, of those that are done at the prompt, and the port with it.
        ``way``: what becomes of that operation (0: nothing, 1: half, 2: half and noise)."""
        (self.inside / "count").unlink(missing_ok=True)
        (self.inside / "cut").write_text(f"{operations} {way}")

    def timer_rings(self, speed: int) -> None:
        """From the next start on ``machine.Timer`` rings, so many times earlier than it says. Ctrl-C is not heard until
        then: who shells out ignores it."""
        self._env["PITSCRIBE_TIMER_SPEED"] = str(speed)

    def operations(self) -> int:
        """Operations of the flash that were done at the prompt since ``cut_after``."""
        count = self.inside / "count"
        return count.stat().st_size if count.exists() else 0

    @property
    def dead(self) -> bool:
        """Whether it has no power."""
        return self._process is None

    def power_on(self) -> None:
        """Give it its power back, and put in the cable."""
        (self.inside / "cut").unlink(missing_ok=True)
        with self._lock:
            self._cause = "power"
            if not self.cable.port.is_symlink():
                self.cable.plug()
            self._start()

    def switch_off(self) -> None:
        """Take its power away; the port is gone with it."""
        with self._lock:
            self._die()

    def _die(self) -> None:
        if self._process is None:
            return
        self._process.kill()
        self._process.wait()
        self._process = None
        (self.inside / "dead").unlink(missing_ok=True)
        if self.cable.port.is_symlink():
            self.cable.unplug()

    def _watch(self) -> None:
        while not self._stop:
            time.sleep(0.005)
            with self._lock:
                if self._process is None:
                    continue
                if (self.inside / "dead").exists():
                    self._die()
                elif (self.inside / "reset").exists() or self._process.poll() is not None:
                    self._restart()
                elif self._dog_is_late():
                    self.bites += 1
                    self._restart()

    def _dog_is_late(self) -> bool:
        dog = self.inside / "dog"
        try:
            timeout_ms = int(dog.read_text() or 8000)
            return time.time() - dog.stat().st_mtime > timeout_ms / 1000 / self.dog_speed
        except FileNotFoundError:
            return False

    def _restart(self) -> None:
        self._process.kill()
        self._process.wait()
        self._cause = "watchdog"  # as an RP2040's own resets look
        self._start()

    def cut_power(self) -> None:
        """End it wherever it is."""
        self._stop = True
        self._thread.join()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        self.cable.close()
        os.close(self._master)
        os.close(self._slave)


LOGGER = zlib.crc32(bytes.fromhex("70697473"))  # of the unique id that the board has here


def patient_for(answer_s: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask again sooner where no logger answers: an empty board is asked five times, one that starts all the while."""
    for module in (outfit, outfit_wait):
        monkeypatch.setattr(module, "_ANSWER_S", answer_s)


# A set of few files that hands over to the real firmware once it is seen that it is no mix.
_SMALL_START = """
NAME = %r
def main(trial=None):
    from pitlogger import part
    assert part.NAME == NAME, "a mix"
    fate = %r
    if fate == "raise":
        raise ValueError("so that it does not run")
    while fate == "hang":
        pass
    part.real()
    from pitlogger.start import main
    if fate == "mute":
        import pitlogger.settings as settings
        read = settings.read
        settings.read = lambda path: [part.muted(said) for said in read(path)]
    main(trial)
"""
_SMALL_PART = """
import sys
NAME = %r
def real():
    for name in [n for n in sys.modules if n.startswith("pitlogger")]:
        del sys.modules[name]
    sys.path.insert(0, %r)
def muted(said):
    if isinstance(said, dict):
        said["usb"] = 0
    return said
"""
_SMALL_SETTINGS = """
def read(path):
    from pitlogger import part
    part.real()
    from pitlogger.settings import read
    return read(path)
"""


# Another that says what it is, with which settings and whether on trial, and ends.
_TELLING_START = """
import json
NAME = %r
def main(trial=None):
    from pitlogger import part
    from pitlogger.trial import settings_of
    assert part.NAME == NAME, "a mix"
    with open("config.json" if trial is None else settings_of(trial)) as f:
        print(json.dumps([NAME, json.load(f)["name"], trial is not None]))
"""
_TELLING_SETTINGS = """
import json
def read(path):
    with open(path) as f:
        return json.load(f), []
"""


def small_firmware(folder: Path, name: str, fate: str = "") -> Path:
    """A firmware of few files, in which all say ``name``. ``fate``: `raise` or `hang` in place of running,
    or `mute`: it runs, and answers nothing on the cable."""
    modules = {"part": _SMALL_PART % (name, str(compiled())), "settings": _SMALL_SETTINGS}
    return _firmware(folder, name, {**modules, "start": _SMALL_START % (name, fate)})


def telling_firmware(folder: Path, name: str) -> Path:
    """A firmware that says what it is, as JSON in a line, and ends."""
    modules = {"part": f"NAME = {name!r}", "settings": _TELLING_SETTINGS}
    return _firmware(folder, name, {**modules, "start": _TELLING_START % name})


def _firmware(folder: Path, name: str, modules: dict[str, str]) -> Path:
    (folder / "pitlogger").mkdir(parents=True)
    (folder / "page").mkdir()
    (folder / "page" / "index.html").write_text(name)
    (folder / "main.py").write_text((FIRMWARE / "main.py").read_text())
    own = {module: (FIRMWARE / "pitlogger" / f"{module}.py").read_text() for module in ("trial", "files")}
    for module, text in {**own, **modules, "__init__": f'FIRMWARE = "{name}"\n'}.items():
        (folder / "pitlogger" / f"{module}.py").write_text(text)
    return folder
