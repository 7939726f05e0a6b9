"""The journal alone on real MicroPython: the scripts that its tests begin with, and flash that fails when told to."""


import json
from pathlib import Path

from firmware_rig import run as run_script

from pitscribe.commands.demo_frames import journal_frames
from pitscribe.wire.frames import EVENT, Event, check, decode_event

LOGGER = 0xA1B2C3D4
OPEN = f"""
import gc, json, os
from pitlogger.journal import Journal
from pitlogger.segments import frame_boot, frame_sequence
from pitlogger.frames import Encoder
gc.threshold(-1)                # the firmware's is for the heap of the board
LOGGER = {LOGGER}
def opened(most=0, folder="journal"):
    return Journal(folder, LOGGER, most)
def put(j, n, size=100):
    e = Encoder(LOGGER, j.boot, b"", 1000)
    def seal(sequence):
        return e.event(sequence, 5000 + sequence, "boot", {{"name": "x" * size}})
    return [j.append(seal) for _ in range(n)]
def everything(j, start=0):
    buf = bytearray(4096)
    found = []
    while True:
        length = j.fetch(start, buf)
        if not length:
            return found
        found.append([frame_boot(buf), frame_sequence(buf)])
        start = found[-1][1] + 1
"""


def run(script, flash):
    """Run with a heap that holds the test's own lists; test_whole_firmware has the heap of the board."""
    return run_script(script, flash, heap="heapsize=8m")


def said(flash, script, *before):
    """Run ``script`` behind OPEN and ``before``; return what it printed as JSON, in one line."""
    return json.loads(run(OPEN + "".join(before) + script, flash))


def segments(flash):
    return sorted((flash / "journal").glob("*.seg"))


def frames_in(flash: Path) -> list[bytes]:
    """Every good frame in the journal's files, as the host reads them after a pull."""
    return journal_frames(flash / "journal")


def events_in(flash: Path, name: str) -> list[Event]:
    """Every event of that name in the journal's files."""
    events = [decode_event(frame) for frame in frames_in(flash) if check(frame).kind == EVENT]
    return [event for event in events if event.name == name]


# Flash in RAM for littlefs: pages of 256 bytes are programmed, blocks of 4096 erased (which sets them to FF). ``left``
# operations go well; the next one does not happen, or (``torn``) the first half of it does (1), or half of it and noise
# behind that, as a supply that fades may leave it (2), or each of its bits by chance (3), or all of it, unanswered (4).
# From then on it is dead and only gives errors.
LITTLEFS = """
import errno, vfs
class Flash:
    def __init__(self, image):
        self.data = bytearray(image)
        self.left, self.torn, self.dead, self.count = -1, 0, False, 0
    def dies(self):
        if not self.dead and self.left == 0:
            self.dead = True
            return True
        self.left -= 1
        self.count += 1
        return False
    def readblocks(self, block, buf, off=0):
        if self.dead:
            return -errno.EIO
        at = block * 4096 + off
        buf[:] = memoryview(self.data)[at:at + len(buf)]
        return 0
    def writeblocks(self, block, buf, off=0):
        return self.change(block * 4096 + off, buf)
    def change(self, at, new):
        if self.dead:
            return -errno.EIO
        half = len(new) // 2
        if self.dies():
            if self.torn == 4:
                self.data[at:at + len(new)] = new
            elif self.torn == 3:
                chance = at * 2654435761 + self.count
                for i in range(len(new)):
                    chance = chance * 1103515245 + 12345 & 0x7FFFFFFF
                    keep = chance >> 16 & 0xFF
                    self.data[at + i] = self.data[at + i] & keep | new[i] & ~keep
            elif self.torn:
                self.data[at:at + half] = new[:half]
            if self.torn == 2:
                for i in range(half, min(half + 64, len(new))):
                    self.data[at + i] ^= at * 31 + i * 7 & 0xFF
            return -errno.EIO
        self.data[at:at + len(new)] = new
        return 0
    def ioctl(self, op, arg):
        if op == 4: return len(self.data) // 4096
        if op == 5: return 4096
        if op == 6: return self.change(arg * 4096, ERASED)
        return 0
ERASED = b"\\xff" * 4096
"""

# A folder of the computer mounted at /f through a file system that fails: ``after`` operations go well, the next
# ``times`` fail with EIO; ``bad`` has (end of a path, first, last) of bytes that no read gets.
FAILING = """
import errno, vfs
class Failing:
    def __init__(self, root):
        self.root, self.under = root, vfs.VfsPosix(root)
        self.after, self.times, self.bad, self.failed = -1, 0, (), 0
    def spend(self):
        if self.after == 0 and self.times:
            self.times -= 1
            self.failed += 1
            raise OSError(errno.EIO)
        if self.after > 0:
            self.after -= 1
    def mount(self, readonly, mkfs): pass
    def umount(self): pass
    def open(self, path, mode):
        self.spend()
        return FailingFile(self, path, self.under.open(path, mode))
    def ilistdir(self, path):
        self.spend()
        return self.under.ilistdir(path)
    def rename(self, old, new):     # that of VfsPosix takes both for one name where it has a root
        self.spend()
        os.rename(self.root + old, self.root + new)
    def __getattr__(self, name):
        def spent(*given):
            self.spend()
            return getattr(self.under, name)(*given)
        return spent
class FailingFile:
    def __init__(self, fs, path, under):
        self.fs, self.path, self.under = fs, path, under
    def reach(self, count):
        self.fs.spend()
        at = self.under.tell()
        for end, first, last in self.fs.bad:
            if self.path.endswith(end) and at <= last and at + count > first:
                raise OSError(errno.EIO)
    def read(self, count=-1):
        self.reach(count if count >= 0 else 1 << 20)
        return self.under.read(count)
    def readinto(self, buf):
        self.reach(len(buf))
        return self.under.readinto(buf)
    def __enter__(self): return self
    def __exit__(self, *given): self.under.close()
    def __getattr__(self, name):
        def spent(*given):
            if name != "close":
                self.fs.spend()
            return getattr(self.under, name)(*given)
        return spent
fs = Failing(os.getcwd())
vfs.mount(fs, "/f")
"""
