"""``pitscribe check`` on homes in which something is broken for real: machine, folder, secrets, ledger, loggers."""

import os
import sqlite3
import subprocess
import time

import pytest
from checked_home import Home
from photos_made import jpeg

from pitscribe.cli import main
from pitscribe.clock import SetClock, system_clock_err_ms
from pitscribe.commands.checking.machine import bytes_a_day, memory, within
from pitscribe.commands.checking.scene import Scene
from pitscribe.config import Config
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photofile import read_photo
from pitscribe.ledger.store import MIGRATIONS
from pitscribe.simulate.rig import firmware, micropython
from pitscribe.wire.frames import Channel, FrameKey, check, encode_ticks

NOBODY = 65534


@pytest.fixture
def home(tmp_path, capsys):
    return Home(tmp_path, capsys)


def ledger_of(home):
    return home.path / "ledger.sqlite"


@pytest.fixture
def at_home_in(monkeypatch):
    """Live in a time zone for a while."""

    def move(zone):
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield move
    monkeypatch.undo()
    time.tzset()


def test_where_all_is_well_nothing_is_wrong_and_nothing_is_changed(home, at_home_in, capsys):
    at_home_in("Europe/Berlin")
    home.cook().ledger.close()
    before = {path.name: path.read_bytes() for path in home.path.iterdir()}
    found = home.check("--all")
    assert found.verdicts("wrong") == []
    assert found.status == 0
    for one in ("Python", "SQLite", "clock", "time zone", "settings", "home", "disk", "ledger", "frames", "photos",
                "broker", "page", "password", "logger 00c0ffee", "journal of logger 00c0ffee", "wire version"):
        assert found.of(one)[0] == "ok", found.of(one)
    assert {path.name: path.read_bytes() for path in home.path.iterdir()} == before
    assert main(["--home", str(home.path), "check"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert "ok      time zone: Europe/Berlin (UTC+0" in " ".join(said)
    assert said[-1].endswith("not looked at")
    assert ", 0 wrong, " in said[-1]


def test_a_home_that_is_not_there_is_told_and_not_made(tmp_path, capsys):
    assert main(["--home", str(tmp_path / "hmoe"), "check"]) == 1
    assert "wrong   home: there is no folder" in capsys.readouterr().out
    assert not (tmp_path / "hmoe").exists()


def test_settings_that_cannot_be_read_are_told_and_the_rest_is_looked_at_all_the_same(home):
    home.cook().ledger.close()
    home.settings(more="[brocker]\n")
    found = home.check()
    assert (found.status, found.of("settings")[0]) == (1, "wrong")
    assert "unknown key" in found.of("settings")[1]
    assert found.of("broker") == ("not looked at", "the settings cannot be read", "")
    assert found.of("ledger")[0] == "ok"


# the machine


def test_a_clock_that_nothing_has_set_is_told_unless_its_owner_vouches_for_it(home):
    """Whether this machine's is: by the function that the loggers are told the time by."""
    (home.path / "pitscribe.toml").unlink()
    assert home.check().of("clock")[0] == ("ok" if system_clock_err_ms() is not None else "wrong")
    home.settings()
    assert home.check().of("clock")[0] == "ok"


def test_a_clock_that_is_behind_what_was_stored_is_told(home):
    ledger = Ledger(ledger_of(home), SetClock(time.time() + 86_400))
    store_ticks(ledger, 1)
    ledger.close()
    verdict, said, _ = home.check().of("clock")
    assert verdict == "wrong"
    assert "behind what was stored" in said


def test_a_machine_in_utc_is_asked_whether_that_is_meant(home, at_home_in):
    at_home_in("Etc/UTC")
    assert home.check().of("time zone")[0] == "look"


@pytest.mark.parametrize(("version", "ranges", "is_within"), [
    ("2.4.6", "<3,>=1.26", True), ("1.9", "<3,>=1.26", False), ("3.0.1", "<3,>=1.26", False), ("3", "<3", False),
    ("1.26", ">=1.26.0", True), ("1.26.0", ">=1.26", True), ("2.0rc1", "<3,>=1.26", True), ("5", "", True),
])
def test_a_version_is_within_its_range_as_pep_440_has_it(version, ranges, is_within):
    """PEP 440: bounds compare number by number, missing ones are 0."""
    assert within(version, ranges) is is_within


def test_a_library_that_is_too_old_or_missing_is_told(home, tmp_path, monkeypatch):
    """As pip would have left it: its record in a folder before the others."""
    needs = "Requires-Dist: numpy<3,>=1.26\nRequires-Dist: nosuch>=1\n"
    for name, more in (("numpy-1.0", ""), ("pitscribe-0.1.0", needs)):
        folder = tmp_path / "site" / f"{name}.dist-info"
        folder.mkdir(parents=True)
        only, version = name.split("-")
        (folder / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {only}\nVersion: {version}\n{more}")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    found = home.check()
    assert found.of("numpy") == ("look", "version 1.0, tested with <3,>=1.26", "python -m pip install 'numpy<3,>=1.26'")
    assert found.of("nosuch")[0] == "wrong"


@pytest.mark.parametrize(("free_kb", "served", "verdict"), [
    (2_000_000, False, "ok"), (140_000, False, "look"), (140_000, True, "ok"), (40_000, True, "look"),
])
def test_little_memory_is_told_and_less_is_wanted_where_serve_has_its_own(tmp_path, free_kb, served, verdict):
    """As Linux says it: proc(5), meminfo and status."""
    (tmp_path / "42").mkdir()
    (tmp_path / "meminfo").write_text(f"MemTotal:        8000000 kB\nMemAvailable:    {free_kb} kB\n")
    (tmp_path / "42" / "status").write_text("Name:\tpython\nVmRSS:\t  102400 kB\n")
    scene = Scene(Config(tmp_path), SetClock(0.0), served=served, pid=42 if served else None)
    (found,) = memory(scene, tmp_path)
    assert found.verdict == verdict
    assert ("serve takes 100 MB" in found.said) is served


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 40 MB."""
    (tmp_path / "small").mkdir()
    made = ["mount", "-t", "tmpfs", "-o", "size=40m", "none", tmp_path / "small"]
    if subprocess.run(made, check=False, capture_output=True).returncode:
        pytest.skip("making a small disk needs root")
    yield tmp_path / "small"
    subprocess.run(["umount", "-l", tmp_path / "small"], check=True)


def test_a_disk_that_is_nearly_full_is_told(small_disk, capsys):
    verdict, said, _ = Home(small_disk, capsys).check().of("disk")
    assert (verdict, said) == ("wrong", "40 MB are free")


def store_ticks(ledger, first, count=1):
    """Store frames of 32 ticks."""
    table = (Channel("max31855", "K"),)
    codes = [[400 + i] for i in range(32)]
    frames = [
        encode_ticks(FrameKey(7, 1, n), n * 32_000, 1000, table, codes, codes, [[0]] * 32)
        for n in range(first, first + count)
    ]
    ledger.store_frames([(check(frame), frame) for frame in frames], "test")


def test_the_present_rate_is_that_of_the_last_month(tmp_path):
    """Ten frames a day for 40 days: of the last 30 days, those; half of it, had nothing come for 15."""
    clock = SetClock(1_780_000_000.0)
    ledger = Ledger(tmp_path / "ledger.sqlite", clock)
    for day in range(40):
        store_ticks(ledger, 10 * day, 10)
        clock.at += 86_400
    scene = Scene(Config(tmp_path), clock, ledger=ledger)
    each = scene.ledger_path.stat().st_size / ledger.frame_count()
    assert bytes_a_day(scene) == pytest.approx(10 * each, rel=0.06)
    clock.at += 15 * 86_400
    assert bytes_a_day(scene) == pytest.approx(5 * each, rel=0.1)
    ledger.close()


# the folder and its secrets


@pytest.mark.parametrize(("mode", "verdict"), [(0o700, "ok"), (0o755, "look"), (0o777, "wrong"), (0o770, "wrong")])
def test_a_home_that_others_can_see_or_write_is_told(home, mode, verdict):
    home.path.chmod(mode)
    assert home.check().of("home")[0] == verdict


@pytest.mark.skipif(os.geteuid() != 0, reason="giving a file away needs root")
def test_a_ledger_that_serve_could_not_write_is_told(home):
    home.cook().ledger.close()
    os.chown(ledger_of(home), NOBODY, NOBODY)
    verdict, _, remedy = home.check().of("home")
    assert verdict == "wrong"
    assert f"chown root {ledger_of(home)}" in remedy


@pytest.mark.skipif(os.geteuid() != 0, reason="giving a file away needs root")
def test_root_is_told_whose_the_home_is_and_looks_at_all_of_it(home):
    home.cook().ledger.close()
    for path in (home.path, *home.path.iterdir()):
        os.chown(path, NOBODY, NOBODY)
    found = home.check()
    assert (found.status, found.of("home")[0], found.of("ledger")[0]) == (0, "look", "ok")
    assert "sudo -u" in found.of("home")[2]
    assert {path.stat().st_uid for path in home.path.iterdir()} == {NOBODY}


def test_a_home_of_somebody_else_is_told(home, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: NOBODY)  # who the tests are run by cannot be changed and changed back
    verdict, _, remedy = home.check().of("home")
    assert verdict == "wrong"
    assert "chown" in remedy


def test_a_home_on_a_disk_that_cannot_be_written_is_told_and_looked_at(home):
    home.cook().ledger.close()
    if subprocess.run(["mount", "--bind", home.path, home.path], check=False, capture_output=True).returncode:
        pytest.skip("making a read-only mount needs root")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", home.path], check=True)
        found = home.check("--all")
        assert found.of("home")[0] == "wrong"
        assert "mount its disk writable" in found.of("home")[2]
        assert (found.of("ledger")[0], found.of("frames")[0], found.of("journal of logger 00c0ffee")[0]) == ("ok",) * 3
    finally:
        subprocess.run(["umount", "-l", home.path], check=True)


SECRETS = ["broker.json", "loggers.json", "door.json", "mirror.token", "pit.key", "pitscribe.toml"]


@pytest.mark.parametrize("name", SECRETS)
@pytest.mark.parametrize("mode", [0o640, 0o604])
def test_a_secret_that_others_can_read_is_told(home, name, mode):
    home.settings('host = "127.0.0.1"\nuser = "u"\npassword = "secret"', 'certificate = "pit.pem"\nkey = "pit.key"',
                  '[mirror]\nurl = "http://127.0.0.1:1"\nbucket = "b"\ntoken = "mirror.token"\n')
    file = home.path / name
    if not file.exists():
        file.write_text("{}")
        file.chmod(0o600)
    assert home.check().of(name)[0] == "ok"
    file.chmod(mode)
    verdict, _, remedy = home.check().of(name)
    assert verdict == "wrong"
    assert f"chmod 600 {file}" in remedy


# the ledger


def test_a_home_without_a_ledger_is_told_and_gets_none(home):
    found = home.check()
    assert (found.status, found.of("ledger")[0]) == (0, "look")
    assert found.of("photos")[0] == "not looked at"
    assert not ledger_of(home).exists()


def spoil_pages(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 20_000] = b"\x55" * 20_000
    path.write_bytes(data)


def spoil_head(path):
    path.write_bytes(b"no database at all" * 100)


def cut(path):
    path.write_bytes(path.read_bytes()[: 8 * 4096])


def pragma(words):
    def do(path):
        db = sqlite3.connect(path)
        db.execute(f"PRAGMA {words}")
        db.commit()
        db.close()

    return do


NEWER = len(MIGRATIONS) + 1


@pytest.mark.parametrize(("spoil", "verdict", "words"), [
    (spoil_pages, "wrong", "damaged"),
    (spoil_head, "wrong", "not a database"),
    (cut, "wrong", "malformed"),
    (pragma(f"user_version = {NEWER}"), "wrong", f"ledger version {NEWER}"),
    (pragma("user_version = 3"), "look", "ledger version 3"),
    (pragma("application_id = 1"), "wrong", "no ledger of Pitscribe"),
])
def test_a_ledger_that_is_damaged_or_of_another_version_is_told_and_left_as_it_is(home, spoil, verdict, words):
    home.cook().ledger.close()
    spoil(ledger_of(home))
    before = ledger_of(home).read_bytes()
    found = home.check()
    assert found.of("ledger")[0] == verdict
    assert words in found.of("ledger")[1]
    assert found.status == (verdict == "wrong")
    assert ledger_of(home).read_bytes() == before


def test_a_frame_that_is_not_what_came_in_is_found_when_everything_is_looked_at(home):
    home.cook().ledger.close()
    db = sqlite3.connect(ledger_of(home))
    (row, frame), = db.execute("SELECT id, frame FROM frames WHERE kind = 1 LIMIT 1").fetchall()
    db.execute("UPDATE frames SET frame = ? WHERE id = ?", (frame[:30] + bytes([frame[30] ^ 1]) + frame[31:], row))
    db.commit()
    db.close()
    assert home.check().of("frames")[0] == "not looked at"
    verdict, said, _ = home.check("--all").of("frames")
    assert verdict == "wrong"
    assert said.startswith("1 of ")


def test_a_photo_whose_file_is_gone_is_told(home):
    world = home.cook()
    photo = world.ledger.add_photo(world.cook.id, read_photo(jpeg()), at=world.ledger.now_ms())
    world.ledger.close()
    assert home.check().of("photos")[0] == "ok"
    next(home.path.rglob(photo.file)).unlink()
    assert home.check().of("photos")[0] == "wrong"


# the loggers


def silent(home):
    return home.cook(ended=False)  # heard of last in May 2026


def now_speaking(home, **state):
    world = home.cook(ended=False)
    world.clock.at = time.time()
    world.state(**state)
    return world


@pytest.mark.parametrize(("make", "verdict"), [
    (now_speaking, "ok"), (silent, "wrong"), (lambda home: home.cook(), "ok"),
    (lambda home: home.cook(online=False), "ok"), (lambda home: now_speaking(home, online=False), "wrong"),
])
def test_a_logger_that_is_silent_is_told_if_a_cook_wants_it(home, make, verdict):
    make(home).ledger.close()
    assert home.check().of("logger 00c0ffee")[0] == verdict


@pytest.mark.parametrize(("version", "verdict"), [(None, "ok"), ("0.0.9", "look"), (7, "not looked at")])
def test_a_logger_whose_firmware_is_not_the_one_that_is_here_is_told(home, version, verdict):
    """The one that is here: by what the firmware itself says to MicroPython."""
    asked = [micropython(), "-c", "import pitlogger; print(pitlogger.FIRMWARE)"]
    here = subprocess.run(asked, cwd=firmware(), capture_output=True, text=True, check=True).stdout.strip()
    now_speaking(home, firmware=here if version is None else version).ledger.close()
    assert home.check().of("firmware of logger 00c0ffee")[0] == verdict


@pytest.mark.parametrize(("journal", "verdict"), [
    ({"ok": True, "lost": 0, "hours": 40.0}, "ok"), ({"ok": False, "lost": 0}, "wrong"),
    ({"ok": True, "lost": 0, "hours": 0.5}, "wrong"), ({"ok": True, "lost": 12, "hours": 40.0}, "look"),
])
def test_a_journal_that_is_nearly_full_or_not_written_is_told(home, journal, verdict):
    now_speaking(home, journal=journal).ledger.close()
    assert home.check().of("journal of logger 00c0ffee")[0] == verdict
