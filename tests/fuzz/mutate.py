"""Sound inputs made unsound, by a seeded generator."""

import random
from collections.abc import Sequence

# Bytes and numbers that programs stumble over: ends of ranges, signs, what opens and closes things.
_ODD = (
    b"\0", b"\x7f", b"\x80", b"\xff", b"\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\xff", b"\n", b"\r\n", b'"', b"\\", b"{",
    b"}", b"[", b"]", b",", b":", b"~", b"/", b"..", b"%00", b"-1", b"1e999", b"-0", b"NaN", b"null", b"true",
    b"99999999999999999999", "é".encode(), "\U0001f525".encode(), b"\xed\xa0\x80", b"=1+1", b"<b>",
)


def mutant(examples: Sequence[bytes], chance: random.Random) -> bytes:
    """One of ``examples`` with one to eight things done to it; now and then something of any length from nowhere."""
    if chance.random() < 0.02:
        return chance.randbytes(chance.choice((0, 1, 3, 24, 100, 5000)))
    data = bytearray(chance.choice(examples))
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        _change(data, examples, chance)
    return bytes(data)


def _change(data: bytearray, examples: Sequence[bytes], chance: random.Random) -> None:
    at = chance.randrange(len(data) + 1)
    what = chance.randrange(8)
    if what == 0 and at < len(data):
        data[at] ^= 1 << chance.randrange(8)
    elif what == 1 and at < len(data):
        data[at] = chance.randrange(256)
    elif what == 2:
        data[at:at] = chance.choice(_ODD)
    elif what == 3:
        odd = chance.choice(_ODD)
        data[at : at + len(odd)] = odd
    elif what == 4:
        del data[at : at + chance.choice((1, 1, 2, 8, 64))]
    elif what == 5:
        data[at:at] = data[at : at + chance.choice((1, 4, 32))] * chance.choice((1, 2, 20))
    elif what == 6:
        other = chance.choice(examples)
        data[at:] = other[chance.randrange(len(other) + 1) :]
    elif what == 7:
        del data[at:]
