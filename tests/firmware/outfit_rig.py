"""A board that is outfitted: MicroPython on a cable with power, reset, watchdog and Ctrl-C, as far as Linux has them.

It starts ``main.py`` where its flash has one and ends at the prompt otherwise, or when that ends. What it lacks of a
board: littlefs (its flash is a folder), a USB port that goes and comes, and the soft reset.
"""

import os
import pty
import signal
import subprocess
import termios
import threading
import time
import tty
from pathlib import Path

from firmware_rig import BOARD, HEAP, MICROPYTHON, ChipBench, environment
from usb_rig import Cable

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
"""


class OutfitBoard:
    """A board with ``flash``; ``starts`` and ``bites`` (of the watchdog) are counted. It has power from the start."""

    def __init__(self, flash: Path, bench: ChipBench, port: Path, *, speed: int = 20, heap: str = HEAP) -> None:
        self.flash, self._heap = flash, heap
        flash.mkdir(exist_ok=True)
        self._inside = port.parent / "inside"
        self._inside.mkdir(exist_ok=True)
        (self._inside / "machine.py").write_text(_MACHINE % (str(BOARD / "machine.py"), str(self._inside)))
        self._env = {"PITSCRIBE_BENCH": bench.path, "PITSCRIBE_EASE_MS": "0", "PITSCRIBE_UNIQUE_ID": "70697473",
                     "PITSCRIBE_SPEED": str(speed)}
        self._master, self._slave = pty.openpty()
        self.starts = self.bites = 0
        self._cause = "power"
        self._stop = False
        self._process: subprocess.Popen[bytes] | None = None
        self._start()
        self.cable = Cable(self._master, port)
        self.cable.to_board = self._interrupt
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _start(self) -> None:
        for name in ("dog", "reset"):
            (self._inside / name).unlink(missing_ok=True)
        tty.setraw(self._slave)
        modes = termios.tcgetattr(self._slave)
        modes[3] |= termios.ISIG  # so that it is seen whether a program runs or the prompt, which wants all bytes raw
        termios.tcsetattr(self._slave, termios.TCSANOW, modes)
        whole = environment(True, PITSCRIBE_RESET_CAUSE=self._cause, **self._env)
        whole["MICROPYPATH"] = f"{self._inside}:{BOARD}:.frozen"
        main = ["-i", "main.py"] if (self.flash / "main.py").exists() else []
        self._process = subprocess.Popen(
            [str(MICROPYTHON), "-X", self._heap, *main], cwd=self.flash, env=whole, stdin=self._slave,
            stdout=self._slave, stderr=self._slave, start_new_session=True,
        )
        self.starts += 1

    def _interrupt(self, data: bytes) -> bytes:
        """Ctrl-C, which a board's USB takes out of what comes while a program runs."""
        if b"\x03" not in data or not termios.tcgetattr(self._slave)[3] & termios.ISIG:
            return data
        if self._process is not None:
            self._process.send_signal(signal.SIGINT)
        time.sleep(0.2)  # for the program to end: a prompt that is not there yet would not see what follows
        return data.replace(b"\x03", b"")

    def _watch(self) -> None:
        while not self._stop:
            time.sleep(0.02)
            if (self._inside / "reset").exists() or self._process.poll() is not None:
                self._restart()
            elif self._dog_is_late():
                self.bites += 1
                self._restart()

    def _dog_is_late(self) -> bool:
        dog = self._inside / "dog"
        try:
            timeout_ms = int(dog.read_text() or 8000)
            return time.time() - dog.stat().st_mtime > timeout_ms / 1000
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
        self._process.kill()
        self._process.wait()
        self.cable.close()
        os.close(self._master)
        os.close(self._slave)
