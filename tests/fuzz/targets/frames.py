"""Frames and journals. No frame is taken whose CRC fails, every refusal has a reason, and what is taken is read as the
plain reader of WIRE.md section 2 reads it (one in fifty, for it is slow)."""

import random
import struct
import zlib
from collections.abc import Sequence

import numpy as np
import wire_plain

from pitscribe.errors import FrameError
from pitscribe.intake.gate import Arrived, sift
from pitscribe.wire import frames as wire
from pitscribe.wire.layout import CRC_SIZE, HEADER, LONGEST, MARK, SHORTEST
from pitscribe.wire.segments import scan_segment

from . import Target, promise

LOGGER = 0x0000BEEF
TABLES = (["max31855"] * 6, ["max31856"] * 3 + ["max31855"], ["mcp9600", "none", "max31855"], ["max31855"])


def _frame(chance: np.random.Generator, sequence: int) -> bytes:
    table = [wire.Channel(chip, "K") for chip in TABLES[sequence % len(TABLES)]]
    ticks = int(chance.choice([1, 2, 32, 64, 65, 130]))
    shape = ticks, len(table)
    hot, cold = chance.integers(-3, 4, shape).cumsum(axis=0) + 400, chance.integers(-1, 2, shape).cumsum(axis=0) + 350
    missed = [3] if ticks > 4 and sequence % 3 == 0 else []
    rows = ticks - len(missed)
    fault = np.zeros((rows, len(table)), np.int32)
    key = wire.FrameKey(LOGGER, 7, sequence)
    return wire.encode_ticks(key, 32_000 * sequence, 1000, table, hot[:rows], cold[:rows], fault, missed)


def examples() -> list[bytes]:
    """Sound frames of several shapes, ticks and events."""
    chance = np.random.default_rng(20261126)
    ticks = [_frame(chance, sequence) for sequence in range(24)]
    said = ({"utc": 1_800_000_000_000, "err": 20, "src": "host"}, {"kind": "wrap", "text": "é \" \\ <b>"}, {})
    names = ("anchor", "note", "boot")
    events = [wire.encode_event(wire.FrameKey(LOGGER, 7, 100 + i), 5000, names[i], fields)
              for i, fields in enumerate(said)]
    return ticks + events


def resealed(frame: bytes) -> bytes:
    """The same with its mark, its length and its CRC made right, so that what lies behind these is reached."""
    body = bytearray(frame[: LONGEST - CRC_SIZE].ljust(HEADER, b"\1"))
    if len(frame) >= SHORTEST:
        del body[len(frame) - CRC_SIZE :]
    body[0] = MARK
    body[2:4] = (len(body) + CRC_SIZE).to_bytes(2, "little")
    return bytes(body) + zlib.crc32(body).to_bytes(CRC_SIZE, "little")


def read_frames(inputs: Sequence[bytes]) -> None:
    """Each as it is, and sealed anew."""
    given = [*inputs, *map(resealed, inputs)]
    found = wire.check_many(given)
    promise(len(found) == len(given), "one answer a frame")
    taken = []
    for frame, one in zip(given, found, strict=True):
        if isinstance(one, FrameError):
            promise(bool(one.reason and str(one)), "a refusal has a reason")
            continue
        promise(zlib.crc32(frame[:-4]) == int.from_bytes(frame[-4:], "little"), "the CRC of what is taken agrees")
        promise(int.from_bytes(frame[2:4], "little") == len(frame), "and so does its length")
        taken.append((one, frame))
    _decode(taken)


def _decode(taken: Sequence[tuple[wire.Head, bytes]]) -> None:
    for head, frame in taken:
        if head.kind == wire.EVENT:
            promise(isinstance(wire.decode_event(frame).name, str), "an event has a name")
    ticks = [frame for head, frame in taken if head.kind == wire.TICKS]
    runs = wire.decode_ticks(ticks)
    promise(sum(run.hot.shape[0] for run in runs) <= 255 * len(ticks), "at most 255 ticks a frame")
    for frame in ticks:
        if zlib.crc32(frame[:-4]) % 50 == 0:
            _as_plainly(frame)


def _as_plainly(frame: bytes) -> None:
    *_, hot, cold, fault = wire_plain.read_body(frame[HEADER:-4])
    [run] = wire.decode_ticks([frame])
    for mine, plain in ((run.hot, hot), (run.cold, cold), (run.fault, fault)):
        promise(mine.tolist() == plain, "the codes are those of the plain reader")


def sift_frames(inputs: Sequence[bytes]) -> None:
    """The gate, as frames come from the broker and from files: nothing raises, nothing vanishes."""
    for logger in (LOGGER, None):
        sifted = sift([Arrived(data, "fuzz", logger) for data in inputs])
        kept = len(sifted.good) + len(sifted.held) + len(sifted.refused)
        promise(kept == len(inputs), "each is good, held or refused")
        promise(all(one.reason for one in (*sifted.held, *sifted.refused)), "with a reason")
        promise(not any(one.reason == "fault" for one in (*sifted.held, *sifted.refused)), "no fault of ours is met")


def scan_journals(inputs: Sequence[bytes]) -> None:
    """What a scan finds, and what it calls damaged, is all there is and overlaps nowhere."""
    for data in inputs:
        whole, damaged = scan_segment(data)
        sizes = sum(map(len, whole)) + sum(length for _, length in damaged)
        promise(sizes <= len(data), "no byte is taken twice")
        promise((len(data) - sizes) % 16 == 0, "what is neither is headers of 16 bytes")
        promise(all(zlib.crc32(frame[:-4]) == int.from_bytes(frame[-4:], "little") for frame in whole), "CRCs agree")


def journals() -> list[bytes]:
    frames, chance = examples(), random.Random(5)
    head = struct.pack("<4sII", b"PSJ1", LOGGER, 0)
    header = head + zlib.crc32(head).to_bytes(4, "little")
    return [header + b"".join(frames[i] for i in sorted(chance.sample(range(len(frames)), n))) for n in (0, 1, 5)]


TARGETS = (
    Target("frames", read_frames, examples(), batch=128),
    Target("gate", sift_frames, examples(), batch=64),
    Target("journals", scan_journals, journals()),
)
