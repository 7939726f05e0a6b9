"""Files that the browser loads: our own, and plotly's script from the installed package, packed once."""

import gzip
import hashlib
import importlib.util
import threading
from collections.abc import Callable
from functools import cache
from html import escape
from importlib.resources import files
from pathlib import Path

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from pitscribe.errors import ConfigError
from pitscribe.page.door.sessions import COOKIE

TYPES = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
_packing = threading.Lock()


class Asset:
    """One file in memory: packed with gzip, and as it is if it is small."""

    def __init__(self, body: bytes, media: str, cache_control: str) -> None:
        self.media = media
        self.cache_control = cache_control
        self.etag = f'"{hashlib.sha256(body).hexdigest()[:20]}"'
        self.packed = gzip.compress(body, 6, mtime=0)

    def answer(self, request: Request) -> Response:
        """The file, or that the browser's copy is the same."""
        headers = {"Cache-Control": self.cache_control, "ETag": self.etag, "Vary": "Accept-Encoding"}
        if self.etag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        body = self.packed
        if accepts_gzip(request):
            headers["Content-Encoding"] = "gzip"
        else:
            body = gzip.decompress(self.packed)
        return Response(body, media_type=self.media, headers=headers)


def accepts_gzip(request: Request) -> bool:
    """Whether the browser takes gzip."""
    return "gzip" in request.headers.get("accept-encoding", "").lower()


def _plotly_path() -> Path:
    """plotly.min.js in the installed package, found without importing plotly: that would cost tens of megabytes."""
    spec = importlib.util.find_spec("plotly")
    for folder in (spec.submodule_search_locations or []) if spec else []:
        path = Path(folder) / "package_data" / "plotly.min.js"
        if path.is_file():
            return path
    raise ConfigError("plotly is not installed whole (no plotly.min.js); install it again with ./host/run")


@cache
def _load(name: str) -> Asset:
    if name == "plotly.min.js":
        return Asset(_plotly_path().read_bytes(), TYPES[".js"], "public, max-age=86400")
    file = files("pitscribe.page") / "static" / name
    return Asset(file.read_bytes(), TYPES[Path(name).suffix], "no-cache")


@cache
def names() -> frozenset[str]:
    """The names that /static/ serves."""
    own = (f.name for f in (files("pitscribe.page") / "static").iterdir())
    return frozenset(n for n in own if Path(n).suffix in TYPES) | {"plotly.min.js"}


def warm() -> None:
    """Pack plotly now, so that the first page does not wait for it: 0.1 s, more on a small computer."""
    with _packing:
        _load("plotly.min.js")


def icon(request: Request) -> Response:
    """GET /favicon.ico: what a browser asks for by itself beside a page that names no icon, such as a report."""
    return _load("mark.svg").answer(request)


def static(request: Request) -> Response:
    """GET /static/{name}: only names that are known, so that no path can lead elsewhere."""
    name = request.path_params["name"]
    if name not in names():
        return Response("not here\n", status_code=404, media_type="text/plain")
    with _packing:  # two browsers at once: plotly is packed once
        asset = _load(name)
    return asset.answer(request)


def page(name: str, status: int = 200) -> Callable[[Request], Response]:
    """A route that serves one of the HTML files; they hold no data, so nothing has to be escaped into them.

    A browser that came in by the password finds the way out in the page's head.
    """

    def route(request: Request) -> Response:
        text = _page(name, inside=COOKIE in request.cookies)
        return HTMLResponse(text, status_code=status, headers={"Cache-Control": "no-cache"})

    return route


def refusal(words: str, status: int) -> Response:
    """A plain page that says why a page cannot be made."""
    said = escape(words[:1].upper() + words[1:])
    text = _page("refused.html").replace("<!-- words -->", said)
    return HTMLResponse(text, status_code=status, headers={"Cache-Control": "no-store"})


@cache
def _page(name: str, *, inside: bool = False) -> str:
    """An HTML file, with what all pages share put in where it says ``<!-- head -->``, ``<!-- top -->``, ..."""
    text = _template(name)
    for part in ("head", "top", "foot"):
        text = text.replace(f"<!-- {part} -->\n", _template(f"{part}.part.html"))
    return text.replace("  <!-- leave -->\n", _template("leave.part.html") if inside else "")


def _template(name: str) -> str:
    return (files("pitscribe.page") / "templates" / name).read_text(encoding="utf-8")
