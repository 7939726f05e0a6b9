"""What flash that cannot be read does to the journal: no frame counts as stored for it, and none is sought for ever."""


import pytest
from journal_rig import FAILING, LITTLEFS, OPEN, run, said, segments

# 200 frames, a third of them stored; then the flash fails in every way that the test asks for while the next boot
# opens the journal, and is well again.
RECOVERY = """
def prepared(folder):
    j = opened(0, folder)
    put(j, 200)
    j.move_cursor(160)              # kept on flash: it has entered another segment
    kept = j._cursor_kept
    j._close()
    return kept
def outcome(j, folder):             # after the fault: frames of this boot, then a boot without any fault
    written = []
    for _ in range(5):
        if put(j, 1)[0]:
            written.append([j.boot, j.next - 1])
    found = everything(j, j.cursor)
    state = [j.cursor, j.lost, j.ok]
    j._close()
    later = opened(0, folder)
    again = everything(later, later.cursor)
    later._close()
    return [state, written, found, later.cursor, again, later.lost]
def tidied(folder, before):         # as it was, for the next fault
    for name in os.listdir(folder):
        if name not in before:
            os.remove(folder + "/" + name)
    for name in before:
        with open(folder + "/" + name, "wb") as f:
            f.write(before[name])
"""


def assert_nothing_is_taken_for_stored(outcomes, kept):
    for fault, (cursor, lost, ok), written, found, later_cursor, again, later_lost in outcomes:
        unsent = list(range(kept, 200))
        assert ok, fault
        assert cursor <= kept, fault
        assert later_cursor <= kept, fault
        assert lost + len(written) == 5, fault
        assert later_lost == 0, fault
        for keys in (found, again):
            sequences = [s for _, s in keys]
            assert sequences == sorted(set(sequences)), fault
            assert [s for s in sequences if kept <= s < 200] == unsent, fault
            assert [key for key in written if key not in keys] == [], fault
        assert len(written) >= 4, fault


@pytest.mark.parametrize("times", [1, 2, 1000], ids=["once", "twice", "until it was opened"])
def test_read_that_fails_at_start_makes_no_frame_count_as_stored(times, flash):
    """Every operation on the file system that opening the journal needs fails in turn."""
    script = f"""
kept = prepared("/f/journal")
before = {{}}
for name in os.listdir("journal"):
    with open("journal/" + name, "rb") as f:
        before[name] = f.read()
seen = []
fault = 0
while True:
    fs.after, fs.times, fs.failed = fault, {times}, 0
    j = opened(0, "/f/journal")
    fs.after, fs.times = -1, 0
    if not fs.failed:
        break
    seen.append([fault] + outcome(j, "/f/journal"))
    tidied("journal", before)
    fault += 1
    gc.collect()
print(json.dumps([kept, seen]))
"""
    kept, seen = said(flash, script, FAILING, RECOVERY)
    assert len(seen) > 100
    assert kept > 100
    assert_nothing_is_taken_for_stored(seen, kept)


def test_littlefs_whose_block_device_fails_one_read_at_start_makes_no_frame_count_as_stored(flash):
    """littlefs keeps what a failed read left in its cache, and lists folders wrongly then: no operation is to trust."""
    script = """
class Unreadable(Flash):
    reads, bad = 0, -1
    def readblocks(self, block, buf, off=0):
        self.reads += 1
        return -errno.EIO if self.reads == self.bad else Flash.readblocks(self, block, buf, off)
flash = Unreadable(40 * ERASED)
vfs.VfsLfs2.mkfs(flash, progsize=256)
vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/f")
kept = prepared("/f/journal")
vfs.umount("/f")
before = bytes(flash.data)
seen = []
reads = 1
bad = 1
while bad <= reads:
    flash.data[:] = before
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/f")
    flash.reads, flash.bad = 0, bad
    j = opened(0, "/f/journal")
    reads, flash.bad = flash.reads, -1
    seen.append([bad] + outcome(j, "/f/journal"))
    vfs.umount("/f")
    gc.collect()
    bad += 1
print(json.dumps([kept, seen]))
"""
    kept, seen = said(flash, script, LITTLEFS, RECOVERY)
    assert len(seen) > 100
    assert_nothing_is_taken_for_stored(seen, kept)


def test_cursor_file_that_cannot_be_read_sends_all_again_and_is_not_believed_later(flash):
    run(OPEN + "j = opened()\nput(j, 300)\nj.move_cursor(299)", flash)
    (flash / "journal" / "cursor").write_text("299 00000000")
    script = "j = opened()\nput(j, 1)\nprint(json.dumps([j.cursor, len(everything(j, j.cursor))]))"
    assert said(flash, script) == [0, 301]
    assert said(flash, "print(json.dumps(opened()._cursor_kept))") == 0


# The uplink's way through the journal: fetch, and the cursor behind what was fetched and stored.
SENDING = """
def sent(j, start=None):
    buf = bytearray(4096)
    at = j.cursor if start is None else start
    found = []
    failed = 0
    while at < j.next:
        try:
            length = j.fetch(at, buf)
        except OSError:
            failed += 1
            if failed > 200:
                break
            continue
        if not length:
            at = j.next
            break
        found.append(frame_sequence(buf))
        at = found[-1] + 1
    return found, at, failed
"""


