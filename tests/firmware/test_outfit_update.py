"""``pitscribe outfit`` on a logger that runs: the new set stays or the old one is back; littlefs, a Pico W's size."""

import json
import os
from pathlib import Path

import pytest
from firmware_rig import WordChip
from outfit_rig import LOGGER, OutfitBoard, on_flash, patient_for, small_firmware

from pitscribe import cli
from pitscribe.commands import outfit as command
from pitscribe.commands import outfit_wait
from pitscribe.intake.keyring import Keyring

PICO_W = 212  # blocks: micropython.md, measured


@pytest.fixture
def outfit(tmp_path, monkeypatch):
    """outfit(firmware, *arguments) -> exit status."""
    def run(firmware: Path, *arguments: str) -> int:
        monkeypatch.setattr(command, "firmware", lambda: firmware)
        port = os.path.realpath(tmp_path / "port")
        return cli.main(["--home", str(tmp_path / "home"), "outfit", port, *arguments])

    patient_for(0.3, monkeypatch)
    return run


@pytest.fixture
def make_board(tmp_path, make_bench):
    """make_board(**more) -> a board with one chip and an empty littlefs."""
    made = []

    def make(**more):
        bench = make_bench({17: WordChip(0x06B41900)})
        made.append(OutfitBoard(tmp_path / "flash.img", bench, tmp_path / "port", blocks=PICO_W, **more))
        return made[-1]

    yield make
    for board in made:
        board.cut_power()


@pytest.fixture
def settings(tmp_path):
    """settings(name) -> a file with settings."""
    def write(name: str, **more) -> str:
        file = tmp_path / f"{name}.json"
        channels = [{"chip": "max31855", "tc": "K", "spi": 0, "cs": 17}]
        file.write_text(json.dumps({"name": name, "channels": channels, "hotspot": {"when": "never"}, **more}))
        return str(file)

    return write


def on_board(board):
    """Switch it off; what `set` says, which folders of sets there are, and its settings."""
    board.switch_off()
    return json.loads(on_flash(board.flash, """
import json
with open("set") as s, open("config.json") as c:
    print(json.dumps([s.read(), [n for n in os.listdir() if n.startswith("fw-")], json.load(c)]))
"""))


def test_update_puts_a_new_set_in_place_with_its_settings_and_one_that_crashes_or_hangs_is_left_for_the_one_before(
    make_board, outfit, settings, tmp_path, capsys
):
    one, two = (small_firmware(tmp_path / name, name) for name in ("one", "two"))
    raises, hangs = (small_firmware(tmp_path / name, name, name) for name in ("raise", "hang"))
    board = make_board()
    assert outfit(one, "--settings", settings("first")) == 0
    said = capsys.readouterr().out
    assert "107.2 C (225.0 F)" in said  # what the chip's register says
    assert outfit(two, "--settings", settings("second")) == 0
    said = capsys.readouterr().out
    assert "stays" not in said
    assert said.count("removed the old modules (fw-") == 1
    assert "logger   8f22135b (second)" in said
    before = Keyring(tmp_path / "home").secret_of(LOGGER)
    assert outfit(raises, "--settings", settings("third", secret="another secret of 24 bytes")) == 1
    said = capsys.readouterr().err
    assert "ValueError('so that it does not run'" in said
    assert "the board is back with those before, which answer" in said
    board.timer_rings(180)  # after half a second, in which that set does nothing at all
    assert outfit(hangs, "--settings", settings("fourth")) == 1
    said = capsys.readouterr().err
    assert "no tick in time" in said
    assert "the board is back with those before, which answer" in said
    assert Keyring(tmp_path / "home").secret_of(LOGGER) == before, "the host believes a secret that the board has not"
    pointer, sets, kept = on_board(board)
    assert sets == [pointer]
    assert kept["name"] == "second"
    assert kept["secret"] == before


def test_set_that_ticks_and_stays_but_does_not_answer_is_put_back_by_outfit(
    make_board, outfit, settings, tmp_path, monkeypatch, capsys
):
    one, mute = (small_firmware(tmp_path / name, name, name) for name in ("one", "mute"))
    board = make_board()
    assert outfit(one, "--settings", settings("first")) == 0
    monkeypatch.setattr(outfit_wait, "PATIENCE_S", 1)
    assert outfit(mute, "--settings", settings("second")) == 1
    said = capsys.readouterr().err
    assert "nothing answers" in said
    assert "the board is back with those before, which answer" in said
    pointer, sets, kept = on_board(board)
    assert sets == [pointer]
    assert kept["name"] == "first", "with its own settings, though those of the new set were in place"
