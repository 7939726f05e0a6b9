"""The journal alone on real MicroPython: the scripts that its tests begin with, and flash that fails when told to."""


import json
from pathlib import Path

from firmware_rig import run as run_script

from pitscribe.commands.demo_report import journal_frames
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


LITTLEFS = """
import errno, vfs
class Flash:                    # 212 blocks of 4096 bytes, as a Pico W leaves to files; dies at a given operation
    def __init__(self, blocks):
        self.data = bytearray(blocks * 4096)
        self.blocks, self.left, self.dead = blocks, -1, False
    def spend(self):
        if self.left == 0:
            self.dead = True
        if self.dead:
            return False
        self.left -= 1
        return True
    def readblocks(self, block, buf, off=0):
        if self.dead:
            return -errno.EIO
        at = block * 4096 + off
        buf[:] = memoryview(self.data)[at:at + len(buf)]
        return 0
    def writeblocks(self, block, buf, off=0):
        if not self.spend():
            if self.torn:       # the half of it that got there
                at = block * 4096 + off
                self.data[at:at + len(buf) // 2] = buf[:len(buf) // 2]
                self.torn = False
            return -errno.EIO
        at = block * 4096 + off
        self.data[at:at + len(buf)] = buf
        return 0
    def ioctl(self, op, arg):
        if op == 4: return self.blocks
        if op == 5: return 4096
        if op == 6: return 0 if self.spend() else -errno.EIO
        return 0
    torn = False
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
