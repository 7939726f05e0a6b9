"""What docs/THREATS.md promises of the page's door: guesses, crowds, silence, slips. Real sockets where they matter."""

import concurrent.futures
import contextlib
import logging
import socket
import ssl
import threading
import time

import httpx2
import pytest
from authority import Authority
from page_world import make_world
from servers import wait_until
from starlette.testclient import TestClient

from pitscribe import knocks, listening
from pitscribe.knocks import STEPS, TOLD_FROM, Knocks
from pitscribe.page import inputs, taste
from pitscribe.page.app import make_app
from pitscribe.page.door import connections, sessions
from pitscribe.page.door.door import Door
from pitscribe.page.door.entrance import MOST_OF_ONE
from pitscribe.page.door.guard import HEADERS
from pitscribe.page.door.lock import Lock
from pitscribe.page.door.patience import FREE, FREE_OF_ALL, LONGEST_OF_ALL_S, MOST_NAMES, Patience
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch

ELSEWHERE = "http://192.168.1.5:8421"
PASSWORD = "ash oak and a slow fire"


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    made = make_world(tmp_path_factory.mktemp("world"), hours=0.1)
    yield made
    made.ledger.close()


class House:
    """A page with a password, and clocks that a test sets."""

    def __init__(self, folder, world, **said):
        self.now, self.real = 1_800_000_000.0, 100.0
        self.door = Door.with_password(folder, now=lambda: self.now, real=lambda: self.real, **said)
        self.app = make_app(world.ledger, Watch(world.ledger, world.clock), world.clock, door=self.door)
        word = self.door.lock.new_link(self.now)
        self.door.lock.set_password(PASSWORD, word, self.now)

    def client(self, address="192.168.1.20"):
        return TestClient(
            self.app, ELSEWHERE, client=(address, 50000), headers={"Origin": ELSEWHERE}, follow_redirects=False,
            raise_server_exceptions=False,
        )

    def enter(self, address, password="a guess of mine"):
        return self.client(address).post("/api/enter", json={"password": password})


@pytest.fixture
def house(tmp_path, world):
    return House(tmp_path, world)


@contextlib.contextmanager
def serving(house):
    server = PageServer(house.app)
    server.start()
    try:
        yield server
    finally:
        server.stop()


@pytest.fixture
def at_home_too(tmp_path, world):
    """A real server at whose door everybody is asked."""
    made = House(tmp_path, world, ask_at_home=True)
    with serving(made) as server:
        yield server


# guesses


def test_who_guesses_from_many_addresses_keeps_the_owner_out_neither_where_he_was_before_nor_for_long(house):
    assert house.enter("192.168.1.20", PASSWORD).status_code == 200
    for n in range(FREE_OF_ALL + 9):  # 2 s doubled nine times is more than the most
        house.door.entrance._patience.wrong(f"10.0.{n // 250}.{n % 250}")  # as its 401 does, without the hash's time
        house.real += LONGEST_OF_ALL_S + 1
    house.enter("10.0.9.9")
    late = house.enter("192.168.1.77", PASSWORD)  # a new phone
    assert late.status_code == 429
    assert int(late.headers["retry-after"]) <= LONGEST_OF_ALL_S
    assert house.enter("192.168.1.20", PASSWORD).status_code == 200  # where he came in before
    house.real += LONGEST_OF_ALL_S + 1
    assert house.enter("192.168.1.77", PASSWORD).status_code == 200


def test_the_owners_link_is_taken_at_once_while_somebody_guesses(house):
    for n in range(FREE_OF_ALL + 5):
        house.door.entrance._patience.wrong(f"10.0.0.{n}")
    answer = house.client().post("/api/first", json={"word": "a guess", "password": "something of mine"})
    assert answer.status_code == 429
    assert "retry-after" in answer.headers
    word = house.door.lock.new_link(house.now)
    assert house.client().post("/api/first", json={"word": word, "password": "quite another"}).status_code == 200


def test_a_hundred_thousand_addresses_take_no_more_memory_than_a_thousand():
    patience = Patience(lambda: 0.0)
    for n in range(100 * MOST_NAMES):
        patience.wrong(f"fd00::{n:x}")
        patience.right(f"fd00:1::{n:x}")
    assert len(patience._wrong) == len(patience._known) == MOST_NAMES


def test_a_crowd_of_guesses_at_once_is_given_no_more_tries_than_one_after_the_other(at_home_too):
    def guess(n):
        body, headers = {"password": f"guess number {n}"}, {"Origin": at_home_too.url.rstrip("/")}
        return httpx2.post(f"{at_home_too.url}api/enter", json=body, headers=headers, timeout=60).status_code

    with concurrent.futures.ThreadPoolExecutor(24) as pool:
        found = list(pool.map(guess, range(24)))
        assert httpx2.get(f"{at_home_too.url}enter", timeout=60).status_code == 200
    assert set(found) <= {401, 429}
    assert found.count(401) <= FREE
    assert found.count(401) >= min(MOST_OF_ONE, FREE)


