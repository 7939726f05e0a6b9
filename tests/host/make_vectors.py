"""Make the golden vectors of firmware_mpy/vectors: `python tests/host/make_vectors.py`.

They are made once and committed; test_wire_vectors.py says whether this script still makes the same, and whether the
decoder reads them. The first one is not made here but worked out by hand: see the README beside them.
"""

import binascii
import json
from pathlib import Path
from typing import Any

import numpy as np

from pitscribe.wire import mac
from pitscribe.wire.encode import Picker, shortest, tick_body
from pitscribe.wire.frames import EVENT, TICKS, Channel, FrameKey, encode_event, seal
from pitscribe.wire.layout import channel_code
from pitscribe.wire.rice import ALL_ZERO, PAIRS, PLAIN

FOLDER = Path(__file__).parents[2] / "firmware_mpy" / "vectors"
BY_HAND = "c1012400785634120100000000008813 00000000 e803030113 6d84d20f1941bc 31479dfa"
LOGGER = 0xC0FFEE01
K55, T55 = Channel("max31855", "K"), Channel("max31855", "T")
LIN, GAIN8, GAIN32 = Channel("max31856", "K"), Channel("max31856-gain8", "T"), Channel("max31856-gain32", "K")
T96, ADC96 = Channel("mcp9600", "K"), Channel("mcp9600-adc", "T")
NONE = Channel("none", "B")
Json = dict[str, Any]


def entry(name, hot, cold=None, fault=None, *, table=(K55,), missed=(), key=None, up=0, period=1000, pick=None) -> Json:
    """Return one vector of a tick frame; ``hot`` is by tick and channel, and so are the others (zeros if left out)."""
    hot = np.asarray(hot, np.int64)
    cold, fault = (np.zeros_like(hot) if part is None else np.asarray(part) for part in (cold, fault))
    key = key or FrameKey(LOGGER, 3, binascii.crc32(name.encode()))
    frame = seal(TICKS, key, up, tick_body(period, table, hot, cold, fault, missed, pick))
    return {
        "name": name,
        "hex": frame.hex(),
        "says": {
            **dict(zip(("logger", "boot", "sequence"), key, strict=True)),
            "uptime_ms": up,
            "period_ms": period,
            "table": [channel_code(one) for one in table],
            "missed": list(missed),
            "hot": hot.tolist(),
            "cold": cold.tolist(),
            "fault": fault.tolist(),
        },
        "shortest": pick is None,
    }


def always(form: int, *, mean: bool = False, head: int | None = None) -> Picker:
    """Return what picks this form for every block, heads (in which there is no mean) with ``head`` if it is given."""

    def pick(_: list[int], strays: list[int] | None, width: int) -> tuple[bool, int]:
        if strays is None:
            return False, form if head is None else head
        return mean, form

    return pick


def by_hand() -> Json:
    """Return the vector that the README works out bit by bit."""
    says = {"logger": 0x12345678, "boot": 1, "sequence": 0, "uptime_ms": 5000, "period_ms": 1000, "table": [0x13]}
    says |= {"missed": [], "hot": [[88], [89], [87]], "cold": [[400], [400], [401]], "fault": [[0], [0], [0]]}
    return {"name": "by hand", "hex": BY_HAND.replace(" ", ""), "says": says, "shortest": True}


def walk(rng: np.random.Generator, ticks: int, steps: list[int], first: list[int]) -> np.ndarray:
    """Return random walks, one a column, with steps up to so many codes."""
    return np.array(first) + np.stack([rng.integers(-s, s + 1, ticks) for s in steps], 1).cumsum(axis=0)


