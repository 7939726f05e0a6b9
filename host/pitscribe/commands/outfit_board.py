"""A board at MicroPython's prompt: what ``outfit`` asks of it, over the raw REPL of ``mpremote``.

``mpremote`` is used as a library: one connection stays open, so that each piece feeds the board's watchdog and an error
names the file. Its makers say that this interface may change, so pyproject.toml takes no version later than the tested.

The watchdog runs all the while, because nothing stops an RP2040's once it runs; where it did not, it is begun here.
That is wanted: when this program or the cable dies, the board starts again by itself a few seconds later, with the set
that ``set`` names.
"""

import ast
import base64
import contextlib
import hashlib
import io
import struct
import time
from typing import Any, NamedTuple

from pitscribe.commands.outfit_set import not_installed
from pitscribe.errors import ConfigError, SourceError
from pitscribe.intake.usb import PortError

PIECE = 2048  # bytes a command
NOT_WRITTEN = "the board reads back something else than was sent; its flash may be worn out"
_ANSWER_S = 7.0  # below the watchdog's 8.388 s: what takes longer has been reset
_READ_S = 2.0
_TRIES = 3
_PROMPT_S = 5.0  # so long a program may take to end by Ctrl-C
_QUIET_S = 0.2
# Before anything else: from here on a board whose cable is pulled starts again by itself.
_FIRST = "import machine, sys; machine.WDT(timeout=8388); print(repr(sys.platform))"
# What the commands below use. One line each, no names that the firmware has: it may have run before in the same heap.
_PRELUDE = """
import binascii as _b, hashlib as _h, machine as _m, os as _o, sys as _s
_dog = _m.WDT(timeout=8388)
def _write(text):
    _dog.feed()
    _file.write(_b.a2b_base64(text))
def _sum(path):
    h = _h.sha256()
    with open(path, "rb") as f:
        while True:
            _dog.feed()
            piece = f.read(1024)
            if not piece:
                return _b.hexlify(h.digest()).decode()
            h.update(piece)
def _tree(path):
    _dog.feed()
    found = []
    for entry in _o.ilistdir(path):
        inner = path + "/" + entry[0]
        found += [inner + "/"] + _tree(inner) if entry[1] == 0x4000 else [inner]
    return found
"""
_FACTS = """
_i, _v = _s.implementation, _o.statvfs(_o.getcwd())
print((_s.platform, tuple(_i.version[:3]), getattr(_i, "_mpy", 0), getattr(_i, "_machine", ""),
       _b.crc32(_m.unique_id()), _v[0], _v[2] * _v[1], _v[3] * _v[1]))
"""


class Facts(NamedTuple):
    """What a board says of itself: its MicroPython, its number as a logger, and its flash in bytes."""

    platform: str
    version: tuple[int, ...]
    mpy: int
    machine: str
    logger: int
    block: int
    whole: int
    free: int


