"""A backup while everything is in use, put back on a clean home: ledger, photos, settings, secrets, each byte of it."""

import os
import signal
import stat
import subprocess
import sys
import tarfile
import threading

import pytest
from intake_rig import LOGGER, ticks
from photos_made import jpeg, noisy

from pitscribe.cli import main
from pitscribe.clock import SystemClock
from pitscribe.commands.homelock import only_host
from pitscribe.intake.keyring import Keyring
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photofile import read_photo
from pitscribe.wire.frames import check

FRAMES = [ticks(n) for n in range(600)]


@pytest.fixture
def home(tmp_path):
    """A home in use: a ledger that a host has open, a photo, settings, a secret, the lock of serve."""
    folder = tmp_path / "home"
    folder.mkdir(mode=0o700)
    (folder / "pitscribe.toml").write_text("[host]\ntrust_clock = true\n")
    (folder / "pitscribe.toml").chmod(0o600)
    Keyring(folder).set(LOGGER, "the secret of this logger")
    return folder


@pytest.fixture
def ledger(home):
    made = Ledger(home / "ledger.sqlite", SystemClock())
    cook = made.start_cook("one")
    made.add_photo(cook.id, read_photo(jpeg()), at=made.now_ms())
    yield made
    made.close()


def run(capsys, home, *words):
    status = main(["--home", str(home), *map(str, words)])
    out = capsys.readouterr()
    return status, out.out + out.err


def test_backup_of_a_home_that_is_served_and_written_to_restores_what_was_there_at_one_moment(
    home, ledger, tmp_path, capsys
):
    begun, stop = threading.Event(), threading.Event()

    def live():
        cook = ledger.cooks()[0]
        for n, frame in enumerate(FRAMES):
            ledger.store_frames([(check(frame), frame)], "mqtt")
            if n % 40 == 20:
                ledger.add_photo(cook.id, read_photo(jpeg(noisy(32 + n, 32))), at=ledger.now_ms())
            if n == 30:
                begun.set()
            if stop.is_set():
                return

    writer = threading.Thread(target=live)
    with only_host(home):
        writer.start()
        assert begun.wait(60)
        status, told = run(capsys, home, "backup", tmp_path / "pit.tar")
        stop.set()
        writer.join()
    assert status == 0, told
    assert stat.S_IMODE((tmp_path / "pit.tar").stat().st_mode) == 0o600
    assert sorted(p.name for p in tmp_path.iterdir()) == ["home", "pit.tar"]
    fresh = tmp_path / "fresh"
    status, told = run(capsys, fresh, "restore", tmp_path / "pit.tar")
    assert status == 0, told
    restored = Ledger(fresh / "ledger.sqlite", SystemClock(), check_pages=True)
    held = [stored.frame for stored in restored.frames(LOGGER)]
    assert 30 < len(held) <= len(FRAMES)
    assert held == FRAMES[: len(held)]
    photos = restored.photos(restored.cook("one").id)
    assert len(photos) >= 2
    assert [restored.photo_jpeg(photo) for photo in photos] == [ledger.photo_jpeg(photo) for photo in photos]
    restored.close()
    for name in ("pitscribe.toml", "loggers.json"):
        assert (fresh / name).read_bytes() == (home / name).read_bytes()
        assert stat.S_IMODE((fresh / name).stat().st_mode) == 0o600
    assert Keyring(fresh).secret_of(LOGGER) == "the secret of this logger"


def test_what_a_logger_sent_after_the_backup_is_told_once_it_is_heard_of(home, ledger, tmp_path, capsys):
    ledger.store_frames([(check(f), f) for f in FRAMES[:100]], "mqtt")
    assert run(capsys, home, "backup", tmp_path / "pit.tar")[0] == 0
    told = run(capsys, tmp_path / "fresh", "restore", tmp_path / "pit.tar")[1]
    assert "aabb0001" in told
    assert "pitscribe pull PORT" in told
    restored = Ledger(tmp_path / "fresh" / "ledger.sqlite", SystemClock())
    journal = {"first": 20, "next": 140, "cursor": 130, "lost": 0, "ok": True}
    restored.saw_state(LOGGER, {"v": 1, "online": True, "boot": 1, "up": 1, "journal": journal})
    told = run(capsys, tmp_path / "fresh", "check")[1]
    assert "of the 110 frames that its journal keeps though they were stored, 30 are not in this ledger" in told
    restored.store_frames([(check(f), f) for f in FRAMES[100:130]], "usb")
    restored.close()
    assert "what its journal keeps and takes for stored is in the ledger" in run(
        capsys, tmp_path / "fresh", "check"
    )[1]


def test_while_a_backup_is_made_nobody_else_can_read_what_lies_beside_it(home, ledger, tmp_path, capsys, monkeypatch):
    shelf, seen = tmp_path / "shelf", {}
    shelf.mkdir(mode=0o755)
    theirs = tmp_path / "theirs"
    theirs.touch()
    (shelf / ".pit.tar.ledger").symlink_to(theirs)  # what somebody else puts where the copy is to lie
    copy_to = Ledger.copy_to

    def watched(self, path):
        copy_to(self, path)
        seen.update({one.name: one.lstat().st_mode for one in shelf.iterdir()})

    monkeypatch.setattr(Ledger, "copy_to", watched)
    old = os.umask(0o022)
    try:
        status, said = run(capsys, home, "backup", shelf / "pit.tar")
    finally:
        os.umask(old)
    assert status == 0, said
    assert len(seen) == 2, "the copy of the ledger, and the backup that it goes into"
    assert {name: stat.filemode(mode) for name, mode in seen.items()} == dict.fromkeys(seen, "-rw-------")
    assert theirs.read_bytes() == b""


