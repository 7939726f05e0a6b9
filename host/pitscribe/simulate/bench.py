"""The bench as a process: a board connects, asks its chips for bytes, and the world goes on as far as it is asked.

``python -m pitscribe.simulate.bench --socket PATH --scenario NAME --seed 7 --hours 14 --out DIR``

An AF_UNIX stream socket, little-endian. Request: op u8, select u8 (chip-select pin), n_write u8, n_read u8, world_ms
u64, then n_write bytes. Op 0, hello: the reply is world_ms u64 (the last one asked for), utc0_ms u64. Op 1, one SPI
transfer: the reply is n_read bytes, FF where no chip is. Ops 2 and 3, one I2C transfer and the lines of an I2C bus:
board/README.md has them. DIR gets ``ready`` (when listening), ``world`` (8 bytes, the
world's ms, little-endian, kept up to date), ``happenings.jsonl`` (what the person did, as the board's time passes it)
and ``truth.npz`` (when the hours are over, and again at SIGTERM).
"""

import argparse
import json
import mmap
import selectors
import signal
import socket
import struct
import sys
from pathlib import Path
from typing import IO

from pitscribe.errors import BenchError, PitscribeError
from pitscribe.simulate.bath import SCENES, BathScenario, BathWorld
from pitscribe.simulate.scenario import Scenario
from pitscribe.simulate.truth import write as write_truth
from pitscribe.simulate.world import World

_REQUEST = struct.Struct("<BBBBQ")
_HELLO = struct.Struct("<QQ")
_I2C_ANSWER = struct.Struct("<BI")


