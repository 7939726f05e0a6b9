"""Photos in the ledger: a file and a row each, both or neither, whatever cuts the work off."""

import os
import sqlite3
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone

import pytest
from photos_made import exif, jpeg, noisy, upright

from pitscribe.clock import SetClock
from pitscribe.errors import ConfigError, NotFoundError, StoreError
from pitscribe.ledger import photobook
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photofile import Picture, read_photo
from pitscribe.ledger.store import MIGRATIONS

START = 1_780_171_200  # 2026-05-30T20:00:00Z
NOW = START + 6 * 3600
HOUR_MS = 3_600_000
PICTURE = read_photo(jpeg())


def opened(folder, **more):
    return Ledger(folder / "ledger.sqlite", SetClock(float(NOW)), **more)


@pytest.fixture
def ledger(tmp_path):
    made = opened(tmp_path)
    made.start_cook("Saturday", at=START * 1000)
    yield made
    made.close()


def files(ledger):
    return sorted(entry.name for entry in ledger.photo_folder.iterdir())


def add(ledger, picture=PICTURE, hours=2.0, words="bark"):
    return ledger.add_photo(1, picture, at=START * 1000 + round(hours * HOUR_MS), words=words)


def test_a_photo_is_a_row_and_a_file_beside_the_ledger_that_only_its_owner_reads(ledger, tmp_path):
    photo = add(ledger)
    assert ledger.photos(1) == [photo]
    assert (photo.width, photo.height, photo.size) == (120, 80, len(PICTURE.jpeg))
    assert files(ledger) == [photo.file]
    path = tmp_path / "ledger.sqlite-photos" / photo.file
    assert path.read_bytes() == PICTURE.jpeg == ledger.photo_jpeg(photo)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    ledger.close()
    again = opened(tmp_path)
    assert again.photos(1) == [photo]
    assert again.photo_jpeg(photo) == PICTURE.jpeg
    again.close()


def test_photos_come_in_order_of_time_and_both_time_and_words_can_be_changed(ledger):
    second, first = add(ledger, hours=3), add(ledger, read_photo(jpeg(noisy())), hours=1)
    assert [p.id for p in ledger.photos(1)] == [first.id, second.id]
    moved = ledger.change_photo(second.id, at=START * 1000, words="  before\nanything ")
    assert (moved.at_ms, moved.words, moved.file) == (START * 1000, "before anything", second.file)
    assert ledger.photos(1)[0] == moved == ledger.change_photo(second.id)


def test_a_photo_that_is_sent_twice_is_kept_once_and_in_another_cook_again(ledger):
    ledger.start_cook("Sunday", at=START * 1000)
    assert add(ledger) == add(ledger, hours=5, words="again")
    other = ledger.add_photo(2, PICTURE, at=START * 1000)
    assert len(files(ledger)) == 2
    ledger.erase_photo(other.id)
    assert ledger.photo_jpeg(ledger.photos(1)[0]) == PICTURE.jpeg


def test_an_erased_photo_is_gone_for_good_row_and_file(ledger):
    photo = add(ledger)
    ledger.erase_photo(photo.id)
    assert files(ledger) == ledger.photos(1) == []
    for ask in (ledger.photo, ledger.erase_photo, lambda i: ledger.change_photo(i, words="x")):
        with pytest.raises(NotFoundError, match="was erased"):
            ask(photo.id)
    with sqlite3.connect(ledger.path) as db:
        assert db.execute("SELECT count(*) FROM photos").fetchone() == (0,)
    db.close()
    assert add(ledger).id > photo.id  # a page that still shows the old one never gets another's picture


@pytest.mark.parametrize(("hours", "words"), [(-25, "before the cook began"), (6 + 25, "a day from now")])
def test_a_time_that_is_not_of_this_cook_is_refused_and_nothing_kept(ledger, hours, words):
    with pytest.raises(ConfigError, match=f"the photo's time is more than a day.*{words}|{words}"):
        add(ledger, hours=hours)
    photo = add(ledger)
    with pytest.raises(ConfigError, match=words):
        ledger.change_photo(photo.id, at=START * 1000 + hours * HOUR_MS)
    assert ledger.photos(1) == [photo]
    assert files(ledger) == [photo.file]


@pytest.mark.parametrize("words", ["x" * 501, "bell \a"])
def test_words_that_cannot_be_shown_are_refused(ledger, words):
    with pytest.raises(ConfigError, match="500 characters that can be printed"):
        add(ledger, words=words)
    assert not ledger.photo_folder.exists()


def test_a_cook_that_is_not_there_has_no_photo(ledger):
    with pytest.raises(NotFoundError):
        ledger.add_photo(7, PICTURE, at=START * 1000)
    assert not ledger.photo_folder.exists()


def test_a_photo_too_many_is_refused_and_erasing_makes_room(ledger, monkeypatch):
    monkeypatch.setattr(photobook, "MOST_PHOTOS", 2)
    first = add(ledger)
    add(ledger, read_photo(jpeg(upright(64, 48))))
    third = read_photo(jpeg(upright(32, 48)))
    with pytest.raises(ConfigError, match="'Saturday' has 2 photos, the most that are kept"):
        add(ledger, third)
    assert add(ledger) == first  # what is there already is no photo too many
    ledger.erase_photo(first.id)
    assert add(ledger, third) in ledger.photos(1)


