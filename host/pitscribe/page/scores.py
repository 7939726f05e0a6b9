"""The JSON routes of how a cook turned out: scores by place, and weights."""

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.scorebook import WEIGHTS_KG
from pitscribe.ledger.trialvalues import ANCHORS, ASPECTS, MOST_POINTS
from pitscribe.page import inputs
from pitscribe.page.api import answer

WEIGHINGS = ("raw_kg", "trimmed_kg", "cooked_kg")


class ScoresApi:
    """The routes, over one ledger."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/api/cooks/{cook}/scores", self.scores),
            Route("/api/cooks/{cook}/scores", self.score, methods=["POST"]),
            Route("/api/cooks/{cook}/weights", self.weigh, methods=["POST"]),
        ]

    def scores(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/scores: what was scored and weighed, and what the points mean."""
        return answer(request, self._told(self._ledger.cook(inputs.path_id(request, "cook")).id))

    async def score(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/scores {aspect, value, place?, remark?}: the cook's own hand; null takes it back."""
        fields = await inputs.fields_of(request)
        aspect = fields.choice("aspect", ASPECTS)
        value = fields.number("value", 0, MOST_POINTS)
        place, remark = fields.text("place", most=200, needed=False), fields.text("remark", needed=False)
        fields.finish()
        cook_id = inputs.path_id(request, "cook")

        def work() -> dict[str, Any]:
            if value is None:
                self._ledger.withdraw_score(cook_id, aspect, place=place)
            else:
                self._ledger.score(cook_id, aspect, value, place=place, remark=remark)
            return self._told(cook_id)

        return answer(request, await run_in_threadpool(work))

    async def weigh(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/weights {place?, raw_kg?, trimmed_kg?, cooked_kg?}: what is left out stays."""
        fields = await inputs.fields_of(request)
        place = fields.text("place", most=200, needed=False)
        weights = {name: fields.number(name, *WEIGHTS_KG) for name in WEIGHINGS}
        fields.finish()
        cook_id = inputs.path_id(request, "cook")

        def work() -> dict[str, Any]:
            self._ledger.weigh(cook_id, place, **weights)
            return self._told(cook_id)

        return answer(request, await run_in_threadpool(work))

    def _told(self, cook_id: int) -> dict[str, Any]:
        return {
            "scores": [s.as_json() for s in self._ledger.scores(cook_id)],
            "weights": [w.as_json() for w in self._ledger.weights(cook_id)],
            "anchors": {aspect: list(words) for aspect, words in ANCHORS.items()},
        }
