"""A short run of each target; the long ones are commands (see the package). Each find of theirs stands in FINDS."""

import random
from dataclasses import replace

import pytest

from fuzz.__main__ import main as fuzz_main
from fuzz.mutate import mutant
from fuzz.targets import BrokenPromiseError, board, every_target, files, frames

TARGETS = every_target()
# Inputs; of what is not named here 500.
SHORT = {
    "board-settings": 60, "pages": 400, "door": 100, "photos": 150, "frames": 1280, "gate": 1280, "tables": 250,
    "settings": 250,
}

# What once broke a promise: the target and the input.
FINDS = [
    ("door", b'{"key":"k","round":0,"link":null,"hashed":{"n":16384,"r":8,"p":1,"salt":"MDEyMzQ1Njc4OWFiY2RlZg==",'
             b'"hash":"A"}}'),
    ("door", '{"key":"k","round":0,"hashed":null,"link":["\u00e9",9]}'.encode()),
    ("door", b'{"key":"k","round":0,"hashed":null,"link":["a","9"]}'),
    ("door", b"[" * 100_000),
    # A length of 127 bytes in a certificate: too large a number for a slice.
    ("board-certificates", b"0\x82\x01\0" + b"\xff" * 300),
]


@pytest.mark.parametrize("name", TARGETS)
def test_mutated_input_breaks_no_promise(name):
    target, chance = TARGETS[name], random.Random(20261126)
    left = SHORT.get(name, 500)
    while left > 0:
        target.run([mutant(target.examples, chance) for _ in range(min(target.batch, left))])
        left -= target.batch


@pytest.mark.parametrize(("name", "data"), FINDS)
def test_what_once_broke_a_promise_does_no_more(name, data):
    TARGETS[name].run([data])


@pytest.mark.parametrize("name", TARGETS)
def test_sound_examples_break_none_either(name):
    TARGETS[name].run(TARGETS[name].examples)


def test_the_examples_are_taken_so_that_more_is_fuzzed_than_refusals():
    assert all(frames.wire.check_many(frames.examples()))
    for data in files.pictures():
        files.read_photo(data)
    for text in (files.TABLE, files.TABLE.replace("Z", "")):
        files.in_a_file("cook.csv", files.check_table)(text.encode())
    assert board.on_board(board.WORDS, board.SIGNED) == ["let go", "order", "order"]


def test_a_broken_promise_is_found(monkeypatch):
    """That a frame whose CRC fails is taken: what is looked for here is seen when it happens."""
    head = frames.wire.read_head(frames.examples()[0])
    monkeypatch.setattr(frames.wire, "check_many", lambda given: [head] * len(given))
    bad = bytearray(frames.examples()[0])
    bad[-1] ^= 1
    with pytest.raises(BrokenPromiseError, match="CRC"):
        frames.read_frames([bytes(bad)])


def test_what_broke_a_promise_is_kept_in_a_folder_that_was_not_there(monkeypatch, tmp_path, capsys):
    broken = replace(TARGETS["topics"], run=lambda given: 1 / 0)
    monkeypatch.setattr("fuzz.targets.every_target", lambda: {"topics": broken})
    monkeypatch.setattr("sys.argv", ["fuzz", "topics", "--times", "1", "--found", str(tmp_path / "a" / "b")])
    assert fuzz_main() == 1
    (kept,) = (tmp_path / "a" / "b").iterdir()
    assert str(kept) in capsys.readouterr().err
