"""What ``pitscribe outfit`` refuses, each made to happen: the board is left as it was, and says what to do."""

import argparse
import json
import os
import pty
import tty
from pathlib import Path

import pytest
import serial
from firmware_rig import compiled
from journal_rig import OPEN
from outfit_rig import OutfitBoard, on_flash, small_firmware, telling_firmware
from servers import wait_until

from pitscribe.commands import outfit, outfit_set
from pitscribe.commands.outfit_set import ModuleSet, compiled_set
from pitscribe.commands.outfit_settings import read_settings
from pitscribe.config import read_config
from pitscribe.errors import ConfigError, SourceError
from pitscribe.intake.usb import PortError

BLOCKS = 64


class Bench:
    """A board that runs set `one`; its program ends at the prompt, so a run is short."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.one = compiled_set(telling_firmware(folder / "one", "one"))
        self.two = compiled_set(telling_firmware(folder / "two", "two"))
        self.board = OutfitBoard(folder / "flash.img", None, folder / "port", blocks=BLOCKS)
        self.settings = folder / "settings.json"
        self.settings.write_text('{"name": "one"}')
        self.put(self.one, self.settings)
        self.on_flash("import json\nwith open('main.py') as f:\n    exec(f.read())")
        self.began = self.board.flash.read_bytes()

    def again(self) -> None:
        """The board as it was, with power."""
        self.board.switch_off()
        self.board.flash.write_bytes(self.began)
        self.board.power_on()

    def put(self, modules: ModuleSet, settings: Path | None = None, *, room: bool = False) -> None:
        """All that is done at the prompt."""
        self.board.await_prompt()
        port = os.path.realpath(self.board.cable.port)
        arguments = argparse.Namespace(port=port, room=room, dry=False, settings=settings)
        outfit._Outfit(read_config(self.folder / "home"), arguments, modules)._put()

    def on_flash(self, code: str) -> str:
        """Do something to its flash while it has no power."""
        self.board.switch_off()
        return on_flash(self.board.flash, code, path=f"{self.board.inside}:{compiled()}")

    def refused(self, modules: ModuleSet, error: type[Exception], match: str, settings: Path | None = None) -> None:
        """See that it is refused with these words before a byte is written, and the board starts again."""
        self.board.cut_after(100_000)
        starts = self.board.starts
        with pytest.raises(error, match=match):
            self.put(modules, settings)
        assert self.board.operations() == 0, "nothing was written"
        wait_until("the board's restart", lambda: self.board.starts > starts)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    made = Bench(tmp_path_factory.mktemp("bench"))
    yield made
    made.board.cut_power()


@pytest.fixture
def fresh(bench):
    bench.again()
    return bench


def test_board_of_another_kind_is_refused(fresh, monkeypatch):
    """The board here says `linux`, which is taken away from those that are let in."""
    monkeypatch.setattr(outfit_set, "PLATFORMS", ("rp2",))
    fresh.refused(fresh.two, ConfigError, r"MicroPython is for 'linux'; the firmware is for a Pico W \(rp2\)")


def test_board_with_an_older_micropython_is_refused_and_told_which_one_to_install(fresh, monkeypatch):
    monkeypatch.setattr(outfit_set, "LEAST_MICROPYTHON", (99, 3))
    fresh.refused(fresh.two, ConfigError, r"MicroPython 1\.\d+ is on the board; install 99\.3 or later")


def test_modules_compiled_for_another_micropython_are_refused(fresh):
    """MicroPython documentation, "MicroPython .mpy files": the second byte is the version. 5 was the one before 6."""
    old = {path: data[:1] + b"\5" + data[2:] for path, data in fresh.two.files.items() if path.endswith(".mpy")}
    modules = ModuleSet(old, fresh.two.switch, "x")
    fresh.refused(modules, ConfigError, r"compiled as \.mpy version 5, and the board reads 6")


def test_modules_that_the_board_cannot_load_are_left_beside_what_runs(fresh, tmp_path):
    folder = telling_firmware(tmp_path / "broken", "broken")
    (folder / "pitlogger" / "start.py").write_text("import not_there")
    with pytest.raises(SourceError, match="the new modules: ImportError: no module named 'not_there'"):
        fresh.put(compiled_set(folder))
    assert fresh.on_flash("with open('set') as f: print(f.read())").strip() == fresh.one.name


def test_settings_that_the_boards_own_rules_refuse_are_not_put_in_place(fresh, tmp_path):
    file = tmp_path / "settings.json"
    file.write_text(json.dumps({"name": "two", "keep": "both", "watchdog_ms": 5}))
    modules = compiled_set(small_firmware(tmp_path / "small", "small"))  # which has the real rules
    with pytest.raises(ConfigError, match=r'refuses the settings, and keeps what it has: .*keep: "both" does'):
        fresh.put(modules, file)
    kept = fresh.on_flash("with open('set') as s, open('config.json') as c: print(s.read()); print(c.read())")
    pointer, settings = kept.splitlines()
    assert pointer == fresh.one.name
    assert json.loads(settings)["name"] == "one"


FILL = OPEN + """
j = opened()
while os.statvfs("")[3] > 12:
    assert all(put(j, 8, 400))