def test_a_wrong_password_is_logged_counted_and_told_and_what_was_typed_is_not(house, caplog):
    caplog.set_level(logging.DEBUG)
    house.enter("192.168.1.66")
    assert "page: a wrong password from 192.168.1.66" in caplog.text
    assert house.door.trouble is None  # people mistype
    for _ in range(TOLD_FROM - 1):
        house.enter("192.168.1.66")
    words, since = house.door.trouble
    assert f"{TOLD_FROM} wrong passwords or more" in words
    assert "192.168.1.66" in words
    assert since == house.now
    assert "a guess of mine" not in caplog.text + words
    house.now += knocks.FORGET_S + 1
    assert house.door.trouble is None


def test_ten_thousand_wrong_passwords_are_told_a_few_times_and_logged_once(caplog):
    caplog.set_level(logging.DEBUG)
    book, told = Knocks(lambda: 0.0, "page"), set()
    for _ in range(10_000):
        book.wrong("192.168.1.66")
        told.add(book.trouble)
    assert len(told - {None}) == sum(TOLD_FROM <= step <= 10_000 for step in STEPS)
    assert len(caplog.records) == 1


def test_a_session_that_somebody_planted_is_not_taken_over_at_the_log_in(house):
    client = house.client()
    client.cookies.set(sessions.COOKIE, "planted", domain="192.168.1.5")
    made = client.post("/api/enter", json={"password": PASSWORD}).headers["set-cookie"]
    value = made.partition("=")[2].partition(";")[0]
    assert "planted" not in value
    assert sessions.Sessions(house.door.lock, lambda: house.now).holds(f"{sessions.COOKIE}={value}")


# crowds and silence


