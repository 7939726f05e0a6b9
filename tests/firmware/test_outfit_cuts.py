"""An update that is cut leaves the old set or the new one, each with its settings, and a further run mends it.

A few of the cuts that ``outfit_cuts.py`` makes: that makes them all.
"""

import random
import time

import pytest
from outfit_cuts import BLOCKS, Update
from outfit_rig import make_flash, on_flash

from pitscribe.commands.outfit_board import Board
from pitscribe.intake.usb import PortError


@pytest.fixture(scope="module")
def update(tmp_path_factory):
    made = Update(tmp_path_factory.mktemp("update"))
    yield made
    made.close()


def test_power_cut_at_an_operation_of_the_flash_leaves_one_set_with_its_settings_and_a_further_run_mends_it(update):
    assert not update.cut(100_000, 0), "an update that was let be"
    operations = update.board.operations()
    assert update.seen().word == "new"
    for operation in [0, operations - 1, *random.Random(20261126).sample(range(1, operations - 1), 3)]:
        assert update.cut(operation, operation % 3)
        left = update.seen().word  # or it has raised
        assert left == "old" or operation == operations - 1
        assert update.mends(), operation


@pytest.mark.parametrize("share", [0.1, 0.6, 1.0])
def test_cable_that_is_pulled_stops_outfit_and_the_watchdog_starts_the_board(update, monkeypatch, share):
    """``share`` of the commands are let be."""
    commands, run = [], Board.run

    def counted(board, code, what=""):
        if len(commands) == left:
            update.board.cable.unplug()
        commands.append(what)
        return run(board, code, what)

    monkeypatch.setattr(Board, "run", counted)
    left = -1
    update.again()
    update.give("two")
    left = max(2, int(share * len(commands)) - 1)
    commands.clear()
    update.again()
    with pytest.raises(PortError, match="the board has gone"):
        update.give("two")
    assert len(commands) == left + 1, "it ends with the command that failed"
    bites, update.board.dog_speed = update.board.bites, 20
    deadline = time.monotonic() + 60
    while update.board.bites == bites:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    update.board.dog_speed = 1
    monkeypatch.undo()
    assert update.seen().word in ("old", "new")
    assert update.mends()


PUT = """
for path, text in %r.items():
    for at in [i for i, letter in enumerate(path) if letter == "/"]:
        try:
            os.mkdir(path[:at])
        except OSError:
            pass
    with open(path, "w") as f:
        f.write(text)
"""


def on_empty_flash(update, files: dict[str, str]) -> None:
    """Give the board a new flash with these files, and power."""
    update.board.switch_off()
    make_flash(update.board.flash, BLOCKS)
    on_flash(update.board.flash, PUT % files)
    update.board.power_on()


def test_board_that_was_filled_by_hand_is_updated_on_trial_and_goes_back_to_what_lies_beside(update):
    one = update.folder / "one"
    by_hand = {file.relative_to(one).as_posix(): file.read_text() for file in one.rglob("*") if file.is_file()}
    on_empty_flash(update, {**by_hand, "config.json": update.settings["one"].read_text()})
    update.give("two")
    assert update.seen().word == "new"  # on trial, and the start after that runs what was there
    assert update.mends()


def test_program_of_somebody_elses_is_kept_beside(update):
    on_empty_flash(update, {"main.py": "print('mine')\n"})
    update.give("two")
    update.board.switch_off()
    assert on_flash(update.board.flash, "with open('main.py.old') as f: print(f.read())").strip() == "print('mine')"
    assert update.started(update.board.flash) == ("two", "two", False)  # there is none to go back to
