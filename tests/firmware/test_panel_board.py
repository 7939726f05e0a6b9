"""The whole firmware with a panel: main.py, unmodified, on the simulated board with a screen, a buzzer and buttons."""

import json
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from firmware_rig import Logger
from i2c_rig import RunningBench, block, dip
from journal_rig import events_in
from panel_rig import ADDRESS, Glass, Reader
from servers import free_port, wait_until

PAGE, NOTE, SOUND = 14, 15, 13
KEY = "abcd-efgh;12"
# Cable, own network, page, screen, buzzer and buttons at once: the 180 KB of the other tests and 18 KB for the modules
# that stand in for the board's machine, network, time and select (19,008 bytes on this port, and 1,984 for I2C, PWM and
# buttons; on a board they are no bytecode).
EVERYTHING = "heapsize=198k"


class Board:
    """A logger in a warm block with a panel, twenty times as fast as the world."""

    def __init__(self, folder: Path, when: str = "never", usb: int = 0, **panel: object) -> None:
        self.folder = folder
        self.glass = Glass("sh1106")
        self.bench = RunningBench(folder, block(dip(0), celsius=71.0))  # type: ignore[arg-type]
        self.bench.wiring.i2c[0].chips[ADDRESS] = self.glass  # type: ignore[assignment]
        own = {"screen": "sh1106", "page": PAGE, "note": NOTE, "buzzer": SOUND, **panel}
        config = {
            "panel": own, "i2c": [{"id": 0, "sda": 4, "scl": 5}], "usb": usb, "watchdog_ms": 8000,
            "channels": [{"chip": "mcp9600", "i2c": 0, "address": 96, "place": "flat", "kind": "meat", "high": 150}],
            "hotspot": {"when": when, "port": free_port(), "dns": 0, "key": KEY, "pin": "482915", "ssid": "pit"},
        }
        self.pressed, self.sound = folder / "pressed", folder / "sound"
        self.logger = Logger(
            folder / "flash", self.bench, config, PITSCRIBE_AP="127.0.0.1", PITSCRIBE_SPEED="20",  # type: ignore[arg-type]
            PITSCRIBE_PRESSED=str(self.pressed), PITSCRIBE_SOUND=str(self.sound),
        )  # fmt: skip

    def press(self, pin: int) -> None:
        """Press a button for 100 ms, within two seconds of the board's."""
        first = self.glass.asked[-1] + 1000
        fresh = self.folder / "fresh"
        fresh.write_text(f"{pin} {first} {first + 100}")
        fresh.replace(self.pressed)
        wait_until("the button was pressed", lambda: self.glass.asked[-1] > first + 200)

    @property
    def now(self) -> list[list[int]]:
        """The glass."""
        return self.glass.at(1e15)

    def close(self) -> None:
        self.logger.cut_power()
        self.bench.close()


@pytest.fixture
def board_of():
    made, folders = [], []

    def make(**panel: object) -> Board:
        folders.append(Path(tempfile.mkdtemp(prefix="ps")))
        made.append(Board(folders[-1], **panel))
        return made[-1]

    yield make
    for board in made:
        board.close()
    for folder in folders:
        shutil.rmtree(folder)


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    made = Reader(tmp_path_factory.mktemp("letters"))
    yield made
    made.close()


def test_the_firmware_finds_its_screen_and_does_all_that_its_buttons_ask(board_of, reader):
    board = board_of()
    shows_all(board, reader, ("all", "-3 h", "no network", "missed 0"))


def test_beside_a_network_of_its_own_it_shows_how_to_join_it(board_of, reader, monkeypatch):
    monkeypatch.setattr("firmware_rig.HEAP", EVERYTHING)
    board = board_of(when="always", usb=1)
    shows_all(board, reader, ("all", "-3 h", "PIN 482915"))
    board.press(PAGE)

    def read() -> list[str]:
        image = np.kron(np.array(board.now, np.uint8) * 255, np.ones((3, 3), np.uint8))
        return [found.text for found in zxingcpp.read_barcodes(np.pad(image, 30))]

    wait_until("a code", lambda: read() == ["WIFI:T:WPA;S:pit;P:abcd-efgh\\;12;;"])
    board.press(PAGE)
    wait_until("the health", lambda: reader.says(board.now, "missed 0"))
    assert board.logger.status is None


def shows_all(board: Board, reader: Reader, pages: tuple[str, ...]) -> None:
    """The first page, an alarm, a note, and the pages by what stands on them."""
    wait_until("the meat in large numerals", lambda: any(reader.large(board.now, f, 9) for f in (159, 160, 161)))
    wait_until("its target told", lambda: board.sound.exists() and " 2000" in board.sound.read_text())
    board.press(NOTE)
    wait_until("a note", lambda: events_in(board.folder / "flash", "note"))
    assert events_in(board.folder / "flash", "note")[0].fields["kind"] == "fuel"
    for wanted in pages:
        board.press(PAGE)
        wait_until(wanted, lambda wanted=wanted: reader.says(board.now, wanted))
    assert board.logger.status is None


def test_a_screen_that_does_not_answer_at_the_start_is_asked_once(board_of):
    board = board_of(address=61, page=-1, note=-1, buzzer=-1)
    wait_until("a sampler at work", lambda: board.bench.requests.count((2, 96)) > 100)
    assert board.bench.requests.count((2, 61)) == 1
    assert board.glass.asked == []
    assert json.loads((board.folder / "flash" / "config.json").read_text())["panel"]["address"] == 61
