"""The bring-up checklist is run against the firmware on a simulated board, and ``pitscribe logger look`` besides."""

import contextlib
import io
import re

import pytest
from bringup_rig import CHECKLIST, MAP, SCENES, SPEED, Bench, ChipBench, WordChip, blocks, chip, masked
from firmware_rig import RegisterChip
from usb_rig import CableLogger, FilePort

from pitscribe import cli
from pitscribe.commands.look import _HINTS
from pitscribe.errors import SourceError
from pitscribe.intake.usb import Conversation

TEXT = CHECKLIST.read_text(encoding="utf-8")


@pytest.fixture
def cabled(tmp_path):
    """Start a logger with chips by select pin: cabled(chips, **settings) -> its port."""
    with contextlib.ExitStack() as stack:
        def start(chips, **settings):
            bench = ChipBench(chips)
            stack.callback(bench.close)
            config = {"name": "pit", "hotspot": {"when": "never"}, **MAP.settings(things=()), **settings}
            logger = CableLogger(tmp_path / "flash", bench, config, tmp_path / "port", PITSCRIBE_SPEED=SPEED)
            stack.callback(logger.cut_power)
            return logger.cable.port

        yield start


def look(port, tmp_path) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert cli.main(["--home", str(tmp_path / "home"), "logger", "look", str(port)]) == 0
    return out.getvalue()


def test_every_command_of_the_checklist_prints_what_the_checklist_says(tmp_path, monkeypatch):
    """If it fails and should: .venv/bin/python tests/hardware/bringup_rig.py, and read the page again."""
    monkeypatch.setenv("TZ", "UTC")
    found = blocks(TEXT)
    assert len(found) == TEXT.count("```console") == 12
    assert {block.scene for block in found} == {*SCENES, "again"}
    bench = Bench(tmp_path)
    for block in found:
        for command, said, printed in bench.run(block):
            assert masked(printed) == masked(said), f"{block.scene}: {command}"


def test_the_checklist_says_what_to_do_about_every_fault_that_look_has_words_for():
    for words in _HINTS.values():
        assert words.partition(":")[0] in TEXT


def test_the_masks_leave_what_matters():
    """Temperatures, faults and counts of missed and lost are compared as they are."""
    line = "0       max31855         K     24.0 C (75.2 F)     24.0 C (75.2 F)     ok\n"
    assert masked(line) == line.rstrip()
    assert masked("boot 7, up for 3 s; a tick every 1 s, 2 missed") == "boot N, up for N s; a tick every 1 s, 2 missed"
    assert masked("4 frames kept, 3 lost") == "N frames kept, 3 lost"


def test_look_says_every_kind_of_channel(cabled, tmp_path):
    """MAX31856 codes of its data sheet: 25.00 degC hot 019000, cold 1900 (SOURCES.md section 2)."""
    pins = MAP.selects
    chips = {pins[0]: chip(107.2, 25.0), pins[1]: RegisterChip(0x1900, 0x019000), pins[2]: chip(24.0, fault=4),
             pins[3]: WordChip(0)}
    channels = MAP.settings(["max31855", "max31856", *["max31855"] * 4])["channels"]
    channels[5] = {"chip": "none"}
    said = look(cabled(chips, channels=channels), tmp_path)
    row = {m[1]: m[0] for m in re.finditer(r"(?m)^(\d)  .*$", said)}
    assert re.search(r"107\.[1-3] C \(22[45]\.\d F\) +25\.0 C \(77\.0 F\) +ok$", row["0"])
    assert re.search(r"max31856 +K +25\.0 C \(77\.0 F\) +25\.0 C \(77\.0 F\) +ok$", row["1"])
    assert row["2"].endswith("touches the supply: a wire astray at the chip")
    assert " - " in row["2"]  # no temperature under a fault
    assert "dead line" in row["3"]  # 00000000 is a legal word, and what a line says that is stuck low
    assert "dead line" in row["4"]
    assert row["5"].split() == ["5", "none", "not", "used"]


def test_look_says_each_thing_that_is_wrong_with_the_settings(cabled, tmp_path):
    said = look(cabled({}, panel={"buzzer": MAP.selects[0]}, keep="both"), tmp_path)
    assert "settings sound" not in said
    assert f"settings panel.buzzer: pin {MAP.selects[0]} is taken; none" in said
    assert 'settings keep: "both" does not fit; "oldest" used' in said


def test_a_logger_that_takes_no_tick_in_time_is_a_clear_error(cabled):
    port = FilePort(cabled({}, period_ms=60000))
    try:
        with pytest.raises(SourceError, match=r"took no tick in 0\.2 s; see its log"):
            Conversation(port, "port").tick(0.2)
    finally:
        port.close()
