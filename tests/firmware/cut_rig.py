"""Power cuts at every operation of a session of the logger on real littlefs: MicroPython's own, on flash in RAM."""

import json

from firmware_rig import run
from journal_rig import LITTLEFS

SESSION = LITTLEFS + """
import asyncio, binascii, gc, json, os
from pitlogger import files, rules, settings
from pitlogger.frames import Encoder
from pitlogger.stretch import Stretch
from pitlogger.journal import Journal
gc.threshold(-1)
BLOCKS, LOGGER, TABLE, MOST = 32, 0xA1B2C3D4, bytes((0x13, 0x27)), 3 * 16384

made = {}
def frame(encoder, sequence):
    "The frame that this boot has under this number."
    key = encoder._boot, sequence
    if key not in made:
        made[key] = bytes(new_frame(encoder, sequence))
    return made[key]

stretch = Stretch(16, 2)
def new_frame(encoder, sequence):
    "Ticks, or every eighth an event."
    if sequence % 8 == 0:
        return encoder.event(sequence, 5000 + sequence, "note", {"kind": "text", "text": "n%d" % sequence * 9})
    stretch.clear()
    stretch.low = 1000 * sequence
    for i in range(0, 16 * 6, 6):
        stretch.put([(sequence * 7919 + (i + j) ** 2 * 104729) % 30011 - 15000 for j in range(6)])
    encoder.clear()
    asyncio.run(encoder.add(stretch))
    return encoder.seal(sequence)

class Life:
    "What a run of the logger did until the power went, as far as it was told that it was done."
    def __init__(self):
        self.boot, self.told, self.acknowledged, self.names, self.ended = None, [], 0, [], []
        self.called = []  # the name in the settings, and the one that is being written

def mounted(flash):
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/f")

def unmounted(journal):
    if journal is not None:
        journal._close()        # else a collection closes it, and writes to flash that came back
    gc.collect()
    try:
        vfs.umount("/f")
    except OSError:
        pass

def live(flash, newest, frames):
    "A session: boot, sampling, rotation, acknowledgement, a changed setting, a count of losses."
    life, journal = Life(), None
    try:
        mounted(flash)
        journal = Journal("/f/journal", LOGGER, MOST, newest)
        life.boot = journal.boot
        encoder = Encoder(LOGGER, journal.boot, TABLE, 1000)
        for n in range(frames):
            life.names = list(journal._names)
            sequence = journal.next
            if journal.append(lambda s: frame(encoder, s)):
                life.told.append(sequence)
            if n % 20 == 13 and not newest:
                life.acknowledged = journal.next - 6
                journal.move_cursor(life.acknowledged)
            if n % 40 == 17:
                values = rules.defaults()
                values["name"] = "name %d" % n
                life.called = life.called[-1:] + [values["name"]]
                settings.write("/f/config.json", values)
                life.called = life.called[-1:]
            if n % 30 == 21:
                journal.keep_lost(n)
            if flash.dead:
                break
    except OSError:
        pass
    life.ended = list(journal._names if journal else [])
    unmounted(journal)
    return life

def after(flash, life, before):
    "What is wrong with what the power cut left: a list of words, each a promise that was broken."
    wrong = []
    flash.left, flash.dead = -1, False
    mounted(flash)
    values, complaints = settings.read("/f/config.json")
    if complaints or values["name"] not in (before.called + life.called)[-2:]:
        wrong.append("settings: " + "; ".join(complaints) + values["name"])
    journal = Journal("/f/journal", LOGGER, MOST, life.newest)
    if not journal.ok:
        wrong.append("journal not ok")
    if journal.boot not in (before.boot + 1, before.boot + 2):  # one boot lies between, whether it could count or not
        wrong.append("boot %d after %d" % (journal.boot, before.boot))
    if life.told and journal.boot == life.boot:
        wrong.append("boot number used twice")
    ahead = life.names[1] if life.newest and len(life.names) > 1 else max(life.acknowledged, before.acknowledged)
    if journal.cursor > ahead:
        wrong.append("cursor %d ahead of %d" % (journal.cursor, ahead))
    makers = {b: Encoder(LOGGER, b, TABLE, 1000) for b in (before.boot, before.boot + 1)}
    buf, at, found = bytearray(4096), 0, set()
    while True:
        length = journal.fetch(at, buf)
        if not length:
            break
        boot, sequence = buf[8] | buf[9] << 8, int.from_bytes(buf[10:14], "little")
        if boot not in makers or bytes(buf[:length]) != frame(makers[boot], sequence):
            wrong.append("garbled frame %d of boot %d" % (sequence, boot))
        found.add((boot, sequence))
        at = sequence + 1
    lost = [s for s in life.told if s >= ahead and (life.boot, s) not in found]
    lost += [s for s in before.told if s >= ahead and (before.boot, s) not in found]
    if lost:
        wrong.append("lost %s" % lost)
    encoder, first = Encoder(LOGGER, journal.boot, TABLE, 1000), journal.next
    if found and first <= max(s for _, s in found):
        wrong.append("number %d is used again" % first)
    if not all(journal.append(lambda s: frame(encoder, s)) for _ in range(3)):
        wrong.append("it does not go on")
    elif not journal.fetch(first, buf):
        wrong.append("what was written behind the cut is not there")
    unmounted(journal)
    return wrong

def prepared(newest):
    "Flash on which the logger has lived already: the image, and what it told."
    flash = Flash(BLOCKS * ERASED)
    vfs.VfsLfs2.mkfs(flash, progsize=256)
    mounted(flash)
    os.mkdir("/f/journal")
    files.write_number("/f/journal/boot", 299)  # else it begins at a random one
    unmounted(None)
    before = live(flash, newest, 150)
    assert len(before.told) == 150
    return bytes(flash.data), before

def operations(newest, frames):
    "How many operations the session has that no cut ends."
    flash = Flash(prepared(newest)[0])
    life = live(flash, newest, frames)
    assert life.ended[0] > 0 and len(life.ended) == 3, "a segment was begun, and one removed for it"
    return flash.count

def cut(kind, newest, frames, image, before):
    n, torn = kind
    flash = Flash(image)
    flash.left, flash.torn = n, torn
    life = live(flash, newest, frames)
    assert flash.dead, "the session has fewer operations"
    life.newest = newest
    return after(flash, life, before)

def cuts(kinds, newest, frames):
    image, before = prepared(newest)
    wrong = []
    for kind in kinds:
        found = cut(kind, newest, frames, image, before)
        if found:
            wrong.append([kind, found])
        gc.collect()
    return wrong
"""

FRAMES = 75
MODES = 5  # of the last operation nothing, half, half and noise, each bit by chance, all of it


def operations(folder, newest):
    """How many times a whole session programs or erases."""
    return int(run(SESSION + f"print(operations({newest}, {FRAMES}))", folder, heap="heapsize=16m"))


def cuts(folder, newest, kinds):
    """Cut the power at each (operation, mode); return those that broke a promise, and which.

    At most the frame that was not written yet may be missing, for each that ``append`` said was written must be there.
    """
    script = f"print(json.dumps(cuts({[tuple(kind) for kind in kinds]}, {newest}, {FRAMES})))"
    return json.loads(run(SESSION + script, folder, heap="heapsize=16m"))
