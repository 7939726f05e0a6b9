"""The journal on real MicroPython: torn tails, kills, boot counter, want of space, a failing flash, power cuts."""

import signal
import struct
import subprocess
import zlib

import pytest
from firmware_rig import MICROPYTHON, environment
from journal_rig import LITTLEFS, LOGGER, OPEN, run, said, segments
from servers import wait_until

from pitscribe.wire.frames import FrameKey, check, encode_event
from pitscribe.wire.segments import scan_segment, segment_header


def keys_of(flash):
    """(boot, sequence) of every good frame in the files, by the host's reader."""
    return [list(struct.unpack_from("<HI", f, 8)) for s in segments(flash) for f in scan_segment(s.read_bytes())[0]]


def test_segments_are_as_the_specification_says_and_what_was_written_is_read_back(flash):
    script = "j = opened()\nput(j, 400)\n"
    script += "print(json.dumps([j.boot, j.next, j.first, everything(j), everything(j, 137)]))"
    boot, following, first, found, later = said(flash, script)
    assert (following, first) == (400, 0)
    assert found == keys_of(flash) == [[boot, s] for s in range(400)]
    assert later == found[137:]
    files = segments(flash)
    assert len(files) >= 3
    for file in files:
        data = file.read_bytes()
        assert len(data) <= 16384
        frames, damaged = scan_segment(data)
        assert damaged == []
        assert segment_header(data) == (LOGGER, int(file.stem, 16))
        assert check(frames[0]).key == FrameKey(LOGGER, boot, int(file.stem, 16))
    assert len(files[0].read_bytes()) > 16384 - 200


def test_next_boot_goes_on_behind_the_last_frame_with_the_next_boot_number(flash):
    first = said(flash, "j = opened()\nput(j, 7)\nprint(json.dumps([j.boot, j.next]))")
    script = "j = opened()\nput(j, 2)\nprint(json.dumps([j.boot, everything(j)]))"
    boot, found = said(flash, script)
    assert boot == (first[0] + 1) % 65536
    assert found == [[first[0], s] for s in range(7)] + [[boot, 7], [boot, 8]]
    assert len(segments(flash)) == 1


def test_boot_number_after_65535_is_0(flash):
    (flash / "journal").mkdir()
    (flash / "journal" / "boot").write_text(f"65535 {zlib.crc32(b'65535'):08x}")
    assert run(OPEN + "print(opened().boot)", flash) == "0\n"


@pytest.mark.parametrize("content", [None, b"", b"12 00000000", b"12", b"\xff\xff", b"x y"])
def test_lost_boot_counter_starts_at_a_random_number(content, flash):
    boots = set()
    for _ in range(4):
        (flash / "journal").mkdir(exist_ok=True)
        if content is None:
            (flash / "journal" / "boot").unlink(missing_ok=True)
        else:
            (flash / "journal" / "boot").write_bytes(content)
        boots.add(int(run(OPEN + "print(opened().boot)", flash)))
    assert len(boots) >= 3  # four equal random numbers of 16 bits: once in 10**14


def test_last_segment_cut_at_every_byte_keeps_every_whole_frame_and_loses_only_the_torn_one(flash):
    """One MicroPython process tries all lengths: writes the cut file, opens the journal, appends a frame, reads all."""
    whole = struct.pack("<4sII", b"PSJ1", LOGGER, 0)
    whole += struct.pack("<I", zlib.crc32(whole))
    ends = [len(whole)]
    for sequence in range(4):
        whole += encode_event(FrameKey(LOGGER, 3, sequence), 5000, "boot", {"name": "x" * 40 * sequence})
        ends.append(len(whole))
    (flash / "whole").write_bytes(whole)
    script = """
with open("whole", "rb") as f:
    whole = f.read()
os.mkdir("journal")
seen = []
for cut in range(len(whole) + 1):
    for name in os.listdir("journal"):
        os.remove("journal/" + name)
    with open("journal/00000000.seg", "wb") as f:
        f.write(whole[:cut])
    with open("journal/boot", "wb") as f:
        f.write(b"3 6dd28e9b")
    j = opened()
    put(j, 1)
    j._close()
    seen.append([j.boot, j.ok, everything(j), os.stat("journal/" + sorted(os.listdir("journal"))[0])[6]])
    gc.collect()
print(json.dumps(seen))
"""
    seen = said(flash, script)
    assert len(seen) == len(whole) + 1
    for cut, (boot, ok, found, size) in enumerate(seen):
        good = max(sum(1 for end in ends if end <= cut) - 1, 0)
        assert (boot, ok) == (4, True), cut
        assert found == [[3, s] for s in range(good)] + [[4, good]], cut
        tail = encode_event(FrameKey(LOGGER, 4, good), 5000 + good, "boot", {"name": "x" * 100})
        assert size == ends[good] + len(tail), cut