def damaged(flash, *places, segment=0):
    """Overwrite the middle of the given frames (all of one length) of a segment."""
    file = segments(flash)[segment]
    data = bytearray(file.read_bytes())
    length = int.from_bytes(data[18:20], "little")
    for place in places:
        at = 16 + place * length + length // 2
        data[at : at + 4] = b"\x00\xc1\xff\x00"
    file.write_bytes(data)
    return (len(data) - 16) // length


def test_damaged_frames_are_skipped_and_counted_once_when_the_cursor_passes_them(flash):
    run(OPEN + "e = opened()\nput(e, 400)", flash)
    in_first = damaged(flash, 10, 11, 50)
    damaged(flash, in_first - 2, in_first - 1)  # the end of an old segment
    script = """
j = opened()
found, at, failed = sent(j)
sent(j)                                         # sent again, since nothing was stored: not counted again
early = j.lost
j.move_cursor(30)
some = j.lost
j.move_cursor(at)
k = opened()
print(json.dumps([[found, at, failed, early, some, j.lost], [k.cursor, sent(k)[0], k.lost]]))
"""
    first, second = said(flash, script, SENDING)
    missing = [10, 11, 50, in_first - 2, in_first - 1]
    assert first == [[s for s in range(400) if s not in missing], 400, 0, 0, 2, 5]
    assert second == [400, [], 0], "the cursor was kept: the next boot does not meet the damage again"


def test_damage_before_the_cursor_is_not_counted(flash):
    run(OPEN + "e = opened()\nput(e, 100)", flash)
    damaged(flash, 10, 11)
    ask = "j = opened()\nj.move_cursor(60)\nfound, at, _ = sent(j)\nj.move_cursor(at)\n"
    ask += "print(json.dumps([found, j.lost]))"
    assert said(flash, ask, SENDING) == [list(range(60, 100)), 0]


def test_hole_of_frames_that_were_never_written_is_not_counted_as_damage(flash):
    script = """
j = opened(0, "/f/journal")
put(j, 10)
fs.after, fs.times = 0, 1000
put(j, 5)
fs.times = 0
put(j, 5)
found, at, _ = sent(j)
j.move_cursor(at)
print(json.dumps([found, j.lost]))
"""
    assert said(flash, script, FAILING, SENDING) == [[*range(10), *range(15, 20)], 5]


def test_damage_at_the_end_of_the_last_segment_is_counted_and_its_numbers_are_not_used_again(flash):
    run(OPEN + "e = opened()\nput(e, 60)", flash)
    damaged(flash, 57, 58, 59)
    script = """
j = opened()
put(j, 5)
found, at, _ = sent(j)
j.move_cursor(at)
print(json.dumps([found, j.lost]))
"""
    found, lost = said(flash, script, SENDING)
    assert found[:57] == list(range(57))
    assert len(found) == 62
    assert found[57] >= 60
    assert lost == 3


@pytest.mark.parametrize("whole", [False, True], ids=["a stretch", "a whole segment"])
def test_stretch_that_no_try_can_read_is_skipped_after_a_minute_and_counted(whole, flash):
    run(OPEN + "e = opened()\nput(e, 400)", flash)
    names = [int(file.stem, 16) for file in segments(flash)]
    length = int.from_bytes(segments(flash)[0].read_bytes()[18:20], "little")
    first, last = (0, 20000) if whole else (4096, 8191)
    script = f"""
j = opened(0, "/f/journal")
fs.bad = (("{segments(flash)[1].name}", {first}, {last}),)
found, at, failed = sent(j)
j.move_cursor(at)
print(json.dumps([found, at, failed, j.lost]))
"""
    found, at, failed, lost = said(flash, script, FAILING, SENDING)
    missing = sorted(set(range(400)) - set(found))
    assert found == sorted(set(found))
    assert (at, failed, lost) == (400, 60, len(missing))
    if whole:
        assert missing == list(range(names[1], names[2]))
    else:
        # What touches the stretch is lost, and what it takes to find the next frame again.
        assert 4096 // length - 1 <= len(missing) <= 4096 // length + 512 // length + 2


def test_flash_of_which_nothing_can_be_read_is_waited_for(flash):
    run(OPEN + "e = opened()\nput(e, 300)", flash)
    script = """
j = opened(0, "/f/journal")
fs.bad = ((".seg", 0, 20000),)
found, at, failed = sent(j)
j.move_cursor(at)
state = [found, at, failed > 200, j.lost]
fs.bad = ()
print(json.dumps([state, sent(j)[0] == list(range(300)), j.lost]))
"""
    assert said(flash, script, FAILING, SENDING) == [[[], 0, True, 0], True, 0]


def test_folder_that_cannot_be_read_is_opened_as_soon_as_it_can_be(flash):
    run(OPEN + "e = opened()\nput(e, 300)\ne.keep_lost(7)", flash)
    script = """
fs.after, fs.times = 0, 100000
j = opened(0, "/f/journal")
without = [put(j, 3), j.next, j.cursor, everything(j), j.lost, j.ok]
fs.times = 0
print(json.dumps([without, put(j, 2), j.next, [s for _, s in everything(j)] == list(range(302)), j.lost, j.ok]))
"""
    without = [[False, False, False], 0, 0, [], 3, False]
    assert said(flash, script, FAILING) == [without, [True, True], 302, True, 10, True]
