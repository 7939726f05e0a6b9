"""What the mirror's tests share: a cook in a ledger, a mirror whose clock is set on, and something between both."""

import http.client
import itertools
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from pitscribe.mirror.check import check
from pitscribe.mirror.connect import connect
from pitscribe.mirror.mirror import Mirror, Pace
from pitscribe.mirror.server import Address

_names = itertools.count()


class Copy:
    """A mirror of a world's ledger. Its clock is set on at each pass: nothing waits for real seconds.

    Each copy has a ledger's name of its own, so several tests can share one server.
    """

    def __init__(self, world, url, *, token="", bucket="pit", name=None, pace=None):
        self.world, self.name = world, name or f"home {next(_names)}"
        self.address = Address(url, "o", bucket, token)
        self._at, self.pass_s = [0.0], 100.0  # its clock, and by how much each pass sets it on
        self.pace = pace or Pace(confirm_s=1)
        self.mirror = self._made()

    def _made(self):
        return Mirror(self.world.ledger, self.address, self.name, pace=self.pace, real=lambda: self._at[0])

    def begin_anew(self, *, token=None):
        """As after a kill: it knows what the ledger knows."""
        self.mirror.stop()
        if token is not None:
            self.address = Address(self.address.url, "o", self.address.bucket, token)
        self.mirror = self._made()

    def step(self):
        """One pass, a while later. Returns the seconds until the next."""
        self._at[0] += self.pass_s
        return self.mirror.step()

    def bring(self, passes=12):
        """Until all is there. Returns how many points that took."""
        before = self.mirror.written
        for _ in range(passes):
            self.step()
            if self.mirror.done and all(cook.ended_ms is not None for cook in self.world.ledger.cooks()):
                break
        assert self.mirror.trouble is None, self.mirror.trouble
        return self.mirror.written - before

    def both(self, cook=None):
        """(points, found, doubled, whether all is the same) of a cook's series, by the server's own answers."""
        found = self.series(cook)
        return (*(sum(getattr(one, n) for one in found) for n in ("points", "found", "doubled")),
                all(one.same for one in found))

    def series(self, cook=None):
        link = connect(self.address)
        try:
            ledger = self.world.ledger
            mirror = ledger.mirror(link.address.key)
            return list(check(ledger, mirror.id, link, ledger.cook(cook or self.world.cook.id), self.name))
        finally:
            link.close()

    def stop(self):
        self.mirror.stop()


class Between:
    """Stands between a mirror and a server, passes on what is asked, and spoils answers. ``url`` is where it listens.

    ``spoil``: None, or called with (handler, the server's answer, its body) instead of handing the answer on.
    ``before``: whether a request is answered by ``spoil`` before the server has it: then answer and body are None.
    """

    def __init__(self, url):
        self.to = url.removeprefix("http://")
        self.spoil, self.before, self.only = None, False, None
        self.most, self.refused = 1 << 60, 0  # bytes of a request, as a proxy limits them; how many were larger
        between = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self):
                between.pass_on(self)

            do_POST = do_GET  # noqa: N815 - http.server's names

            def log_message(self, *_):
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def pass_on(self, handler):
        body = handler.rfile.read(int(handler.headers.get("Content-Length", 0)))
        spoil = self.spoil if self.only is None or handler.path.startswith(self.only) else None
        try:
            if len(body) > self.most:
                self.refused += 1
                says(413)(handler, None, None)
                return
            if spoil is not None and self.before:
                handler.asked = body
                spoil(handler, None, None)
                return
            (spoil or hand_on)(handler, *self.answer(handler, body))
        except (ConnectionError, http.client.HTTPException):  # one of the two has gone: then so do we
            handler.close_connection = True

    def answer(self, handler, body):
        """(the server's answer, its body) to what was asked."""
        link = http.client.HTTPConnection(self.to, timeout=60)
        heads = {n: v for n, v in handler.headers.items() if n.lower() not in ("host", "connection")}
        link.request(handler.command, handler.path, body, heads)
        answer = link.getresponse()
        data = answer.read()
        link.close()
        return answer, data

    def pass_on_as_it_is(self, handler):
        """For a ``spoil`` that comes before, and lets this one go."""
        hand_on(handler, *self.answer(handler, handler.asked))

    def stop(self):
        self._server.shutdown()
        self._server.server_close()


def hand_on(handler, answer, data):
    handler.send_response(answer.status)
    for name, value in answer.getheaders():
        if name.lower() not in ("transfer-encoding", "content-length", "connection"):
            handler.send_header(name, value)
    handler.send_header("Content-Length", str(len(data)))
    handler.end_headers()
    handler.wfile.write(data)


def says(status, body=b"", **heads):
    """Answers with a status and heads of its own (an underscore is a hyphen)."""

    def spoil(handler, answer, data):
        handler.send_response_only(status)  # without a date of its own
        for name, value in heads.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        handler.wfile.write(body)

    return spoil


def silent(handler, answer, data):
    """No answer at all, until the other side has gone."""
    handler.connection.settimeout(120)
    handler.close_connection = True
    handler.rfile.read(1)


def trickles(handler, answer, data):
    """A byte of an answer's head each 50 ms, without end."""
    _drip(handler, b"HTTP/1.1 200 OK\r\nX-Slow: ", b"x")


def trickles_on(handler, answer, data):
    """The answer's head at once, and then a byte of its body each 50 ms."""
    _drip(handler, b"HTTP/1.0 200 OK\r\n\r\n", b" ")


def _drip(handler, begin, byte):
    handler.close_connection = True
    handler.wfile.write(begin)
    for _ in range(2400):
        handler.wfile.write(byte)
        time.sleep(0.05)


def cut_in_head(handler, answer, data):
    """The server has done what it was asked; its answer ends within the first line."""
    handler.close_connection = True
    handler.wfile.write(f"HTTP/1.1 {answer.status}"[:11].encode())


def cut_in_body(handler, answer, data):
    """Half of the body that was announced."""
    handler.close_connection = True
    head = f"HTTP/1.1 {answer.status} x\r\nContent-Length: {len(data) + 1}\r\n\r\n"
    handler.wfile.write(head.encode() + data[: len(data) // 2])
