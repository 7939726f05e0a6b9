"""Names, NTP and Wi-Fi on MicroPython, against servers made here; the packets by RFC 1035 and RFC 5905."""

import itertools
import json
import socket
import struct
import threading

import pytest
from firmware_rig import Worker, run
from hypothesis import given, settings
from hypothesis import strategies as st


class UdpServer:
    """Answers each datagram with what ``reply`` makes of it (None: nothing), until it is closed."""

    def __init__(self, reply):
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        self.asked = []
        self._reply = reply
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                data, where = self.socket.recvfrom(2000)
            except OSError:
                return
            if data == b"end":
                return
            self.asked.append(data)
            reply = self._reply(data)
            for one in reply if isinstance(reply, list) else [reply]:
                if one is not None:
                    self.socket.sendto(one, where)

    def close(self):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
            s.sendto(b"end", ("127.0.0.1", self.port))


def a_record(query, address, *, alias=False, rcode=0, ident=None):
    """An answer as RFC 1035 section 4 has it, with a pointer to the name in the question; perhaps behind an alias."""
    answers = b""
    count = 0
    if alias:
        answers += b"\xc0\x0c" + struct.pack(">HHIH", 5, 1, 60, 6) + b"\x03box\xc0\x0c"
        count += 1
    if address:
        name = b"\x03box\xc0\x0c" if alias else b"\xc0\x0c"
        answers += name + struct.pack(">HHIH", 1, 1, 60, 4) + socket.inet_aton(address)
        count += 1
    return (ident or query[:2]) + struct.pack(">HHHHH", 0x8180 | rcode, 1, count, 0, 0) + query[12:] + answers


@pytest.fixture
def servers():
    made = []

    def make(reply):
        made.append(UdpServer(reply))
        return made[-1]

    yield make
    for one in made:
        one.close()


LOOK_UP = """
import asyncio, time
from pitlogger.dns import Resolver
async def go():
    for name in %r:
        try:
            print(await Resolver(lambda: %r, time, "addresses.json").address(name, True))
        except OSError as error:
            print(error)
asyncio.run(go())
"""


def look_up(flash, server, *names):
    return run(LOOK_UP % (list(names), server), flash).splitlines()


@pytest.mark.parametrize("alias", [False, True])
def test_name_is_looked_up_and_its_last_address_serves_when_the_name_server_is_gone(flash, servers, alias):
    server = servers(lambda q: a_record(q, "10.1.2.3", alias=alias))
    assert look_up(flash, f"127.0.0.1:{server.port}", "broker.test") == ["10.1.2.3"]
    query = server.asked[0]
    assert query[2:] == b"\x01\x00\x00\x01" + bytes(6) + b"\x06broker\x04test\x00\x00\x01\x00\x01"
    assert json.loads((flash / "addresses.json").read_text()) == {"broker.test": "10.1.2.3"}
    # Refused (nobody listens), no such name, no server at all: the last one is what there is.
    gone = servers(lambda q: a_record(q, None, rcode=3))
    for where in ("127.0.0.1:9", f"127.0.0.1:{gone.port}", None):
        assert look_up(flash, where, "broker.test", "other.test") == ["10.1.2.3", "no address for other.test"]


def test_answers_that_are_none_are_passed_over(flash, servers):
    def reply(query):
        other = query.replace(b"\x06broker", b"\x06brokes")
        return [b"", query, a_record(query, "6.6.6.6", ident=b"xx" if query[:2] != b"xx" else b"yy"),
                a_record(other, "6.6.6.6", ident=query[:2]), a_record(query, "10.0.0.9")[:-3],
                a_record(query, "10.0.0.9")]

    server = servers(reply)
    assert look_up(flash, f"127.0.0.1:{server.port}", "broker.test") == ["10.0.0.9"]


