"""The record's routes: the list of cooks, one at a glance, and taking away one that was a mistake."""

from math import ceil
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.clock import Clock
from pitscribe.cook.trials.facts import score_of
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import ANCHORS, MOST_POINTS
from pitscribe.page import inputs
from pitscribe.page.api import answer
from pitscribe.page.finding import A_PAGE, Entry, asked_of, choices, entries, fits
from pitscribe.page.glance import Glances
from pitscribe.series.notes import Heard
from pitscribe.watch.live import Watch


class RecordApi:
    """The routes, over one ledger, watch and clock."""

    def __init__(self, ledger: Ledger, watch: Watch, clock: Clock) -> None:
        self._ledger, self._watch, self._clock = ledger, watch, clock
        self._glances, self._heard = Glances(ledger), Heard(ledger)

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/api/cooks", self.cooks),
            Route("/api/cooks/{cook}", self.drop, methods=["DELETE"]),
            Route("/api/cooks/{cook}/leaving", self.leaving),
            Route("/api/cooks/{cook}/glance", self.glance),
            Route("/api/cooks/{cook}/picture.svg", self.picture),
        ]

    def cooks(self, request: Request) -> Response:
        """GET /api/cooks?words=&state=&year=&scored=&trial=&cut=&logger=&page=: the latest first.

        All of it may be left out, see ``finding.Asked``; without a page all cooks that fit are told. A page behind the
        last one is the last one.
        """
        asked, every = asked_of(request), list(entries(self._ledger, self._heard))
        found = [entry for entry in every if fits(entry, asked)]
        pages = max(1, ceil(len(found) / A_PAGE))
        page, shown = None, found
        if asked.page is not None:
            page = min(asked.page, pages)
            shown = found[(page - 1) * A_PAGE : page * A_PAGE]
        return answer(request, {
            "cooks": [told(entry) for entry in shown], "now": self._clock.now(), "found": len(found), "all": len(every),
            "page": page, "pages": pages, "choices": choices(self._ledger, every),
        })

    def glance(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/glance: how far the meat was apart; null where fewer than two places were in it."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        return answer(request, {"spread": self._glances.of(cook).spread})

    def picture(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/picture.svg: the pit and the meat places, without figures."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        headers = {"Cache-Control": "private, max-age=60"}
        return Response(self._glances.of(cook).svg, media_type="image/svg+xml", headers=headers)

    def leaving(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/leaving: what would go with it, in words; 400 with the reason if it may not go."""
        return answer(request, {"words": self._ledger.leaving(inputs.path_id(request, "cook")).words()})

    async def drop(self, request: Request) -> Response:
        """DELETE /api/cooks/{cook}: for good."""
        cook_id = inputs.path_id(request, "cook")
        gone = await run_in_threadpool(self._ledger.drop_cook, cook_id)
        self._watch.poke()
        return answer(request, {"dropped": cook_id, "name": gone.cook.name, "words": gone.words()})


def told(entry: Entry) -> dict[str, Any]:
    """A cook as the list tells it."""
    return entry.cook.as_json() | {"notes": len(entry.notes), "overall": _overall(entry)}


def _overall(entry: Entry) -> dict[str, Any] | None:
    """The overall score of the cook, what so many points mean, and the latest remark that was made with one."""
    points = score_of(entry.scores, "overall")
    if points is None:
        return None
    remarks = [score.remark for score in entry.scores if score.aspect == "overall" and score.remark]
    return {"points": points, "most": MOST_POINTS, "words": _meaning(points), "remark": remarks[-1] if remarks else ""}


def _meaning(points: float) -> str:
    """What so many points mean: the words of the nearest step, or of the two that it is between."""
    words, step = ANCHORS["overall"], MOST_POINTS / 2
    at, off = divmod(points, step)
    if off == 0:
        return words[int(at)]
    return f"between “{words[int(at)]}” and “{words[int(at) + 1]}”"