class Bench:
    """One world and its chips behind a socket; ``answer`` is the protocol, ``serve`` the process."""

    def __init__(self, scenario: Scenario | BathScenario, seed: int, hours: float, out: Path) -> None:
        out.mkdir(parents=True, exist_ok=True)
        self.world = BathWorld(scenario, seed) if isinstance(scenario, BathScenario) else World(scenario, seed)
        self._out, self._end_ms = out, int(hours * 3_600_000)
        self._asked_ms = 0
        self._told = 0
        self._next_told_ms = 0
        self._truth_written = False
        self._hello = _HELLO.pack
        world_file = out / "world"
        world_file.write_bytes(bytes(8))
        with world_file.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), 8)
        # A native 8-byte store is one store: a reader never sees half of it. Every machine we run on is little-endian.
        self._clock = memoryview(self._map).cast("Q")
        self._happenings: IO[str] = (out / "happenings.jsonl").open("w", encoding="utf-8")

    def hello(self) -> bytes:
        """The reply to op 0."""
        return self._hello(self._asked_ms, self.world.scenario.utc0_ms)

    def transfer(self, select: int, written: bytes, n_read: int, world_ms: int) -> bytes:
        """The reply to op 1, for any time, also one asked before."""
        self._move_to(world_ms)
        chip = self.world.chips.get(select)
        return b"\xff" * n_read if chip is None else chip.transfer(written, n_read, world_ms)

    def i2c(self, select: int, written: bytes, n_reply: int, world_ms: int) -> bytes:
        """The reply to op 2."""
        self._move_to(world_ms)
        failed, held_us, data = self.world.wiring.i2c_transfer(select, written, n_reply - _I2C_ANSWER.size, world_ms)
        return _I2C_ANSWER.pack(failed, held_us) + data

    def lines(self, bus: int, pulses: int, world_ms: int) -> bytes:
        """The reply to op 3."""
        self._move_to(world_ms)
        return bytes([self.world.wiring.i2c[bus].lines(pulses, world_ms)])

    def _move_to(self, world_ms: int) -> None:
        if world_ms > self._asked_ms:
            self._asked_ms = world_ms
            self._clock[0] = world_ms
            if world_ms >= self._next_told_ms:
                self._pass_time(world_ms)

    def _pass_time(self, world_ms: int) -> None:
        """Go on to a time, and tell what the person has done up to it (never what is still to come)."""
        self.world.run_to(world_ms / 1000.0)
        self._tell(world_ms)
        self._next_told_ms = world_ms + 1000
        if world_ms >= self._end_ms and not self._truth_written:
            self._truth_written = True
            write_truth(self.world, self._end_ms / 1000.0, self._out / "truth.npz")

    def _tell(self, world_ms: int) -> None:
        done = self.world.happenings
        while self._told < len(done) and done[self._told].world_ms <= world_ms:
            self._happenings.write(json.dumps(done[self._told].as_json()) + "\n")
            self._happenings.flush()
            self._told += 1

    def close(self) -> None:
        """Write the truth of what was asked for, and let go of the files."""
        self.world.run_to(self._asked_ms / 1000.0)
        self._tell(self._asked_ms)
        write_truth(self.world, self._asked_ms / 1000.0, self._out / "truth.npz")
        self._happenings.close()
        self._clock.release()
        self._map.close()

    def answer(self, pending: bytearray) -> bytes:
        """Take whole requests off the front of ``pending`` and return their replies, one behind the other."""
        replies = []
        while len(pending) >= _REQUEST.size:
            op, select, n_write, n_read, world_ms = _REQUEST.unpack_from(pending)
            size = _REQUEST.size + n_write
            if len(pending) < size:
                break
            written = bytes(pending[_REQUEST.size : size])
            del pending[:size]
            if op == 0:
                replies.append(self.hello())
            elif op == 1:
                replies.append(self.transfer(select, written, n_read, world_ms))
            elif op == 2:
                replies.append(self.i2c(select, written, n_read, world_ms))
            elif op == 3:
                replies.append(self.lines(select, n_write, world_ms))
            else:
                raise BenchError(f"bench: a board asked for op {op}; known are 0 to 3 (board/README.md)")
        return replies[0] if len(replies) == 1 else b"".join(replies)

    def serve(self, path: Path, until_eof: IO[bytes] | None = None) -> None:
        """Listen until SIGTERM, SIGINT or the end of ``until_eof``; boards come and go, the world stays."""
        wake, waker = socket.socketpair()
        waker.setblocking(False)
        signal.set_wakeup_fd(waker.fileno())
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: None)
        path.unlink(missing_ok=True)
        with socket.socket(socket.AF_UNIX) as listener, selectors.DefaultSelector() as selector:
            listener.bind(str(path))
            listener.listen(8)
            selector.register(listener, selectors.EVENT_READ)
            selector.register(wake, selectors.EVENT_READ)
            if until_eof is not None:
                selector.register(until_eof, selectors.EVENT_READ)
            (self._out / "ready").write_text("ready\n", encoding="utf-8")
            boards: dict[socket.socket, bytearray] = {}
            while True:
                for key, _ in selector.select():
                    ready = key.fileobj
                    if ready is wake or ready is until_eof:
                        return
                    if ready is listener:
                        board = listener.accept()[0]
                        boards[board] = bytearray()
                        selector.register(board, selectors.EVENT_READ)
                        continue
                    assert isinstance(ready, socket.socket)
                    if not self._serve_board(ready, boards[ready]):
                        selector.unregister(ready)
                        del boards[ready]
                        ready.close()

    def _serve_board(self, board: socket.socket, pending: bytearray) -> bool:
        """Answer what a board has sent; False when it has gone or makes no sense."""
        try:
            received = board.recv(4096)
            pending += received
            reply = self.answer(pending)
            if reply:
                board.sendall(reply)
        except BenchError as problem:
            print(problem, file=sys.stderr)
            return False
        except OSError:
            return False
        return bool(received)


def main(arguments: list[str] | None = None) -> int:
    """Run the bench; returns the exit status."""
    parser = argparse.ArgumentParser(prog="pitscribe.simulate.bench", description="A simulated smoker with its chips.")
    parser.add_argument("--socket", type=Path, required=True)
    parser.add_argument("--scenario", default="backyard", choices=sorted(SCENES))
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--hours", type=float, default=None, help="after which the truth is written")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--until-eof", action="store_true", help="end when standard input ends: with who started it")
    given = parser.parse_args(arguments)
    scenario = SCENES[given.scenario]
    try:
        bench = Bench(scenario, given.seed, scenario.hours if given.hours is None else given.hours, given.out)
        bench.serve(given.socket, sys.stdin.buffer if given.until_eof else None)
        bench.close()
    except (PitscribeError, OSError) as problem:
        print(f"bench: {problem}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