class Board:
    """The board at a port. Everything raises PortError when it is gone, SourceError when it does not do as asked."""

    def __init__(self, name: str) -> None:
        try:
            from mpremote.transport import TransportError
            from mpremote.transport_serial import SerialTransport
        except ImportError:
            raise ConfigError(not_installed("mpremote")) from None
        self._name, self._error = name, TransportError
        self._at_prompt = False
        try:
            self._repl = SerialTransport(name, timeout=_READ_S)
        except (TransportError, OSError) as error:
            raise PortError(f"{name}: {error}") from error

    def stop_program(self) -> None:
        """End what runs (Ctrl-C) and come to the raw REPL; on a board, with a fresh heap."""
        for left in reversed(range(_TRIES)):
            try:
                with contextlib.redirect_stdout(io.StringIO()):  # it prints what it did not expect
                    self._repl.enter_raw_repl(soft_reset=False, timeout_overall=_PROMPT_S)
                self._at_prompt = True
                break
            except (self._error, OSError) as error:
                if isinstance(error, OSError) or not left:
                    raise PortError(
                        f"{self._name}: no MicroPython prompt comes; is MicroPython on the board, and no other program "
                        "at the port?"
                    ) from error
                self._hear_out()
        if self.run(_FIRST) != "linux":  # the Linux port ends with a soft reset
            with contextlib.redirect_stdout(io.StringIO()):
                try:
                    self._repl.enter_raw_repl(soft_reset=True)
                except (self._error, OSError) as error:
                    raise PortError(f"{self._name}: no prompt after a soft reset ({error})") from error
        self.run(_PRELUDE)

    def _hear_out(self) -> None:
        """Let an answer that came too late go by: the next try's would be taken for it."""
        while self._repl.serial.inWaiting():
            self._repl.serial.read(self._repl.serial.inWaiting())
            time.sleep(_QUIET_S)

    def run(self, code: str, what: str = "") -> Any:
        """Run code on the board; return what it printed as a value, None for nothing. ``what`` is for the complaint."""
        try:
            out, err = self._repl.exec_raw(code, timeout=_ANSWER_S)
        except (self._error, OSError, TypeError, struct.error) as error:
            raise PortError(f"{self._name}: the board has gone{what and ' at ' + what} ({error})") from error
        if err:
            last = err.decode(errors="replace").strip().splitlines()[-1]
            raise SourceError(f"{self._name}: {what or 'the board'}: {last}")
        text = out.decode(errors="replace").strip()
        try:
            return ast.literal_eval(text) if text else None
        except (SyntaxError, ValueError):
            raise SourceError(f"{self._name}: {what or 'the board'}: not understood: {text[-80:]!r}") from None

    def facts(self) -> Facts:
        """Ask the board what it is."""
        return Facts(*self.run(_FACTS, "its facts"))

    def tree(self, folder: str = "") -> list[str]:
        """The files below a folder and, with a slash behind, the folders, each before what is in it."""
        start = repr(folder) if folder else "_o.getcwd().rstrip('/')"
        cut = "" if folder else f"[len({start}) + 1:]"
        found: list[str] = self.run(f"print([p{cut} for p in _tree({start})])", folder or "its files")
        return found

    def names(self) -> list[str]:
        """What lies at the top."""
        found: list[str] = self.run("print(_o.listdir())", "its files")
        return found

    def is_there(self, path: str) -> bool:
        """Whether something lies at a path, however deep; True also where that cannot be read."""
        code = f"try:\n    _o.stat({path!r})\n    print(True)\nexcept OSError as e:\n    print(e.errno != 2)"  # ENOENT
        return bool(self.run(code, path))

    def sha256(self, path: str) -> str:
        """The hash of a file, as the board reads it back from its flash."""
        return str(self.run(f"print(repr(_sum({path!r})))", path))

    def read(self, path: str) -> bytes:
        """A file that is small."""
        return bytes(self.run(f"_dog.feed()\nwith open({path!r}, 'rb') as f: print(f.read())", path))

    def write(self, path: str, data: bytes) -> str:
        """Write a file, in pieces; return its hash as the board reads it back."""
        pieces = [data[at : at + PIECE] for at in range(0, len(data), PIECE)] or [b""]
        read_back = ""
        for number, piece in enumerate(pieces, 1):
            code = f"_file = open({path!r}, 'wb')\n" if number == 1 else ""
            code += f"_write({base64.b64encode(piece).decode()!r})\n"
            if number == len(pieces):
                code += f"_file.close()\nprint(repr(_sum({path!r})))"
            read_back = str(self.run(code, path))
        return read_back

    def replace(self, path: str, data: bytes) -> str:
        """Put ``data`` in a file's place by one rename: a power cut leaves the old file or the new one. Returns the
        hash; raises SourceError, and renames nothing, where the board reads back something else."""
        beside = path + ".new"
        if (read_back := self.write(beside, data)) != hashlib.sha256(data).hexdigest():
            raise SourceError(f"{path}: {NOT_WRITTEN}")
        self.rename(beside, path)
        return read_back

    def rename(self, old: str, new: str) -> None:
        """Give a file another name, in place of one that has it."""
        self.run(f"_o.rename({old!r}, {new!r})", new)

    def make_folder(self, path: str) -> None:
        """Make a folder that is not there."""
        self.run(f"_o.mkdir({path!r})", path)

    def remove(self, path: str) -> None:
        """Remove a file, or a folder (with a slash behind) that is empty."""
        self.run(f"_dog.feed()\n_o.{'rmdir' if path.endswith('/') else 'remove'}({path.rstrip('/')!r})", path)

    def remove_tree(self, folder: str) -> None:
        """Remove a folder with all that is in it."""
        for path in reversed([folder + "/", *self.tree(folder)]):
            self.remove(path)

    def restart(self) -> None:
        """Reset the board, where it came to its prompt, and let go of the port."""
        if self._at_prompt:
            with contextlib.suppress(self._error, OSError, TypeError, struct.error):
                self._repl.exec_raw_no_follow("import machine; machine.reset()")
        self.close()

    def close(self) -> None:
        """Let go of the port."""
        with contextlib.suppress(OSError):
            self._repl.close()