def ticks() -> list[Json]:
    """Return the tick frames that are sound."""
    rng = np.random.default_rng(855)
    mixed = (K55, NONE, LIN, GAIN8, T55, GAIN32, NONE, Channel("max31856", "S"))
    far, near = 2**18 - 1, -(2**18)
    hot8 = walk(rng, 40, [2, 0, 60, 900, 3, 4000, 0, 12], [430, 0, 13800, 41000, 380, 150000, 0, 13000])
    cold8 = walk(rng, 40, [1, 0, 3, 3, 1, 2, 0, 2], [400, 0, 1600, 1590, 398, 1610, 0, 1605])
    fault8 = np.zeros_like(hot8)
    fault8[20:, 4], fault8[7, 2], fault8[30:33, 7] = 0x0001, 0x0200, 0x0100
    out = [
        by_hand(),
        entry("one tick", [[-73]], [[-12]], [[0x0201]]),
        entry("one tick, eight channels", hot8[:1], cold8[:1], fault8[:1], table=mixed),
        entry("all constant", np.full((32, 2), 420), np.full((32, 2), 391), table=(K55, T55), up=2**40 + 17),
        entry("zeros", np.zeros((32, 1), int)),
        entry("missed ticks", walk(rng, 29, [3], [400]), walk(rng, 29, [1], [400]), missed=(1, 8, 31), up=123456),
        entry("only tick 0 not missed", [[5]], missed=(1, 2, 3), period=250),
        entry("a stretch of 64 exactly", walk(rng, 64, [9], [0])),
        entry("a stretch of 64 and one more tick", walk(rng, 65, [9], [0])),
        entry("two stretches, two channels, missed ticks in both", walk(rng, 128, [2, 30], [1700, 13000]),
              walk(rng, 128, [1, 2], [400, 1600]), table=(K55, LIN), missed=(3, 70, 71, 129)),
        entry("escapes", [[8191], [-8192], [8191], [0], [0], [-8192]], pick=always(0)),
        entry("escapes of 24 bits", [[far], [near], [far], [0], [1], [near]], table=(GAIN32,), pick=always(2)),
        entry("wrap of 16 bits", [[0]] * 3, [[32767], [-32768], [32767]], [[-32768], [32767], [0]]),
        entry("wrap of 24 bits", [[2**23 - 1], [-(2**23)], [2**23 - 1]], table=(LIN,)),
        entry("negative codes", walk(rng, 32, [40], [-5000]), walk(rng, 32, [1], [-200]), table=(LIN,)),
        entry("mixed chips with gaps", hot8, cold8, fault8, table=mixed, missed=(4,), up=2**48 - 1, period=60000),
        entry("255 ticks", walk(rng, 255, [2, 5], [500, 9]), walk(rng, 255, [1, 0], [400, 3]), table=(K55, LIN)),
        entry("255 ticks, half of them missed", walk(rng, 128, [2], [500]), missed=tuple(range(1, 255, 2))),
        entry("every chip and type", [[n + 1 for n in range(8)]] * 2, table=tuple(
            Channel(chip, tc) for chip, tc in zip(("max31855", "max31856") * 4, "BEJKNRST", strict=True))),
        entry("greatest key", [[1], [2]], key=FrameKey(2**32 - 1, 2**16 - 1, 2**32 - 1), up=1),
    ]
    for k in range(12):
        hot = walk(rng, 12, [1 << k], [1000])
        out.append(entry(f"parameter {k}", hot, table=(GAIN8,), pick=always(k)))
    out.append(entry("fully written zeros", [[0]] * 5, pick=always(0)))
    noise = np.array([1715, 400]) + np.rint(rng.normal(0, 0.5, (70, 2))).astype(int)
    slow = np.array([13800, 1600]) + np.rint(rng.normal(0, [9, 2], (90, 2)) + np.arange(90)[:, None]).astype(int)
    out += [
        entry("noise about a level: from the mean, in pairs", noise[:, :1], noise[:, 1:]),
        entry("noise about a slope", slow[:, :1], slow[:, 1:], table=(LIN,)),
        entry("wild: as they are", rng.integers(near, far, (70, 2)), rng.integers(-2048, 2048, (70, 2)),
              table=(LIN, GAIN8)),
        entry("pairs, the last one alone, and long ones", [[0], [1], [0], [900], [3], [2], [2]], pick=always(PAIRS)),
        entry("from the mean, as they are, at the ends of 24 bits", [[2**23 - 1], [-(2**23)]] * 4, table=(LIN,),
              pick=always(PLAIN, mean=True)),
        entry("all at the mean", [[5], [5], [5], [5], [5], [5]], pick=always(ALL_ZERO, mean=True, head=3)),
    ]
    out.append(entry("no channel has a chip", [[0]] * 2, table=(NONE,)))
    both = walk(rng, 40, [2, 5], [1715, 1700]), walk(rng, 40, [1, 1], [400, 401])
    fault = np.zeros((40, 2), int)
    fault[12, 0], fault[20:23, 1] = 0x20, 0x11
    out.append(entry("MCP9600, temperature and raw ADC", *both, fault, table=(T96, ADC96)))
    # A temperature's code goes round at 16 bits; the ADC's reaches both its ends without.
    wild = [[32767, 131071], [-32768, -131072], [32767, 131071]]
    out.append(entry("MCP9600 at its ends", wild, table=(T96, ADC96)))
    return out


