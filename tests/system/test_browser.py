"""What the browser tests stand on."""

import contextlib
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from browser import chromium, new_context, new_page, visit

GOES_ELSEWHERE = "setTimeout(() => location.replace('/elsewhere'), 100)"


class _Held(BaseHTTPRequestHandler):
    """Answers what is asked for only when the page has gone elsewhere, or is asked for again."""

    gone = threading.Event()

    def do_GET(self):
        if self.path == "/elsewhere":
            self.gone.set()
        elif self.path == "/asked":
            self.gone.wait(10)
        body = f"<h1>{self.path}</h1>".encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        with contextlib.suppress(BrokenPipeError):  # whom the browser dropped does not listen
            self.wfile.write(body)

    def log_message(self, *_):
        """Not on the tests' screen."""


@pytest.fixture
def held():
    _Held.gone.clear()
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Held)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()


def test_a_visit_arrives_though_the_page_goes_elsewhere_at_the_same_moment(held):
    with chromium() as browser:
        page, _ = new_page(new_context(browser))
        visit(page, f"{held}/first")
        page.evaluate(GOES_ELSEWHERE)  # as if a hand had touched the page: only then does the browser drop the visit
        visit(page, f"{held}/asked")
        assert page.locator("h1").inner_text() == "/asked"