j.move_cursor(%s)
j._close()
print(json.dumps([j.next, j.cursor, sorted(os.listdir("journal"))]))
"""
LEFT = OPEN + """
j = opened()
found = [s for _, s in everything(j)]
print(json.dumps([found, sorted(os.listdir("journal"))]))
"""


def test_full_flash_is_refused_before_anything_is_written(fresh):
    fresh.on_flash("f = open('full', 'wb')\nfor _ in range(os.statvfs('')[3] - 12): f.write(ERASED)\nf.close()")
    fresh.board.power_on()
    fresh.board.await_prompt()
    fresh.refused(fresh.two, ConfigError, r"the flash has \d+ KB free and \d+ KB are needed.* nothing was changed")


def test_journal_makes_room_only_if_asked_and_only_with_what_the_host_has_the_oldest_first(fresh):
    following, cursor, names = json.loads(fresh.on_flash(FILL % "j.next - 60"))
    fresh.board.power_on()
    fresh.board.await_prompt()
    fresh.refused(fresh.two, ConfigError, "give --room: the oldest of its journal goes for it")
    fresh.board.await_prompt()
    fresh.put(fresh.two, room=True)
    found, left = json.loads(fresh.on_flash(LEFT))
    assert set(left) < set(names)
    assert found == list(range(found[0], following)), "what is left is whole"
    assert 0 < found[0] <= cursor, "and nothing of it has gone that the host had not stored"


MOVE = """
import json, os
if {folder!r} != "journal":
    os.mkdir({folder!r}.split("/")[0])
    os.rename("journal", {folder!r})
with open("config.json") as f:
    settings = json.load(f)
settings["journal"] = {folder!r}
with open("config.json", "w") as f:
    json.dump(settings, f)
"""


@pytest.mark.parametrize("folder", ["journal", "kept/journal"])
def test_journal_that_nobody_has_taken_makes_no_room_wherever_it_lies(fresh, folder):
    fresh.on_flash(FILL % "0")
    fresh.on_flash(MOVE.format(folder=folder))
    fresh.board.power_on()
    fresh.board.await_prompt()
    with pytest.raises(ConfigError, match="take its journal with `pitscribe pull`, then give --room"):
        fresh.put(fresh.two, room=True)


# -- ports ------------------------------------------------------------------------------------------------------------


def at(port: Path | str, folder: Path) -> outfit._Outfit:
    """A run at a port."""
    arguments = argparse.Namespace(port=str(port), room=False, dry=False, settings=None)
    return outfit._Outfit(read_config(folder), arguments, ModuleSet({}, b"", "x"))


@pytest.fixture
def bare():
    """A pseudo-terminal at whose other end is nobody."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


def test_port_that_is_not_there_or_is_none_is_told_apart(tmp_path):
    with pytest.raises(PortError, match="there is no such port; plug the logger in"):
        at(tmp_path / "ttyACM9", tmp_path).run()
    (tmp_path / "file").write_text("")
    with pytest.raises(PortError, match="it is no serial port"):
        at(tmp_path / "file", tmp_path).run()


def test_port_that_another_program_has_open_is_told(bare, tmp_path):
    with (
        serial.Serial(bare, exclusive=True),
        pytest.raises(PortError, match="another program has it open; close that first"),
    ):
        at(bare, tmp_path).run()


def test_port_that_one_may_not_open_is_told(bare, tmp_path):
    """In a process of its own, as somebody else than root where the tests run as root, who may open everything."""
    Path(bare).chmod(0)
    run = at(bare, tmp_path)
    read, write = os.pipe()
    if not (child := os.fork()):
        try:
            if os.geteuid() == 0:
                os.seteuid(65534)  # nobody
            run.run()
        except BaseException as error:
            os.write(write, f"{type(error).__name__}: {error}".encode())
        os._exit(0)
    os.waitpid(child, 0)
    said = os.read(read, 4096).decode()
    os.close(read)
    os.close(write)
    assert said == f"PortError: {bare}: you may not open it; on Debian: be in the group dialout, or use sudo"


def test_port_at_which_nothing_answers_is_told(bare, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(outfit, "_ANSWER_S", 0.05)
    monkeypatch.setattr("pitscribe.commands.outfit_board._PROMPT_S", 0.1)
    monkeypatch.setattr("pitscribe.commands.outfit_board._READ_S", 0.1)
    with pytest.raises(PortError, match="no MicroPython prompt comes; is MicroPython on the board"):
        at(bare, tmp_path).run()
    assert "no logger answers; MicroPython's prompt is tried" in capsys.readouterr().out
    serial.Serial(bare, exclusive=True).close()  # it has let go of it


def test_settings_file_that_is_missing_or_bad_is_told_before_the_board_is_touched(tmp_path):
    file = tmp_path / "settings.json"
    with pytest.raises(ConfigError, match=r"settings\.json: No such file"):
        read_settings(file)
    for text, words in (
        (b"{", "Expecting property name"), (b"[]", "not an object with settings"),
        (b"\xff", r"not UTF-8 text \(byte 0\)"),
        (b'{"wifi": [{"ssid": "x", "password": "change me"}]}', r"wifi\[0\]\.password is still 'change me'"),
    ):
        file.write_bytes(text)
        with pytest.raises(ConfigError, match=words):
            read_settings(file)