# when it was


@pytest.mark.parametrize(("taken", "offset", "hours"), [
    (datetime(2026, 5, 30, 18, 0), "-05:00", 3), (datetime(2026, 5, 30, 18, 0), None, 5),
    (datetime(2026, 5, 30, 4, 0), "+00:00", -16), (datetime(2026, 5, 31, 2, 0, 30), "+00:00", 6 + 1 / 120),
])
def test_its_time_is_when_it_was_taken_by_its_own_offset_or_that_of_the_browser(ledger, taken, offset, hours):
    picture = read_photo(jpeg(exif=exif(taken, offset)))
    at, told = ledger.time_of_photo(1, picture, timezone(timedelta(hours=-7)))
    assert told
    assert at == START * 1000 + round(hours * HOUR_MS)


@pytest.mark.parametrize("taken", [
    None, datetime(2019, 1, 1), datetime(2026, 5, 29, 19, 59), datetime(2026, 5, 31, 3, 0), datetime(1, 1, 1),
    datetime(9999, 12, 31, 23, 59, 59),
])
def test_a_photo_that_tells_no_time_of_this_cook_is_of_now_or_of_a_past_cooks_end(ledger, taken):
    picture = read_photo(jpeg(exif=exif(taken)))
    west, east = (timezone(timedelta(hours=h)) for h in (-14, 14))
    for zone in (UTC, west, east) if taken is None or taken.year in (1, 9999) else (UTC,):
        assert ledger.time_of_photo(1, picture, zone) == (NOW * 1000, False)
    ledger.end_cook(1, START * 1000 + 5 * HOUR_MS)
    assert ledger.time_of_photo(1, picture, UTC) == (START * 1000 + 5 * HOUR_MS, False)


def test_photos_kept_and_erased_by_several_at_once_have_a_file_each_and_no_other_is_left(ledger, tmp_path):
    pictures = [read_photo(jpeg(upright(60 + n, 40))) for n in range(24)]
    others = [opened(tmp_path) for _ in range(3)]  # as other processes: a command beside the host

    def work(n):
        one = others[n % 3]
        photo = add(one, pictures[n])
        if n % 4 == 0:
            one.erase_photo(photo.id)
        opened(tmp_path).close()  # tidies, while others keep

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(work, range(24)))
    photos = ledger.photos(1)
    assert sorted(photo.file for photo in photos) == files(ledger)
    assert len(photos) == 18
    assert {ledger.photo_jpeg(photo) for photo in photos} == {p.jpeg for n, p in enumerate(pictures) if n % 4}
    for one in others:
        one.close()


# what cuts it off

_CUT = """
import os, sys
from pathlib import Path
from pitscribe.clock import SetClock
from pitscribe.ledger import photobook
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photofile import read_photo
ledger = Ledger(Path(sys.argv[1]), SetClock({now}))
die = lambda *a, **k: os._exit(9)
{before}
{work}
"""
_ADD = "ledger.add_photo(1, read_photo(Path(sys.argv[2]).read_bytes()), at={at})"


def cut_off(ledger, tmp_path, before, work):
    """Another process does the work and dies in the midst of it, as in a power cut."""
    sent = tmp_path / "sent.jpg"
    sent.write_bytes(jpeg())
    code = _CUT.format(now=float(NOW), before=before, work=work.format(at=START * 1000))
    done = subprocess.run([sys.executable, "-c", code, ledger.path, sent], check=False, timeout=60)
    assert done.returncode == 9


@pytest.mark.parametrize("before", ["photobook.os.fsync = die", "photobook._sync = die"])
def test_a_photo_cut_off_before_its_row_leaves_a_file_that_the_next_opening_removes(ledger, tmp_path, before):
    cut_off(ledger, tmp_path, before, _ADD)
    (left,) = files(ledger)
    assert left.endswith(".part")
    assert ledger.photos(1) == []
    ledger.close()
    again = opened(tmp_path)
    assert files(again) == again.photos(1) == []
    assert again.photo_jpeg(add(again)) == PICTURE.jpeg
    again.close()


def test_a_photo_cut_off_after_its_row_is_readable_at_once_and_gets_its_name_at_the_next_opening(ledger, tmp_path):
    cut_off(ledger, tmp_path, "photobook.Photobook._settle = die", _ADD)
    (photo,) = ledger.photos(1)
    assert files(ledger) == [photo.file + ".part"]
    assert ledger.photo_jpeg(photo) == PICTURE.jpeg
    ledger.close()
    reading = opened(tmp_path, read_only=True)
    assert reading.photo_jpeg(photo) == PICTURE.jpeg
    assert files(reading) == [photo.file + ".part"]
    reading.close()
    again = opened(tmp_path)
    assert files(again) == [photo.file]
    assert again.photo_jpeg(photo) == PICTURE.jpeg
    again.close()


