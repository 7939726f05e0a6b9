"""``pitscribe photo``: a photo kept from the command line, told in one line, and refused in one."""

from datetime import UTC, datetime, timedelta

import pytest
from photos_made import exif, jpeg, noisy, png, png_bomb

from pitscribe.clock import SystemClock
from pitscribe.ledger.ledger import Ledger


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("TZ", "UTC")
    return tmp_path / "home"


@pytest.fixture
def run(home, command):
    started = (datetime.now(UTC) - timedelta(hours=5)).isoformat(timespec="seconds")
    assert command("cook", "start", "Saturday", "--at", started)[0] == 0
    return command


def photos(home):
    ledger = Ledger(home / "ledger.sqlite", SystemClock())
    try:
        return ledger.photos(1)
    finally:
        ledger.close()


def test_a_photo_is_kept_with_the_time_that_it_says_and_listed(run, home, tmp_path):
    file = tmp_path / "bark.jpg"
    taken = datetime.now(UTC) - timedelta(hours=3)
    file.write_bytes(jpeg(exif=exif(taken, "+00:00")))
    status, said, _ = run("photo", "Saturday", file, "--words", "the bark, before the wrap")
    (photo,) = photos(home)
    assert (status, len(said)) == (0, 1)
    assert said[0].startswith("Saturday: photo 1 ")
    assert "120 x 80" in said[0]
    assert said[0].endswith("the bark, before the wrap")
    assert photo.at_ms == int(taken.timestamp()) * 1000
    status, said, _ = run("photo", "1")
    assert (status, said[0], said[-1]) == (0, "1  Saturday", f"in {home / 'ledger.sqlite-photos'}")
    assert "the bark" in said[1]


def test_one_that_says_no_time_is_of_now_and_the_command_says_so(run, home, tmp_path):
    file = tmp_path / "one.png"
    file.write_bytes(png())
    _, said, _ = run("photo", "Saturday", file)
    assert said[1] == "it does not say when in this cook it was taken: now is taken; another time with --at"
    run("photo", "Saturday", "--erase", photos(home)[0].id)
    _, said, _ = run("photo", "Saturday", file, "--at", "+1:30")
    assert len(said) == 1
    ledger = Ledger(home / "ledger.sqlite", SystemClock())
    assert photos(home)[0].at_ms == ledger.cook(1).started_ms + 90 * 60_000
    ledger.close()


def test_a_photo_is_erased_by_its_number_and_only_of_the_cook_that_is_named(run, home, tmp_path):
    file = tmp_path / "one.jpg"
    file.write_bytes(jpeg(noisy()))
    run("photo", "Saturday", file)
    run("cook", "start", "Sunday")
    status, _, wrong = run("photo", "Sunday", "--erase", "1")
    assert (status, wrong) == (1, ["pitscribe: 'Sunday' has no photo 1; pitscribe photo 2 lists them"])
    status, said, _ = run("photo", "Saturday", "--erase", "1")
    assert (status, said[0].startswith("Saturday: erased for good: photo 1 ")) == (0, True)
    assert photos(home) == list((home / "ledger.sqlite-photos").iterdir()) == []
    assert run("photo", "Saturday")[1][-1] == "no photo yet; keep one with: pitscribe photo COOK FILE"


@pytest.mark.parametrize(("data", "words"), [
    (b"a shopping list", "this is no photo that can be read here: send a JPEG or PNG"),
    (jpeg(noisy())[:3000], "cut off or damaged"),
    (png_bomb(9000, 9000), "81 million pixels"),
    (jpeg() + bytes(20_000_000), "more than 20 MB"),
    (None, "No such file or directory; name the file of a photo"),
])
def test_what_is_no_photo_is_refused_in_one_line_that_names_the_file(run, home, tmp_path, data, words):
    file = tmp_path / "it.jpg"
    if data is not None:
        file.write_bytes(data)
    status, said, wrong = run("photo", "Saturday", file)
    assert (status, said, len(wrong)) == (1, [], 1)
    assert wrong[0].startswith(f"pitscribe: {file}: ")
    assert words in wrong[0]
    assert photos(home) == []


@pytest.mark.parametrize(("more", "words"), [
    (["--at", "2031-05-30T14:05"], "that is in the future"), (["--at", "2019-05-30T14:05"], "before the cook began"),
    (["--at", "noon"], "write 2026-05-30T14:05"), (["--erase", "1"], "give a file to keep, or --erase"),
    (["--words", "x" * 501], "500 characters"),
])
def test_what_cannot_be_said_of_a_photo_is_refused_and_nothing_kept(run, home, tmp_path, more, words):
    file = tmp_path / "one.jpg"
    file.write_bytes(jpeg())
    status, _, wrong = run("photo", "Saturday", file, *more)
    assert (status, len(wrong)) == (1, 1)
    assert words in wrong[0]
    assert photos(home) == []


def test_time_and_words_without_a_file_are_refused(run):
    for more in (["--at", "14:05"], ["--words", "bark"]):
        assert "go with a file" in run("photo", "Saturday", *more)[2][0]
    assert run("photo", "Monday")[0] == 1


def test_a_file_in_a_place_with_an_odd_name_is_kept_under_a_name_of_the_ledgers_own(run, home, tmp_path):
    folder = tmp_path / "..hidden; rm -rf"
    folder.mkdir()
    (folder / "-o $(id).jpg").write_bytes(jpeg())
    assert run("photo", "Saturday", folder / "-o $(id).jpg")[0] == 0
    (entry,) = (home / "ledger.sqlite-photos").iterdir()
    assert entry.name == photos(home)[0].file
