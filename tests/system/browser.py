"""A real page in a real browser: ledger, watch and server of ours, headless Chromium as a person's browser.

Shared by the browser tests and by pictures.py.
"""

import contextlib
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Error, Page, Request, Response, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "host"))

from page_world import World, make_world

from pitscribe.page.app import make_app
from pitscribe.page.door.door import Door
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]


@dataclass
class Site:
    """A page that runs, and the world behind it."""

    world: World
    watch: Watch
    server: PageServer

    @property
    def url(self) -> str:
        """Where it is, without a slash at the end."""
        return self.server.url.rstrip("/")


@dataclass
class Seen:
    """What a browser asked for, and what it complained of."""

    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def listen(self, page: Page) -> None:
        """Note everything from now on."""

        def asked(request: Request) -> None:
            self.requests.append(request.url)

        page.on("request", asked)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

        def said(message: ConsoleMessage) -> None:
            # Where no cook is shown, the chart's library waits for one: that is meant so.
            if message.type in ("error", "warning") and "was preloaded using link preload" not in message.text:
                self.complaints.append(f"{message.text} {message.location.get('url', '')}".rstrip())

        page.on("console", said)


@contextlib.contextmanager
def site(folder: Path, *, every_s: float = 0.2, door: Door | None = None, **world: object) -> Iterator[Site]:
    """Serve a made-up cook on a free port, to who sits at this machine or behind a door."""
    made = make_world(folder, **world)  # type: ignore[arg-type]
    watch = Watch(made.ledger, made.clock, every_s=every_s)
    server = PageServer(make_app(made.ledger, watch, made.clock, door=door))
    watch.start()
    server.start()
    try:
        yield Site(made, watch, server)
    finally:
        server.stop()
        watch.stop()
        made.ledger.close()


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """A browser of its own, with a profile that is new and goes with it; a context of it keeps nothing of another."""
    with sync_playwright() as play:
        browser = play.chromium.launch(headless=True, executable_path=CHROMIUM, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


def new_context(browser: Browser, **options: object) -> BrowserContext:
    """A fresh context, of a person in Chicago."""
    where = {"timezone_id": "America/Chicago", "locale": "en-US"}
    return browser.new_context(**(where | options))  # type: ignore[arg-type]


def new_page(context: BrowserContext, width: int = 390, height: int = 844) -> tuple[Page, Seen]:
    """A page of that size, and what is seen of it."""
    page, seen = context.new_page(), Seen()
    page.set_viewport_size({"width": width, "height": height})
    page.set_default_timeout(60_000)
    seen.listen(page)
    return page, seen


def visit(page: Page, url: str, **how: object) -> Response | None:
    """Go there, as a person does who types an address: again, where the page was just going elsewhere by itself (from
    a cook that ended to its record, from a session that is over to the door) and the browser dropped one of the two."""
    for _ in range(20):  # the next may still meet the end of what the one before was dropped for
        try:
            return page.goto(url, **how)  # type: ignore[arg-type]
        except Error as failed:
            if not any(words in failed.message for words in ("net::ERR_ABORTED", "interrupted by another navigation")):
                raise
            page.wait_for_timeout(50)
    return page.goto(url, **how)  # type: ignore[arg-type]