@pytest.mark.parametrize("before", ["photobook.Photobook._tidy_photos = die", "photobook.Path.unlink = die"])
def test_an_erasure_that_was_cut_off_is_finished_at_the_next_opening(ledger, tmp_path, before):
    photo = add(ledger)
    cut_off(ledger, tmp_path, before, f"ledger.erase_photo({photo.id})")
    assert ledger.photos(1) == []
    assert files(ledger) == [photo.file]
    ledger.close()
    again = opened(tmp_path)
    assert files(again) == []
    again.close()


def test_tidying_touches_nothing_but_its_own_unfinished_files(ledger, tmp_path):
    """An older ledger that was put back beside the photos knows of none of them, and removes none."""
    photo = add(ledger)
    for name in ("1-00000000000000aa.jpg", "holiday.part", "1-x.jpg.part", "notes.txt"):
        (ledger.photo_folder / name).write_bytes(b"somebody's")
    with ledger._write() as db:
        db.execute("DELETE FROM photos")
    ledger.close()
    before = files(ledger)
    again = opened(tmp_path)
    assert files(again) == before
    assert photo.file in before
    again.close()


def test_a_ledger_without_photos_makes_no_folder_and_waits_for_no_lock(ledger, tmp_path):
    with ledger._write():  # another process writes
        opened(tmp_path).close()
    assert not ledger.photo_folder.exists()


def test_a_full_disk_leaves_neither_file_nor_row_and_photos_go_on_when_there_is_room(tmp_path, monkeypatch):
    small = tmp_path / "small"
    small.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(small)]
    if subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("making a small file system needs root")
    try:
        ledger = opened(small)
        ledger.start_cook("Saturday", at=START * 1000)
        large = read_photo(jpeg(noisy(2000, 1500)))
        with pytest.raises(StoreError, match="256 are left to the readings: make room"):
            add(ledger)
        monkeypatch.setattr(photobook, "RESERVE_BYTES", -(1 << 40))  # as if others had filled it meanwhile
        kept = add(ledger)
        assert len(large.jpeg) > 1_500_000
        with pytest.raises(StoreError, match="No space left on device; the photo was not kept"):
            add(ledger, large)
        assert ledger.photos(1) == [kept]
        assert files(ledger) == [kept.file]
        ledger.add_note(1, None, "lid")  # the ledger itself goes on
        assert len({add(ledger).id, add(ledger, read_photo(jpeg(noisy()))).id}) == 2
        ledger.close()
    finally:
        subprocess.run(["umount", "-l", small], check=True)


def test_a_commit_that_fails_leaves_no_file(ledger, monkeypatch):
    monkeypatch.setattr(ledger, "now_ms", lambda: NOW * 1000)
    monkeypatch.setattr(Picture, "sha256", "too short for the schema")
    with pytest.raises(StoreError, match="does not take this"):
        add(ledger)
    assert files(ledger) == []


@pytest.mark.parametrize(("harm", "words"), [
    (lambda path: path.unlink(), "its file is not there: put the folder of photos back"),
    (lambda path: path.write_bytes(b"<script>alert(1)</script>"), "is damaged or was changed"),
    (lambda path: (path.unlink(), path.symlink_to("/etc/passwd")), "is damaged or was changed"),
])
def test_what_is_not_the_photo_that_was_kept_is_not_given_out(ledger, harm, words):
    photo = add(ledger)
    harm(ledger.photo_folder / photo.file)
    with pytest.raises(StoreError, match=words):
        ledger.photo_jpeg(photo)


@pytest.mark.parametrize("name", ["../ledger.sqlite", "/etc/passwd", "1-a/b.jpg", "x.jpg", "1-a.html"])
def test_the_schema_takes_no_name_that_leads_out_of_the_folder(ledger, name):
    add(ledger)
    with pytest.raises(StoreError, match="does not take this"), ledger._write() as db:
        db.execute("UPDATE photos SET file = ?", (name,))


def test_a_folder_that_cannot_be_written_says_so(ledger):
    ledger.photo_folder.write_text("a file in its place")
    with pytest.raises(StoreError, match=r"File exists; the photo was not kept|Not a directory"):
        add(ledger)
    assert ledger.photos(1) == []
    os.unlink(ledger.photo_folder)  # noqa: PTH108 - what stands there is no folder


def test_a_ledger_of_the_version_before_keeps_its_cooks_and_learns_of_photos(tmp_path, monkeypatch):
    monkeypatch.setattr("pitscribe.ledger.store.MIGRATIONS", MIGRATIONS[:6])
    monkeypatch.setattr(photobook.Photobook, "_tidy_photos", lambda self: None)  # that version had none
    old = opened(tmp_path)
    cook = old.start_cook("Saturday", at=START * 1000)
    with pytest.raises(StoreError, match="no such table"):
        old.photos(cook.id)
    old.close()
    monkeypatch.undo()
    new = opened(tmp_path)
    assert new.cooks() == [cook]
    assert [add(new)] == new.photos(cook.id)
    new.close()