def test_a_file_whose_name_has_a_line_separator_in_it_comes_back_as_well(home, ledger, tmp_path, capsys):
    (home / "odd\u2028name.txt").write_text("mine")
    assert run(capsys, home, "backup", tmp_path / "pit.tar")[0] == 0
    status, told = run(capsys, tmp_path / "other", "restore", tmp_path / "pit.tar")
    assert status == 0, told
    assert (tmp_path / "other" / "odd\u2028name.txt").read_text() == "mine"


def test_a_home_that_has_something_is_not_restored_over(home, ledger, tmp_path, capsys):
    assert run(capsys, home, "backup", tmp_path / "pit.tar")[0] == 0
    status, told = run(capsys, home, "restore", tmp_path / "pit.tar")
    assert status == 1
    assert "there is a ledger in" in told
    other = tmp_path / "other"
    other.mkdir()
    (other / "pitscribe.toml").write_text('units = "C"\n')
    before = (other / "pitscribe.toml").read_bytes()
    assert "has another pitscribe.toml" in run(capsys, other, "restore", tmp_path / "pit.tar")[1]
    assert (other / "pitscribe.toml").read_bytes() == before
    assert {p.name for p in other.iterdir()} <= {"pitscribe.toml", "serve.lock"}


def test_a_restore_that_is_killed_is_done_again_and_leaves_nothing(home, ledger, tmp_path, capsys):
    ledger.store_frames([(check(f), f) for f in FRAMES[:50]], "mqtt")
    assert run(capsys, home, "backup", tmp_path / "pit.tar")[0] == 0
    words = ["--home", str(tmp_path / "fresh"), "restore", str(tmp_path / "pit.tar")]
    for done in range(4):  # files that it put in place before: settings, secrets, a photo, the ledger
        command = [sys.executable, "-c", KILLED, str(done), *words]
        assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
        assert not (tmp_path / "fresh" / "ledger.sqlite").exists()
    status, told = run(capsys, tmp_path / "fresh", "restore", tmp_path / "pit.tar")
    assert status == 0, told
    assert "50 frames and 1 cook" in told
    assert {p.name for p in (tmp_path / "fresh").iterdir()} == {p.name for p in home.iterdir()} - {
        "ledger.sqlite-wal", "ledger.sqlite-shm"
    } | {"serve.lock"}


KILLED = """
import os, signal, sys
from pathlib import Path
from pitscribe.cli import main
left, real = int(sys.argv[1]), Path.replace
def replace(path, to):
    global left
    if ".restoring-" in str(path):
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        left -= 1
    return real(path, to)
Path.replace = replace
main(sys.argv[2:])
"""


@pytest.mark.parametrize("harm", ["a bit of the ledger", "cut in the ledger", "cut before the checksums", "no tar"])
def test_a_backup_that_is_not_whole_or_not_as_it_was_restores_nothing(home, ledger, tmp_path, capsys, harm):
    ledger.store_frames([(check(f), f) for f in FRAMES[:100]], "mqtt")
    assert run(capsys, home, "backup", tmp_path / "pit.tar")[0] == 0
    data = bytearray((tmp_path / "pit.tar").read_bytes())
    with tarfile.open(tmp_path / "pit.tar") as tar:
        sums = tar.getmember("pitscribe/sums.sha256").offset
    if harm == "a bit of the ledger":
        data[data.index(FRAMES[50]) + 30] ^= 4
    elif harm == "no tar":
        data = bytearray(b"a shopping list\n" * 100)
    else:
        del data[50_000 if harm == "cut in the ledger" else sums :]
    (tmp_path / "pit.tar").write_bytes(data)
    fresh = tmp_path / "fresh"
    status, told = run(capsys, fresh, "restore", tmp_path / "pit.tar")
    assert status == 1
    assert "damaged" in told or "not whole" in told
    assert {p.name for p in fresh.iterdir()} <= {"serve.lock"}


def test_a_tar_that_would_write_elsewhere_is_refused(tmp_path, capsys):
    (tmp_path / "file").write_text("x")
    for name in ("pitscribe/../../evil", "/etc/evil", "evil", "pitscribe"):
        with tarfile.open(tmp_path / "pit.tar", "w") as tar:
            tar.add(tmp_path / "file", name)
        status, told = run(capsys, tmp_path / "deep" / "fresh", "restore", tmp_path / "pit.tar")
        assert status == 1
        assert "is not what a backup of pitscribe holds" in told
    assert not list(tmp_path.rglob("evil"))


def test_a_damaged_ledger_does_not_replace_the_last_good_backup(home, ledger, tmp_path, capsys):
    ledger.store_frames([(check(f), f) for f in FRAMES], "mqtt")
    assert run(capsys, home, "backup", tmp_path / "pit.tar")[0] == 0
    before = (tmp_path / "pit.tar").read_bytes()
    ledger.close()
    data = bytearray(ledger.path.read_bytes())
    at = data.index(FRAMES[300]) // 4096 * 4096
    data[at : at + 64] = bytes(64)
    ledger.path.write_bytes(data)
    status, told = run(capsys, home, "backup", tmp_path / "pit.tar")
    assert status == 1
    assert "is damaged" in told
    assert (tmp_path / "pit.tar").read_bytes() == before
    assert "lies in the home itself" in run(capsys, home, "backup", home / "pit.tar")[1]