def events() -> list[Json]:
    """Return the event frames that are sound."""
    said: list[tuple[str, Json]] = [
        ("boot", {"firmware": "0.1.0", "cause": "watchdog", "name": "pit"}),
        ("boot", {"firmware": "0.1.0", "cause": "power", "name": "Räucherofen 熏 🔥"}),
        ("anchor", {"utc_ms": 1794052800123, "err_ms": 41, "from": "host"}),
        ("something later", {"deep": {"list": [1, -2.5, None, True, "\u0000"]}}),
    ]
    out = []
    for place, (name, fields) in enumerate(said):
        key = FrameKey(LOGGER, 4, 1000 + place)
        frame = encode_event(key, 5000 + place, name, fields)
        says = {**dict(zip(("logger", "boot", "sequence"), key, strict=True)), "uptime_ms": 5000 + place}
        out.append({"name": f"event {place}", "hex": frame.hex(), "says": says | {"event": name, "fields": fields}})
    return out


def resealed(frame: bytes, at: int, value: int) -> bytes:
    """Return the frame with another byte at ``at`` and the CRC made anew: nonsense in a sound envelope."""
    body = bytearray(frame[:-4])
    body[at] = value
    return bytes(body) + binascii.crc32(body).to_bytes(4, "little")


def with_body(body: bytes, kind: int = TICKS) -> bytes:
    """Return a frame around any body."""
    return seal(kind, FrameKey(LOGGER, 5, 9), 777, body)