def test_of_several_addresses_the_one_that_served_before_stays(flash, servers):
    (flash / "addresses.json").write_text('{"broker.test": "10.0.0.2"}')

    def reply(query):
        one = a_record(query, "10.0.0.1")
        return one[:6] + b"\x00\x02" + one[8:] + one[-16:-4] + socket.inet_aton("10.0.0.2")

    assert look_up(flash, f"127.0.0.1:{servers(reply).port}", "broker.test") == ["10.0.0.2"]


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    worker = Worker(
        """
from binascii import unhexlify
from pitlogger import dns, ntp, secure
def answer(question):
    what, *rest = question
    if what == "dns":
        return dns._answers(unhexlify(rest[0]), unhexlify(rest[1]))
    if what == "not_before":
        return secure.not_before(unhexlify(rest[0]))
    return ntp.answer(unhexlify(rest[0]), unhexlify(rest[1]), rest[2], rest[3])
""",
        tmp_path_factory.mktemp("worker"),
    )
    yield worker
    worker.close()


@settings(deadline=None, max_examples=150)
@given(data=st.data())
def test_no_reply_whatever_is_more_than_no_answer(board, data):
    query = b"ab" + b"\x01\x00\x00\x01" + bytes(6) + b"\x06broker\x04test\x00\x00\x01\x00\x01"
    good = bytearray(a_record(query, "10.1.2.3", alias=data.draw(st.booleans())))
    for _ in range(data.draw(st.integers(0, 4))):
        good[data.draw(st.integers(0, len(good) - 1))] = data.draw(st.integers(0, 255))
    reply = bytes(good[: data.draw(st.integers(0, len(good)))])
    found = board.ask(["dns", query.hex(), reply.hex()])
    assert found is None or all(socket.inet_aton(one) for one in found)


# -- NTP ---------------------------------------------------------------------------------------------------------------

COOKIE = bytes(range(1, 9))
UTC_MS = 1_794_052_800_250


