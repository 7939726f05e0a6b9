"""The whole firmware with a panel: main.py, unmodified, on the simulated board with a screen, a buzzer and buttons."""

import json
import shutil
import tempfile
from pathlib import Path
from zlib import crc32

import numpy as np
import pytest
import zxingcpp
from firmware_rig import Logger, StoringHost
from i2c_rig import RunningBench, block, dip
from journal_rig import events_in
from panel_rig import ADDRESS, Glass, Reader
from servers import free_port, wait_until

from pitscribe.wire import messages

PAGE, NOTE, SOUND = 14, 15, 13
KEY = "abcd-efgh;12"
SECRET = "a secret of the test's own"
# Cable, own network, page, screen, buzzer and buttons at once: the 180 KB of the other tests and 20 KB for the modules
# that stand in for the board's machine, network, time and select (19,008 bytes on this port, and 1,984 for I2C, PWM and
# buttons; on a board they are no bytecode). It runs in 198 as well, by a hair; not in 195.
EVERYTHING = "heapsize=200k"


class Board:
    """A logger in a warm block with a panel, twenty times as fast as the world."""

    def __init__(
        self, folder: Path, when: str = "never", usb: int = 0, more: dict | None = None, **panel: object
    ) -> None:
        self.folder = folder
        self.glass = Glass("sh1106")
        self.bench = RunningBench(folder, block(dip(0), celsius=71.0))  # type: ignore[arg-type]
        self.bench.wiring.i2c[0].chips[ADDRESS] = self.glass  # type: ignore[assignment]
        own = {"screen": "sh1106", "page": PAGE, "note": NOTE, "buzzer": SOUND, **panel}
        config = {
            "panel": own, "i2c": [{"id": 0, "sda": 4, "scl": 5}], "usb": usb, "watchdog_ms": 8000,
            "channels": [{"chip": "mcp9600", "i2c": 0, "address": 96, "place": "flat", "kind": "meat", "high": 150}],
            "hotspot": {"when": when, "port": free_port(), "dns": 0, "key": KEY, "pin": "482915", "ssid": "pit"},
            **(more or {}),
        }
        self.pressed, self.sound = folder / "pressed", folder / "sound"
        self.logger = Logger(
            folder / "flash", self.bench, config, PITSCRIBE_AP="127.0.0.1", PITSCRIBE_SPEED="20",  # type: ignore[arg-type]
            PITSCRIBE_PRESSED=str(self.pressed), PITSCRIBE_SOUND=str(self.sound),
        )  # fmt: skip

    def press(self, pin: int, ms: int = 100) -> None:
        """Press a button for so long, within two seconds of the board's."""
        first = self.glass.asked[-1] + 1000
        fresh = self.folder / "fresh"
        fresh.write_text(f"{pin} {first} {first + ms}")
        fresh.replace(self.pressed)
        wait_until("the button was pressed", lambda: self.glass.asked[-1] > first + ms + 100)

    def sounded(self, hz: int) -> int:
        """How often a tone has begun."""
        return self.sound.read_text().count(f" {hz}\n") if self.sound.exists() else 0

    @property
    def number(self) -> int:
        """The logger's, which its journal has too."""
        return crc32(bytes.fromhex("70697473"))

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


def test_what_the_authentic_host_asks_to_be_sounded_sounds_as_long_as_it_asks_unless_quiet_is_asked_for(
    board_of, reader, broker, hosts, monkeypatch
):
    """Through a real broker. 1000 Hz is in the pattern ``journal`` alone, 1400 here in ``low`` alone."""
    uplink = {"host": "127.0.0.1", "port": broker.port, "ack_s": 600, "keepalive_s": 6000}
    monkeypatch.setattr("firmware_rig.HEAP", EVERYTHING)
    hosts.append(StoringHost(broker.port, secret=SECRET))
    host = hosts[0]
    board = board_of(more={"broker": uplink, "secret": SECRET, "state_s": 10})
    wait_until("a logger at the broker", lambda: host.nows and board.sounded(2000))
    base = f"pitscribe/1/{board.number:08x}"

    def state(word: str, count: int) -> None:
        wait_until(f"{count} {word}", lambda: host.states[-1].get(word) == count)

    host.say(base, "order", json.loads(messages.sound_order("low", 20)), secret="not the secret of this logger")
    state("denied", 1)
    host.say(base, "order", {"order": "sound", "pattern": "low", "s": 61})
    state("refused", 1)
    host.say(base, "order", {"order": "sound", "pattern": "a pattern of another year", "s": 20})
    host.say(base, "order", json.loads(messages.sound_order("journal", 20)))
    wait_until("the screen says so", lambda: reader.says(board.now, "the host calls:"))
    wait_until("seven calls of 2.7 s in 20 s", lambda: board.sounded(1000) == 7)
    board.press(PAGE, 1500)
    wait_until("quiet", lambda: reader.says(board.now, "10 minutes"))
    host.say(base, "order", json.loads(messages.sound_order("low", 20)))
    wait_until("the screen says so again", lambda: reader.says(board.now, "the host calls:"))
    wait_until("and that is over", lambda: not reader.says(board.now, "the host calls:"))
    assert (board.sounded(1000), board.sounded(1400)) == (7, 0)
    assert host.states[-1]["denied"] == 1
    assert board.logger.status is None


def test_a_screen_that_does_not_answer_at_the_start_is_asked_once(board_of):
    board = board_of(address=61, page=-1, note=-1, buzzer=-1)
    wait_until("a sampler at work", lambda: board.bench.requests.count((2, 96)) > 100)
    assert board.bench.requests.count((2, 61)) == 1
    assert board.glass.asked == []
    assert json.loads((board.folder / "flash" / "config.json").read_text())["panel"]["address"] == 61