def test_flipped_byte_in_the_middle_costs_that_frame_and_no_other(flash):
    boot = int(run(OPEN + "j = opened()\nput(j, 30)\nprint(j.boot)", flash))
    (file,) = segments(flash)
    data = bytearray(file.read_bytes())
    data[16 + 10 * ((len(data) - 16) // 30) + 60] ^= 0x20
    file.write_bytes(data)
    script = "j = opened()\nput(j, 1)\nprint(json.dumps([j.next, everything(j)]))"
    following, found = said(flash, script)
    lost = [s for s in range(30) if [boot, s] not in found]
    assert following == 31
    assert len(lost) == 1
    assert found == [[boot, s] for s in range(30) if s != lost[0]] + [[(boot + 1) % 65536, 30]]


def test_process_killed_again_and_again_loses_no_frame_that_was_reported_written(flash):
    script = flash / "writer.py"
    script.write_text(OPEN + "j = opened()\nwhile True:\n    put(j, 1, 60)\n    print(j.boot, j.next - 1)\n")
    told = []
    for round_ in range(6):
        process = subprocess.Popen(
            [str(MICROPYTHON), str(script)], cwd=flash, env=environment(False), stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        for _ in range(37 + 61 * round_):
            told.append([int(word) for word in process.stdout.readline().split()])
        process.send_signal(signal.SIGKILL)
        told += [[int(w) for w in line.split()] for line in process.stdout.read().splitlines() if line.count(" ") == 1]
        process.wait()
    found = said(flash, "print(json.dumps(everything(opened())))")
    assert len(told) > 6 * 37
    assert [key for key in told if key not in found] == []
    assert [key[1] for key in found] == list(range(len(found)))


def test_cursor_is_kept_when_it_enters_another_segment_and_survives(flash):
    script = """
j = opened()
put(j, 400)
writes = []
for s in range(1, 400):
    j.move_cursor(s)
    try:
        with open("journal/cursor") as f:
            kept = int(f.read().split()[0])
    except OSError:
        kept = 0
    if not writes or writes[-1] != kept:
        writes.append(kept)
print(json.dumps(writes))
"""
    writes = said(flash, script)
    names = [int(file.stem, 16) for file in segments(flash)]
    assert writes == names
    assert said(flash, "print(opened().cursor)") == names[-1]
    text = (flash / "journal" / "cursor").read_text()
    number, crc = text.split(" ")
    assert int(crc, 16) == zlib.crc32(number.encode())


def two_runs(flash, **given):
    """Write ``frames`` into a journal of so many ``segments``, have those before ``stored`` stored, then write
    ``then`` more.

    Return for each of the two what became of every frame and how the journal was behind it; and all that is in it.
    """
    script = f"""
def how(j):
    return {{"first": j.first, "next": j.next, "lost": j.lost, "ok": j.ok}}
j = opened({given["segments"]} * 16384)
before = [put(j, {given["frames"]}), how(j)]
j.move_cursor({given["stored"]})
after = [put(j, {given["then"]}), how(j)]
print(json.dumps([before, after, everything(j)]))
"""
    return said(flash, script)


def test_when_space_is_short_stored_segments_go_first_and_nothing_else_goes(flash):
    (before, _), (after, last), found = two_runs(flash, segments=4, frames=300, stored=200, then=200)
    assert all(before)
    assert all(after)
    assert (last["lost"], last["ok"]) == (0, True)
    first = last["first"]
    assert 0 < first <= 200
    assert [s for _, s in found] == list(range(first, 500))


def test_journal_full_of_unstored_frames_keeps_the_oldest_counts_the_loss_and_takes_frames_again_when_stored(flash):
    (kept, full), (again, last), found = two_runs(flash, segments=3, frames=500, stored=150, then=50)
    room = kept.count(True)
    assert kept == [True] * room + [False] * (500 - room)
    assert (full["lost"], full["ok"], full["next"]) == (500 - room, False, 500)
    assert all(again)
    assert last["ok"]
    assert last["lost"] == 500 - room
    # Nothing of what was kept and not stored has gone, and no sequence number was used twice.
    sequences = [s for _, s in found]
    assert sequences == list(range(sequences[0], room)) + list(range(500, 550))
    assert sequences[0] <= 150


def test_power_cut_at_any_flash_operation_loses_no_flushed_frame_and_the_journal_goes_on(flash):
    """littlefs on a RAM block device: the device dies at operation n, with a torn write or without, then comes back."""
    script = """
flash = Flash(24 * ERASED)
vfs.VfsLfs2.mkfs(flash, progsize=256)
seen = []
cut = 0
while cut < 150:
    fs = vfs.VfsLfs2(flash, progsize=256)
    vfs.mount(fs, "/f")
    flash.left, flash.torn = cut % 50, cut % 3
    told = []
    j = None
    try:
        j = opened(0, "/f/journal")
        for _ in range(30):
            at = j.next
            if put(j, 1, 60)[0]:
                told.append([j.boot, at])
            if flash.dead:
                break
    except OSError:
        pass
    if j is not None:
        j._close()              # else a collection closes it, and writes to the flash that came back
    j = None
    gc.collect()
    try:
        vfs.umount("/f")
    except OSError:
        pass
    flash.left, flash.dead = -1, False
    fs = vfs.VfsLfs2(flash, progsize=256)
    vfs.mount(fs, "/f")
    j = opened(0, "/f/journal")
    found = everything(j)
    lost = [k for k in told if k not in found]
    seen.append([cut, len(told), lost, j.ok, len(found), len(set(map(tuple, found)))])
    j.move_cursor(j.next)       # all of it is stored, so that the small flash does not fill up
    j._close()
    vfs.umount("/f")
    cut += 1
print(json.dumps(seen))
"""
    seen = said(flash, script, LITTLEFS)
    assert sum(s[1] for s in seen) > 300  # frames were indeed written
    assert [s for s in seen if s[2]] == []
    assert all(s[3] for s in seen)
    assert all(s[4] == s[5] for s in seen)


def test_flash_that_fails_stops_no_append_and_its_frames_are_counted(flash):
    script = """
flash = Flash(24 * ERASED)
vfs.VfsLfs2.mkfs(flash, progsize=256)
vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/f")
j = opened(0, "/f/journal")
a = put(j, 5)
flash.left = 0
b = put(j, 5)
state = [j.ok, j.lost]
flash.left, flash.dead = -1, False
c = put(j, 5)
print(json.dumps([a, b, state, c, j.ok, j.lost, [s for _, s in everything(j)]]))
"""
    a, b, state, c, ok, lost, found = said(flash, script, LITTLEFS)
    assert a == [True] * 5
    assert b == [False] * 5
    assert state == [False, 5]
    assert (c, ok, lost) == ([True] * 5, True, 5)
    assert found == [0, 1, 2, 3, 4, 10, 11, 12, 13, 14]


def test_recovery_that_cannot_read_the_flash_writes_over_no_segment(flash):
    """A segment that cannot be opened (here: a folder of its name) is left alone, and frames go into another."""
    run(OPEN + "put(opened(), 3)", flash)
    (flash / "journal" / "00000003.seg").mkdir()
    script = "j = opened()\nprint(json.dumps([j.next > 3, j.cursor, put(j, 1)]))"
    before = keys_of_files(flash)
    assert said(flash, script) == [True, 0, [True]]
    assert keys_of_files(flash)[:3] == before
    wait_until("the folder is still there", lambda: (flash / "journal" / "00000003.seg").is_dir(), 1)


def keys_of_files(flash):
    files = [s for s in segments(flash) if s.is_file()]
    return [list(struct.unpack_from("<HI", f, 8)) for s in files for f in scan_segment(s.read_bytes())[0]]
