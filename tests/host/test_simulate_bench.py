"""The bench as a process, spoken to over its socket as a board does."""

import json
import signal
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from pitscribe.metrology.chips import split_max31855
from pitscribe.simulate import rig
from pitscribe.simulate.bench import Bench
from pitscribe.simulate.scenario import SCENARIOS

GRATE, FLAT, NOBODY = 17, 20, 9


def test_bench_in_a_folder_too_deep_for_a_socket_may_be_ended_twice_and_leaves_none_behind(tmp_path):
    bench = rig.Bench(tmp_path / ("deep" * 25), "small", 5, 0.02)
    elsewhere = bench.socket.parent
    assert elsewhere != bench.folder
    assert bench.socket.exists()
    assert bench.stop() == bench.stop() == bench.folder / "truth.npz"
    assert not elsewhere.exists()


def request(op, select, written, n_read, world_ms):
    return struct.pack("<BBBBQ", op, select, len(written), n_read, world_ms) + written


class Board:
    """One connection to a bench."""

    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(20)
        self.socket.connect(str(path))

    def take(self, n):
        got = b""
        while len(got) < n:
            piece = self.socket.recv(n - len(got))
            if not piece:
                raise EOFError
            got += piece
        return got

    def ask(self, op, select, written, n_read, world_ms):
        self.socket.sendall(request(op, select, written, n_read, world_ms))
        return self.take(16 if op == 0 else n_read)


@pytest.fixture
def bench(tmp_path):
    path, out = tmp_path / "bench.sock", tmp_path / "out"
    process = subprocess.Popen(
        [sys.executable, "-m", "pitscribe.simulate.bench", "--socket", str(path), "--scenario", "small",
         "--seed", "5", "--hours", "0.5", "--out", str(out)]
    )
    deadline = time.monotonic() + 20
    while not (out / "ready").exists():
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.01)
    yield process, path, out
    if process.poll() is None:
        process.kill()
        process.wait()


def wait_for(path: Path):
    deadline = time.monotonic() + 20
    while not path.exists():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_board_is_answered_and_the_truth_is_left_behind(bench):
    process, path, out = bench
    board = Board(path)
    assert struct.unpack("<QQ", board.ask(0, 0, b"", 0, 0)) == (0, SCENARIOS["small"].utc0_ms)
    assert board.ask(1, NOBODY, b"\x01", 5, 1000) == b"\xff" * 5
    for second in range(1, 1200, 3):
        word = int.from_bytes(board.ask(1, GRATE, b"", 4, second * 1000), "big")
        hot, _, fault = split_max31855(word)
        assert fault == 0
        assert 60 < hot / 4 < 160
    assert np.fromfile(out / "world", "<u8")[0] == 1_198_000
    told = [json.loads(line) for line in (out / "happenings.jsonl").read_text().splitlines()]
    assert all(h["world_ms"] <= 1_198_000 for h in told)
    board.ask(1, GRATE, b"", 4, 1_801_000)
    wait_for(out / "truth.npz")  # the hours are over
    again = Board(path)  # a logger that was reset finds the world where it was
    assert struct.unpack("<QQ", again.ask(0, 0, b"", 0, 0))[0] == 1_801_000
    again.ask(1, GRATE, b"", 4, 1_900_000)
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    told = [json.loads(line) for line in (out / "happenings.jsonl").read_text().splitlines()]
    assert {h["kind"] for h in told} >= {"fuel", "spritz", "rotate"}
    assert [h["world_ms"] for h in told] == sorted(h["world_ms"] for h in told)
    with np.load(out / "truth.npz") as truth:
        assert truth["t_s"][-1] == 1900
        assert truth["place"].tolist() == ["grate", "flat"]


def test_words_do_not_depend_on_when_or_in_what_pieces_they_are_asked_for(bench, tmp_path):
    _, path, _ = bench
    board = Board(path)
    times = list(range(1000, 400_000, 1700))
    several = b"".join(request(1, GRATE, b"", 4, t) for t in times)
    for i in range(0, len(several), 13):  # torn across requests
        board.socket.sendall(several[i : i + 13])
    from_process = [board.take(4) for _ in times]
    here = Bench(SCENARIOS["small"], 5, 0.5, tmp_path / "here")
    backwards = {t: here.transfer(GRATE, b"", 4, t) for t in reversed(times)}
    assert from_process == [backwards[t] for t in times]
    here.close()


def test_a_board_that_talks_nonsense_is_put_down_and_the_next_is_served(bench):
    process, path, _ = bench
    nonsense = Board(path)
    nonsense.socket.sendall(request(7, 0, b"", 0, 0))
    assert nonsense.socket.recv(1) == b""
    nonsense.socket.close()
    half = Board(path)
    half.socket.sendall(request(1, GRATE, b"", 4, 1000)[:5])
    half.socket.close()
    assert len(Board(path).ask(1, GRATE, b"", 4, 2000)) == 4
    assert process.poll() is None


def test_a_bench_that_cannot_listen_says_so_in_one_line(tmp_path):
    run = subprocess.run(
        [sys.executable, "-m", "pitscribe.simulate.bench", "--socket", str(tmp_path / "no" / "where"),
         "--out", str(tmp_path / "out")],
        capture_output=True, text=True, timeout=30, check=False,
    )
    assert run.returncode == 1
    assert run.stderr.startswith("bench: ")
    assert run.stderr.count("\n") == 1


def test_the_world_file_is_the_clock_as_it_goes(tmp_path):
    bench = Bench(SCENARIOS["small"], 5, 1.0, tmp_path)
    for ms in (1000, 1007, 61_000, 5000):
        bench.transfer(FLAT, b"\x00", 1, ms)
        assert (tmp_path / "world").stat().st_size == 8
    assert np.fromfile(tmp_path / "world", "<u8")[0] == 61_000  # a question about the past does not turn it back
    bench.close()
