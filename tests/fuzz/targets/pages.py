"""The page's routes: any method, path, query and body gets an answer below 500, and a refusal in words."""

import functools
import json
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

from page_world import BASE, make_world
from starlette.routing import Route
from starlette.testclient import TestClient

from pitscribe.page.app import make_app
from pitscribe.watch.live import Watch

from . import Target, promise

_STREAM = "/api/events"  # never ends
_BODIES = (
    {},
    {"name": "Sunday", "target_c": 95,
     "places": [{"logger": "00c0ffee", "channel": 0, "place": "flat", "kind": "meat"}]},
    {"kind": "wrap", "at": 1_780_171_200, "text": "é"}, {"aspect": "moisture", "value": 7, "of": "flat"},
    {"question": "moister?", "factor": "wrap", "levels": ["foil", "paper"], "outcomes": ["moisture"]},
    {"slip": "417-a", "code": "417"},
)
_QUERIES = (
    "", "from=0&to=1780171200&points=500&band=1", "cooks=1,2&unit=F", "find=oak&page=1", "cook=1", "n=12&power=0.8",
)


@functools.cache
def _client() -> TestClient:
    folder = tempfile.TemporaryDirectory(prefix="fuzz-page-", dir="/dev/shm")
    world = make_world(Path(folder.name), hours=0.5)
    watch = Watch(world.ledger, world.clock)
    client = TestClient(make_app(world.ledger, watch, world.clock), BASE, raise_server_exceptions=True)
    client.folder = folder  # type: ignore[attr-defined]  # it goes with the client
    return client


def ask(inputs: Sequence[bytes]) -> None:
    """Each input: a method and a target in the first line, and a body behind it."""
    for data in inputs:
        first, _, body = data.partition(b"\n")
        method, _, target = first.decode("latin-1").partition(" ")
        if not method.isalpha() or len(method) > 9 or target.startswith(_STREAM) or "//" in target:
            continue
        answer = _client().request(
            method.upper(), "/" + quote(target.lstrip("/"), safe="/?&=%,.-:"), content=body,
            headers={"Content-Type": "application/json", "Origin": BASE}, follow_redirects=False)
        promise(answer.status_code < 500, f"{answer.status_code}: {answer.text[:300]}")
        spoken = method.upper() != "HEAD" and answer.headers.get("content-type") == "application/json"
        if answer.status_code == 400 and spoken:
            promise(bool(answer.json()["error"]), "a refusal in words")


def _examples() -> list[bytes]:
    """Each route of the page once, as the program itself lists them, with a body and a query that some take."""
    made = []
    with tempfile.TemporaryDirectory() as folder:
        world = make_world(Path(folder), hours=0.5)
        routes = make_app(world.ledger, Watch(world.ledger, world.clock), world.clock).routes
        for at, route in enumerate(r for r in routes if isinstance(r, Route)):
            path = re.sub(r"\{\w+\}", "1", route.path)
            for method in sorted(route.methods or ()):
                query = _QUERIES[at % len(_QUERIES)]
                body = json.dumps(_BODIES[at % len(_BODIES)]) if method not in ("GET", "HEAD") else ""
                made.append(f"{method} {path}{'?' if query else ''}{query}\n{body}".encode())
        world.ledger.close()
    return made


TARGETS = (Target("pages", ask, _examples()),)