def stream(bits: str, *, ticks: int = 3) -> bytes:
    """Return a frame of one MAX31855 and ``ticks`` ticks whose columns are these bits."""
    bits = bits.replace(" ", "")
    bits += "0" * (-len(bits) % 8)
    return with_body(bytes([0xE8, 3, ticks, 1, 0x12]) + int(bits, 2).to_bytes(len(bits) // 8, "big"))


def broken() -> list[Json]:
    """Return bytes that are no sound frame, each with the reason to be given."""
    good = bytes.fromhex(BY_HAND)
    event = bytes.fromhex(events()[0]["hex"])
    missed = bytes.fromhex(entry("missed", [[1], [2], [3]], missed=(2,))["hex"])
    flips = [(1, 0x02), (2, 0x04), (5, 0x80), (9, 0x01), (13, 0x10), (19, 0x40), (26, 0x04), (31, 0x01), (35, 0x80)]
    cases: list[tuple[str, bytes, str]] = [
        ("nothing", b"", "short"),
        ("23 bytes", good[:23], "short"),
        ("one byte short", good[:-1], "short"),
        ("one byte more", good + b"\0", "length"),
        ("two frames in one", good + good, "length"),
        ("a later format", resealed(good, 0, 0xC2), "mark"),
        ("foreign", b'{"temperature": 21.5, "unit": "C"}', "mark"),
        ("length 23", resealed(good, 2, 23), "length"),
        ("length 4097", resealed(resealed(good, 2, 1), 3, 16), "length"),
        ("a later kind", resealed(good, 1, 3), "kind"),
        ("kind 0", resealed(good, 1, 0), "kind"),
        *[(f"bit flipped in byte {at}", good[:at] + bytes([good[at] ^ bit]) + good[at + 1 :],
           "length" if at == 2 else "crc") for at, bit in flips],
        ("body of nothing", with_body(b""), "body"),
        ("ends in the channel table", with_body(bytes([0xE8, 3, 3, 8, 0x12])), "body"),
        ("ends in the bitmap", with_body(bytes([0xE8, 3, 255, 0x81, 0x12, 0, 0])), "body"),
        ("period 249", resealed(resealed(good, 20, 249), 21, 0), "body"),
        ("period 60001", resealed(resealed(good, 20, 0x61), 21, 0xEA), "body"),
        ("no ticks", resealed(good, 22, 0), "body"),
        ("no entries", resealed(good, 23, 0), "body"),
        ("nine entries", resealed(good, 23, 9), "body"),
        ("reserved bit of shape", resealed(good, 23, 0x11), "body"),
        ("chip 7", resealed(good, 24, 0x72), "body"),
        ("thermocouple 8", resealed(good, 24, 0x18), "body"),
        ("no chip, but thermocouple 15", resealed(good, 24, 0x0F), "body"),
        ("tick 0 missed", resealed(missed, len(missed) - 5, 0x80), "body"),  # as many as before: the columns fit
        ("a tick missed that there is not", resealed(missed, len(missed) - 5, 0x28), "body"),
        ("mean before a mean", stream("1111 1111 1111 1100 1100 1111 1111 1111"), "body"),
        ("mean in a head", stream("1100 1111 1111 1111 1111 1111 1111"), "body"),
        ("cut off in a pair", stream("1111 1111 1111 1111 1111 1101 111111111111 0000"), "body"),
        ("cut off in plain numbers", stream("1111 1111 1111 1111 1111 1110 0000 0000"), "body"),
        ("padding not zero", stream("1111 1111 1111 0000 00 1111 1111 01"), "body"),
        ("a byte of padding too many", stream("1111 1111 1111 1111 1111 1111 0000 0000"), "body"),
        ("columns cut off", stream("1111 1111 1111 0111"), "body"),
        ("cut off in an escape", stream("1111 1111 1111 1111 1111 0000 0 111111111111 0000"), "body"),
        ("all ones", with_body(bytes([0xE8, 3, 255, 8] + [0x42] * 8) + b"\xff" * 4060), "body"),
        ("all zeros", with_body(bytes([0xE8, 3, 255, 8] + [0x42] * 8) + bytes(4060)), "body"),
        ("event, not UTF-8", with_body(b'{"event":"\xff"}', EVENT), "body"),
        ("event, not JSON", with_body(b'{"event":"boot"', EVENT), "body"),
        ("event, two objects", with_body(b'{"event":"boot"}{}', EVENT), "body"),
        ("event, a list", with_body(b'["event"]', EVENT), "body"),
        ("event without its name", with_body(b'{"name":"boot"}', EVENT), "body"),
        ("event, name a number", with_body(b'{"event":1}', EVENT), "body"),
        ("event, NaN", with_body(b'{"event":"a","x":NaN}', EVENT), "body"),
        ("event, nested 300 deep", with_body(b'{"event":' + b"[" * 300, EVENT), "body"),
        ("event, 481 bytes", with_body(b'{"event":"' + b"a" * 469 + b'"}', EVENT), "body"),
        ("event cut off", event[:-7], "short"),
    ]
    return [{"name": name, "hex": data.hex(), "reason": reason} for name, data, reason in cases]


def segments() -> list[Json]:
    """Return journal segments: what they hold, and which stretches (offset, length) of them are not frames."""
    frames = [bytes.fromhex(one["hex"]) for one in (*ticks()[:4], *events()[:2])]
    head = b"PSJ1" + LOGGER.to_bytes(4, "little") + (7).to_bytes(4, "little")
    head += binascii.crc32(head).to_bytes(4, "little")
    whole = head + b"".join(frames)
    spans, at = [], len(head)
    for frame in frames:
        spans.append((at, len(frame)))
        at += len(frame)
    middle = bytearray(whole)
    middle[spans[2][0] + 30] ^= 0x10
    hurt = bytearray(whole)
    hurt[5] ^= 1
    torn_at, torn_size = spans[5]
    gap = whole[: spans[1][0]] + b"\xc1\x01\xff\x0f\xc1" + whole[spans[1][0] :]
    cases = [
        ("good", whole, range(6), []),
        ("only the header", head, [], []),
        ("nothing", b"", [], []),
        ("torn tail", whole[:-9], range(5), [(torn_at, torn_size - 9)]),
        ("torn in the header", head[:9], [], [(0, 9)]),
        ("damaged middle", bytes(middle), [0, 1, 3, 4, 5], [spans[2]]),
        ("damaged header", bytes(hurt), range(6), [(0, 16)]),
        ("erased flash behind", whole + b"\xff" * 50, range(6), [(len(whole), 50)]),
        ("marks that are none", gap, range(6), [(spans[1][0], 5)]),
    ]
    return [
        {"name": name, "hex": bytes(data).hex(), "frames": [frames[n].hex() for n in good], "damaged": bad}
        for name, data, good, bad in cases
    ]


def auth() -> list[Json]:
    """Return messages with their authentication codes: what is hashed, and what comes of it."""
    said: list[tuple[str, str, str, Json]] = [
        ("one range", "correct horse battery", "stored", {"stored": [[7, 10, 20]]}),
        ("two ranges, the later first", "correct horse battery", "stored", {"stored": [[7, 22, 22], [6, 0, 99999]]}),
        ("a host that begins to listen", "correct horse battery", "stored", {"stored": []}),
        ("time", "correct horse battery", "order",
         {"order": "time", "boot": 7, "re_up": 281474976710655, "utc_ms": 1794052800123, "err_ms": 41}),
        ("members in another order", "correct horse battery", "order",
         {"utc_ms": 1794052800123, "err_ms": 41, "re_up": 281474976710655, "order": "time", "boot": 7}),
        ("a text that is no number", "correct horse battery", "order", {"order": "later", "a": "5", "b": -5}),
        ("texts outside ASCII", "Räucherofen 熏 🔥 ok", "order", {"order": "später", "ä": "glüht", "z": ""}),
        ("a secret as long as a block", "k" * 64, "stored", {"stored": [[0, 0, 0]]}),
        ("a secret longer than a block", "ü" * 64, "stored", {"stored": [[65535, 1, 2]]}),
    ]
    out = []
    for name, secret, word, body in said:
        topic = f"pitscribe/1/{LOGGER:08x}/{word}"
        text = mac.meaning(topic, body).decode()
        out.append({"name": name, "secret": secret, "topic": topic, "message": {"v": 1} | body, "hashed": text,
                    "mac": mac.mac_of(secret, topic, body)})
    return out


def files() -> dict[str, str]:
    """Return the text of each file by name."""
    made = {"ticks.json": ticks(), "events.json": events(), "broken.json": broken(), "segments.json": segments(),
            "auth.json": auth()}
    return {
        name: "[\n" + ",\n".join(json.dumps(one, ensure_ascii=False) for one in vectors) + "\n]\n"
        for name, vectors in made.items()
    }


if __name__ == "__main__":
    assert shortest([2, 3], None, 16) == (False, 1)  # what the by-hand vector takes for granted
    for name, text in files().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