def stamp(utc_ms):
    """64-bit NTP time (RFC 5905 section 6), rounded up so that the ms come back."""
    seconds, ms = divmod(utc_ms, 1000)
    return struct.pack(">II", (seconds + 2_208_988_800) & 0xFFFFFFFF, -(-(ms << 32) // 1000))


def reply(first=0x24, stratum=2, delay=0, dispersion=0, cookie=COOKIE, came=UTC_MS, went=None, reference=b"\x7f\0\0\1"):
    head = struct.pack(">BBbbII", first, stratum, 6, -20, delay, dispersion)
    return head + reference + bytes(8) + cookie + stamp(came) + stamp(went or came)


def asked(board, packet, sent=1000, received=1100):
    return board.ask(["ntp", packet.hex(), COOKIE.hex(), sent, received])


def test_anchor_is_the_servers_time_at_the_middle_with_half_the_way_and_root_distance_as_error(board):
    """RFC 5905 section 11.1: root distance = (root delay + delay) / 2 + root dispersion."""
    found = asked(board, reply(delay=0x8000, dispersion=0x1000, went=UTC_MS + 20))  # 0.5 s, 0.0625 s
    # (100 - 20) / 2 + 250 + 62.5, rounded up, and 2 ms of our own
    assert found == {"up": 1050, "utc_ms": UTC_MS + 10, "err_ms": 40 + 313 + 2, "from": "ntp"}


NO_USE = {
    "cut off": reply()[:47],
    "of another question": reply(cookie=bytes(8)),
    "of a client": reply(first=0x23),
    "of version 2": reply(first=0x14),
    "with its warning up": reply(first=0xE4),
    "of stratum 16": reply(stratum=16),
    "of 2024": reply(came=1_720_000_000_000),
    "that went before it came": reply(went=UTC_MS - 5),
    "held longer than the way took": reply(went=UTC_MS + 150),
    "of a server that is lost": reply(dispersion=10 << 16),
    "without a time": reply()[:40] + bytes(8),
}


@pytest.mark.parametrize("name", NO_USE)
def test_answer_that_is_of_no_use_is_left_alone(board, name):
    assert asked(board, NO_USE[name]) is None


def test_era_that_begins_in_2036_is_known(board):
    assert asked(board, reply(came=2_100_000_000_000))["utc_ms"] == 2_100_000_000_000


def test_kiss_of_death_is_told_by_its_code(board):
    assert asked(board, reply(first=0xE4, stratum=0, reference=b"RATE"))["error"].endswith("NTP: RATE")


@settings(deadline=None, max_examples=80)
@given(
    sent=st.integers(0, 2**40), out=st.integers(0, 2000), held=st.integers(0, 500), back=st.integers(0, 2000),
    utc0=st.integers(1_740_000_000_000, 2_600_000_000_000),
)
def test_error_holds_the_truth_however_lopsided_the_way(board, sent, out, held, back, utc0):
    came = utc0 + sent + out
    found = asked(board, reply(came=came, went=came + held), sent, sent + out + held + back)
    assert abs(found["utc_ms"] - utc0 - found["up"]) <= found["err_ms"] <= (out + back) // 2 + 5


NTP = """
import asyncio, json, time
from pitlogger.dns import Resolver
from pitlogger.ntp import Ntp
from pitlogger.timebase import Uptime
class Wifi:
    up = asyncio.Event()
Wifi.up.set()
got = []
async def find(name):
    return name
async def go():
    ntp = Ntp("127.0.0.1:%d", find, Wifi, Uptime(time), time, got.append)
    task = asyncio.create_task(ntp.run())
    await asyncio.sleep_ms(%d)
    print(json.dumps([got, task.done(), ntp.trouble]))
asyncio.run(go())
"""


def test_server_is_asked_once_an_hour_and_never_again_after_a_refusal(flash, servers):
    """At 4000 times, where an answer takes about a second: an hour is 0.9 s."""
    server = servers(lambda q: reply(cookie=q[40:48]))
    out = run(NTP % (server.port, 3_600_000 + 900_000), flash, shims=True, PITSCRIBE_SPEED="4000")
    anchors, done, _ = json.loads(out)
    assert 1 <= len(anchors) <= 2 <= len(server.asked) <= 6, "one that is slow is not used, and asked for again"
    assert not done
    assert all(b["up"] - a["up"] >= 3_600_000 for a, b in itertools.pairwise(anchors))
    assert server.asked[0][:40] == b"\x23" + bytes(39)
    assert len({q[40:] for q in server.asked}) == len(server.asked)
    deny = servers(lambda q: reply(first=0xE4, stratum=0, cookie=q[40:48], reference=b"DENY"))
    out = run(NTP % (deny.port, 12 * 3_600_000), flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="500")
    assert json.loads(out) == [[], True, "NTP: DENY"]
    assert len(deny.asked) == 1
    rate = servers(lambda q: reply(first=0xE4, stratum=0, cookie=q[40:48], reference=b"RATE"))
    run(NTP % (rate.port, 120_000), flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="500")
    assert len(rate.asked) == 1, "after 128 s at the earliest, where 64 s were due"


# -- Wi-Fi -------------------------------------------------------------------------------------------------------------

WIFI = """
import asyncio, json, time, network
from pitlogger.wifi import Wifi
def air(**reach):
    with open("air.json", "w") as f:
        json.dump(reach, f)
tried = []
class Radio(network.WLAN):
    def connect(self, ssid, key=None):
        tried.append(ssid)
        super().connect(ssid, key)
known = [{"ssid": s, "password": s + "!"} for s in ("home", "field", "shed")]
wifi = Wifi(Radio(), known)
async def go():
    asyncio.create_task(wifi.run())
%s
asyncio.run(go())
"""


def wifi(flash, body):
    script = WIFI % "\n".join("    " + line for line in body.strip().splitlines())
    out = run(script, flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_AIR="air.json")
    return [json.loads(line) for line in out.splitlines()]


def test_network_in_reach_is_found_and_the_one_that_had_us_last_is_tried_first(flash):
    found = wifi(flash, """
air(shed="shed!")
await asyncio.wait_for_ms(wifi.up.wait(), 10000)
print(json.dumps(tried))
tried.clear()
air()
await asyncio.sleep_ms(20000)
print(json.dumps([wifi.up.is_set(), wifi.rounds > 1, tried[:3], wifi.trouble]))
air(shed="shed!", home="home!")
tried.clear()
await wifi.up.wait()
print(json.dumps([tried[-1], wifi.rounds]))
""")
    assert found[0] == ["home", "field", "shed"]
    assert found[1] == [False, True, ["shed", "home", "field"], "Wi-Fi field: not in reach"]
    assert found[2][1] == 0


def test_wrong_password_is_told_and_the_pauses_between_rounds_grow_to_a_minute_or_so(flash):
    ((trouble, rounds),) = wifi(flash, """
air(shed="another")
await asyncio.sleep_ms(3600000)
print(json.dumps([wifi.trouble, wifi.rounds]))
""")
    assert trouble == "Wi-Fi shed: wrong password"
    assert 38 <= rounds <= 65  # an hour of rounds of 2.1 s with pauses of 60 to 90 s after the first six


# -- put out -----------------------------------------------------------------------------------------------------------

PUT_OUT = """
import asyncio, json, os, time
from asyncio import core
from pitlogger.frames import Encoder
from pitlogger.journal import Journal
from pitlogger.net import Net
from pitlogger.settings import read
from pitlogger.timebase import Uptime
settings, _ = read("config.json")
class Station:
    def active(self, on=None): pass
    def isconnected(self): return True
class Report:
    def now(self): return b"{}"
    def state(self): return b"{}"
    def will(self): return b"{}"
    def mark(self): return 0
    def anchor(self, anchor): pass
journal = Journal("journal", 7, 0, False)
encoder = Encoder(7, journal.boot, b"\\x13", 1000, 4)
for i in range(40):
    journal.append(lambda n: encoder.event(n, i, "note", {"kind": "text", "text": "x" * 300}))
async def go():
    seen, left = [], []
    sockets = len(os.listdir("/proc/self/fd"))
    for nth in range(120):
        net = Net(settings, journal, 7, Station(), time, Uptime(time), None, Report())
        task = asyncio.create_task(net.run())
        for _ in range(nth % 9):
            await asyncio.sleep_ms(0)
        await asyncio.sleep_ms(nth // 3)
        seen.append([net.uplink.connections, net.uplink._next])
        task.cancel()
        for _ in range(5):
            await asyncio.sleep_ms(0)
        now = len(os.listdir("/proc/self/fd"))
        if not task.done() or core._io_queue.map or core._task_queue.peek() is not None or now > sockets:
            left.append(nth)
    print(json.dumps([seen, left]))
asyncio.run(go())
"""


@pytest.mark.parametrize("host", ["127.0.0.1", "broker.test"])
def test_all_that_goes_over_a_network_is_put_out_at_any_moment_and_leaves_no_task_and_no_socket(
    flash, broker, servers, host
):
    """MicroPython's wait_for cancels its caller once more when what it waited for has ended: an await in a ``finally``
    would be cut short, and leave behind what it was to put away."""
    silent = servers(lambda _: None)
    config = {
        "broker": {"host": host, "port": broker.port}, "now_s": 1,
        "ntp": f"127.0.0.1:{silent.port}", "name_server": f"127.0.0.1:{silent.port}",
    }
    (flash / "config.json").write_text(json.dumps(config))
    seen, left = json.loads(run(PUT_OUT, flash))
    assert left == []
    if host == "127.0.0.1":
        assert [0, 0] in seen
        assert any(0 < sent < 40 for _, sent in seen), "some while frames were sent"
        assert seen[-1] == [1, 16]