def test_one_address_that_takes_all_connections_leaves_room_for_the_others(world, house, monkeypatch):
    monkeypatch.setattr(listening, "is_loopback", lambda _: False)  # here everybody comes from loopback
    with serving(house) as server, contextlib.ExitStack() as stack:
        silent = [stack.enter_context(socket.create_connection(("127.0.0.1", server.port), 20)) for _ in range(60)]

        def hung_up():
            return sum(_ended(one) for one in silent)

        wait_until("the rest are hung up on", lambda: hung_up() == 60 - listening.MOST_OF_ONE)
        other = stack.enter_context(
            socket.create_connection(("127.0.0.1", server.port), 20, source_address=("127.0.0.2", 0))
        )
        other.sendall(b"GET /enter HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert other.recv(100).startswith(b"HTTP/1.1 200")
        for one in silent:
            one.close()
        # As soon as they are gone the address may come again.
        wait_until("there is room again", lambda: _is_served(server.port))


def _is_served(port):
    with socket.create_connection(("127.0.0.1", port), 20) as one, contextlib.suppress(ConnectionError):
        one.sendall(b"GET /enter HTTP/1.1\r\nHost: localhost\r\n\r\n")
        return one.recv(100).startswith(b"HTTP/1.1 200")
    return False


def _ended(one):
    one.setblocking(False)
    try:
        return one.recv(1) == b""
    except BlockingIOError:
        return False
    except ConnectionError:
        return True


@pytest.mark.parametrize("begin", [b"", b"GET /en", b"GET /enter HTTP/1.1\r\nHost: localhost\r\n\r\nGET /en"])
def test_a_head_that_does_not_come_or_comes_letter_by_letter_ends_the_connection(at_home_too, monkeypatch, begin):
    monkeypatch.setattr(connections.Connection, "head_s", 0.3)
    with socket.create_connection(("127.0.0.1", at_home_too.port), 20) as slow:
        slow.sendall(begin)
        stop = threading.Event()

        def trickle():
            with contextlib.suppress(OSError):
                while not stop.wait(0.05):
                    slow.sendall(b"x" if begin else b"")

        thread = threading.Thread(target=trickle)
        thread.start()
        try:
            slow.settimeout(30)
            with contextlib.suppress(ConnectionError):
                while slow.recv(4096):
                    pass
        finally:
            stop.set()
            thread.join()


def test_a_stream_of_events_is_longer_than_a_head_may_be(at_home_too, monkeypatch):
    monkeypatch.setattr(connections.Connection, "head_s", 0.2)
    base = at_home_too.url.rstrip("/")
    with httpx2.Client(base_url=base, headers={"Origin": base}, timeout=60) as client:
        client.post("/api/enter", json={"password": PASSWORD}).raise_for_status()
        with client.stream("GET", "/api/events") as answer:
            begun, events = time.monotonic(), 0
            for line in answer.iter_lines():
                events += line.startswith("event:")
                if events >= 2 and time.monotonic() - begun > 1.0:
                    break
        assert events >= 2


def test_a_body_that_hangs_is_given_up_and_one_that_breaks_off_is_no_fault_of_ours(at_home_too, monkeypatch, caplog):
    monkeypatch.setattr(inputs, "LONGEST_S", 0.3)
    head = "POST /api/enter HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 9\r\n\r\n{"
    with socket.create_connection(("127.0.0.1", at_home_too.port), 30) as slow:
        slow.sendall(head.encode())
        assert slow.recv(200).startswith(b"HTTP/1.1 408")
    monkeypatch.setattr(inputs, "LONGEST_S", 20.0)
    with socket.create_connection(("127.0.0.1", at_home_too.port), 30) as broken:
        broken.sendall(head.encode())
    assert httpx2.get(f"{at_home_too.url}enter").status_code == 200
    assert "fault" not in caplog.text


# TLS


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def over_tls(house, authority):
    server = PageServer(house.app, tls=authority.server("IP:127.0.0.1", "DNS:localhost"))
    server.start()
    yield server
    server.stop()


def test_over_tls_the_page_is_known_by_its_certificate_and_says_no_word_in_the_clear(over_tls, authority, tmp_path):
    assert over_tls.url.startswith("https://")
    base = over_tls.url.rstrip("/")
    known = ssl.create_default_context(cafile=authority.ca)
    with httpx2.Client(base_url=base, headers={"Origin": base}, timeout=60, verify=known) as client:
        answer = client.post("/api/enter", json={"password": PASSWORD})
        assert answer.status_code == 200
        assert "; Secure" in answer.headers["set-cookie"]
        assert client.get("/api/cooks").status_code == 200
    another = ssl.create_default_context(cafile=Authority(tmp_path / "another").ca)
    with pytest.raises(httpx2.ConnectError, match="certificate verify failed"):
        httpx2.get(f"{base}/enter", verify=another)
    with socket.create_connection(("127.0.0.1", over_tls.port), 20) as plain, contextlib.suppress(ConnectionError):
        plain.sendall(b"GET /enter HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert not plain.recv(100).startswith(b"HTTP")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
def test_over_tls_nothing_older_than_1_2_is_spoken(over_tls, authority):
    """RFC 8996 takes TLS 1.0 and 1.1 away."""
    old = ssl.create_default_context(cafile=authority.ca)
    old.minimum_version, old.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    old.set_ciphers("ALL:@SECLEVEL=0")  # or our own side would refuse first
    hung_up = pytest.raises(OSError, match=r"EOF|alert|reset")  # by the server: our own refusal would read otherwise
    with socket.create_connection(("127.0.0.1", over_tls.port), 20) as one, hung_up:
        old.wrap_socket(one, server_hostname="localhost")


# slips


def test_who_guesses_slips_has_to_wait_and_the_other_guests_do_not(house):
    for n in range(taste.RULE.free):
        wrong = house.client("192.168.1.66").post("/api/taste", json={"slip": f"abcd-{n:04d}"})
        assert wrong.status_code == 400
    for path in ("/api/taste", "/api/taste/answer"):
        answer = house.client("192.168.1.66").post(path, json={"slip": "abcd-efgh"})
        assert answer.status_code == 429
        assert int(answer.headers["retry-after"]) >= 1
    assert house.client("192.168.1.21").post("/api/taste", json={"slip": "abcd-efgh"}).status_code == 400


# headers


def test_every_answer_whatever_it_is_has_the_protective_headers(house, world, monkeypatch):
    inside = house.client()
    assert inside.post("/api/enter", json={"password": PASSWORD}).status_code == 200
    monkeypatch.setattr(world.ledger, "cooks", lambda *_, **__: 1 / 0)
    outside = house.client("192.168.1.66")
    answers = {
        200: inside.get("/"), 303: outside.get("/"), 400: inside.get("/cook/1/report?align=x"),
        401: outside.get("/api/cooks"), 404: inside.get("/nothing"), 405: inside.put("/api/cooks"),
        500: inside.get("/api/cooks"), 403: inside.get("/", headers={"Host": "evil.example"}),
        409: inside.post("/api/cooks/1/reopen", json={}),
    }
    more = [inside.get("/static/live.js"), inside.get("/static/nothing"), inside.get("/static/..%2fapp.py"),
            inside.get("/api/nothing"), inside.get("/cook/999/report"), inside.get("/cook/1/report")]
    for status in (500, 404, 405, 401, 403, 303, 200):
        assert answers[status].status_code == status
    for answer in (*answers.values(), *more):
        for name, value in HEADERS.items():
            assert answer.headers[name] == value, f"{answer.url} {answer.status_code} lacks {name}"
    script = HEADERS["Content-Security-Policy"]
    assert "default-src 'self'" in script
    assert "script-src" not in script  # so scripts are as default-src has it: our files, nothing inline
    assert "unsafe-eval" not in script
    assert "frame-ancestors 'none'" in script


def test_a_new_link_and_a_new_password_are_a_way_to_shut_out_a_stolen_phone(house):
    stolen = house.client()
    assert stolen.post("/api/enter", json={"password": PASSWORD}).status_code == 200
    assert stolen.get("/api/cooks").status_code == 200
    lock = Lock(house.door.lock._path.parent)
    lock.set_password("a new one for all of us", lock.new_link(house.now), house.now)  # another process: pitscribe page
    assert stolen.get("/api/cooks").status_code == 401
