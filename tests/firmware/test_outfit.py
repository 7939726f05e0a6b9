"""``pitscribe outfit``: a board gets its firmware (real MicroPython on a pseudo-terminal) and is a logger then."""

import json
import os
import re

import pytest
from firmware_rig import FIRMWARE, WordChip
from outfit_rig import LOGGER, OutfitBoard, patient_for

from pitscribe import cli
from pitscribe.commands import outfit as command
from pitscribe.commands import outfit_copy
from pitscribe.commands.outfit_set import compiled_set
from pitscribe.intake.keyring import Keyring


@pytest.fixture
def bench(make_bench):
    return make_bench({17: WordChip(0x06B41900), 20: WordChip(0x064C1900, 0x06501910, 0x064C1920)})


@pytest.fixture
def settings(tmp_path):
    """A file with settings."""
    channels = [{"chip": "max31855", "tc": tc, "spi": 0, "cs": cs} for tc, cs in (("K", 17), ("T", 20))]
    file = tmp_path / "settings.json"
    file.write_text(json.dumps({"name": "pit", "channels": channels, "hotspot": {"when": "never"}}))
    return file


@pytest.fixture
def board(flash, bench, tmp_path):
    made = OutfitBoard(flash, bench, tmp_path / "port")
    yield made
    made.cut_power()


@pytest.fixture(autouse=True)
def firmware(monkeypatch):
    """The firmware, compiled once."""
    modules = compiled_set(FIRMWARE)
    monkeypatch.setattr(command, "compiled_set", lambda _: modules)
    patient_for(0.3, monkeypatch)
    return modules


def outfit(tmp_path, *arguments: str) -> int:
    return cli.main(["--home", str(tmp_path / "home"), "outfit", os.path.realpath(tmp_path / "port"), *arguments])


def masked(line: str) -> str:
    """A line without its numbers, names and keys."""
    return re.sub(r"^/dev/\S+: |\b[a-z2-9]{12}\b|\b[0-9a-f]{8}\b|\d+", "*", line)


def printed_in_the_readme() -> list[str]:
    """What the page on putting it on a board says that an empty board prints, but for the board's own name."""
    block = (FIRMWARE / "README.md").read_text().partition("outfit /dev/ttyACM0 --settings")[2].split("```")[0]
    lines = [masked(line) for line in block.splitlines()[1:] if line != "..." and "MicroPython 1" not in line]
    assert len(lines) > 6
    return lines


def test_empty_board_becomes_a_logger_whose_first_readings_are_shown_and_a_second_run_leaves_all_as_it_is(
    board, flash, tmp_path, settings, firmware, capsys
):
    # micropython.md, measured: 212 blocks, of which an empty littlefs has 2. So an update has room beside what runs.
    assert 2 * firmware.room(4096) + outfit_copy.SPARE * 4096 <= 210 * 4096
    assert outfit(tmp_path, "--settings", str(settings)) == 0
    said = capsys.readouterr().out
    assert "files copied and read back, 0 were there already" in said
    for line in printed_in_the_readme():
        assert line in {masked(line) for line in said.splitlines()}, line
    assert "107.2 C (225.0 F)" in said  # what the chips' registers say
    assert "0 missed" in said
    kept = json.loads((flash / "config.json").read_text())
    assert Keyring(tmp_path / "home").secret_of(LOGGER) == kept["secret"]
    assert kept["secret"] not in said
    starts = board.starts
    assert outfit(tmp_path, "--dry") == 0
    said = capsys.readouterr().out
    assert "would keep its config.json and its journal" in said
    assert "nothing was done" in said
    assert board.starts == starts, "a logger that runs is not stopped"
    journalled = {path.name: path.read_bytes() for path in (flash / "journal").glob("*.seg")}
    assert outfit(tmp_path) == 0
    assert json.loads((flash / "config.json").read_text()) == kept
    for name, before in journalled.items():
        assert (flash / "journal" / name).read_bytes().startswith(before), name
