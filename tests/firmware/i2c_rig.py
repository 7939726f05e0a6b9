"""A bench for what is on I2C: the bus of the simulated board (simulate/chips_i2c.py) and chips that say what a test
tells them to, behind the protocol of simulate/board/README.md."""

import contextlib
import socket
import struct
import threading
from pathlib import Path

from pitscribe.simulate.bath import Bath, BathScenario, Dip
from pitscribe.simulate.bench import Bench

TABLE_STATUS, SENSOR, DEVICE, IDENTITY = 0x04, 0x05, 0x06, 0x20


class RegisterMap:
    """An MCP9600's registers, each the bytes that a test put there; ``log`` has every write."""

    def __init__(self, model: int = 0x40) -> None:
        self.registers = {0x00: b"\x01\x90", 0x02: b"\x01\x90", 0x03: b"\x00\x01\xf4", SENSOR: b"\x00", DEVICE: b"\x00",
                          TABLE_STATUS: b"\x40", IDENTITY: bytes([model, 0x10])}
        self.log: list[bytes] = []
        self.steps: list[dict[int, bytes]] = []  # put in before each read of the status
        self.there = True
        self.keeps_flag = False  # the update flag is up again after every clear

    def transfer(self, written: bytes, n_read: int, _world_ms: int) -> tuple[int, int, bytes]:
        if not self.there or not written:
            return 1, 0, b"\xff" * n_read
        register = written[0]
        if len(written) > 1:
            self.log.append(bytes(written))
            self.registers[register] = bytes(written[1:])
        if n_read and register == TABLE_STATUS and self.steps:
            self.registers.update(self.steps.pop(0))
        return 0, 0, self.registers[register][:n_read].ljust(n_read, b"\xff")

    def holds_line(self, _world_ms: int) -> None:
        return None


class RunningBench:
    """A bench of baths in a thread of the test; ``bench.world.wiring`` is what is wired to it."""

    def __init__(self, folder: Path, scenario: BathScenario, seed: int = 5) -> None:
        self.bench = Bench(scenario, seed, scenario.hours, folder / "bench")
        self.wiring = self.bench.world.wiring
        self.path = str(folder / "b.sock")
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(self.path)
        self._listener.listen(2)
        self.requests: list[tuple[int, int]] = []  # op, select
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                board, _ = self._listener.accept()
            except OSError:
                return
            with board, contextlib.suppress(ConnectionError):  # a board whose power is cut
                self._answer(board)

    def _answer(self, board: socket.socket) -> None:
        pending = bytearray()
        while received := board.recv(4096):
            pending += received
            if len(pending) >= 12:
                self.requests.append(struct.unpack_from("<BB", pending))
            if reply := self.bench.answer(pending):
                board.sendall(reply)

    def close(self) -> None:
        """Stop listening."""
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(5)


def block(*dips: Dip, faults: tuple = (), celsius: float = 93.3, errors: bool = False) -> BathScenario:
    """Chips without errors, unless asked for, with their probes in one warm block."""
    return BathScenario("block", "one block", 1.0, dips, {"block": Bath(((0.0, celsius),))}, ((0.0, 25.0),),
                        terminal_s=0.0, drawn_errors=errors, faults=faults)


def dip(channel: int, chip: str = "mcp9600", tc: str = "K", **where: int) -> Dip:
    """A probe in the block from the beginning on."""
    return Dip(channel, chip, tc, where.pop("cs", 0), f"place {channel}", ((0.0, "block"),), tau_s=0.1, **where)
