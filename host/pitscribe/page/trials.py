"""The routes of trials: the list, what one says, and the next draw."""

import threading
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from pitscribe.cook.trials.draw import drawn_level
from pitscribe.cook.trials.facts import facts_of
from pitscribe.cook.trials.findings import findings_of
from pitscribe.cook.trials.serving import servings
from pitscribe.cook.trials.text import lines
from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import Piece, Trial
from pitscribe.page import assets, inputs
from pitscribe.page.api import answer
from pitscribe.report.tasting import Slip, tasting_slips
from pitscribe.series.trial import load_trial


class TrialsApi:
    """The routes, over one ledger. One trial is read at a time: its cooks are read whole."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._turn = threading.Lock()
        self._page = assets.page("trials.html")

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/trials", self._page),
            Route("/trial/{trial}", self.page),
            Route("/trial/{trial}/slips", self.slips),
            Route("/api/trials", self.trials),
            Route("/api/trials/{trial}", self.trial),
            Route("/api/trials/{trial}/findings", self.findings),
            Route("/api/trials/{trial}/draw", self.draw, methods=["POST"]),
        ]

    def page(self, request: Request) -> Response:
        """GET /trial/{trial}: the page of one trial. NotFoundError if there is none."""
        self._meant(request)
        return self._page(request)

    def slips(self, request: Request) -> Response:
        """GET /trial/{trial}/slips: the tasters' slips of its latest tasting, to print; none says which is which."""
        trial = self._meant(request)
        tastings = self._ledger.tastings(trial.id)
        if not tastings:
            raise NotFoundError(f"trial {trial.name!r} has no tasting yet")
        one = tastings[-1]
        served = servings(one.kind, one.seed, one.tasters)
        text = tasting_slips(f"Tasting {one.id}", one.kind, one.asks, [Slip(s.taster, s.codes) for s in served])
        return HTMLResponse(text, headers={"Cache-Control": "no-store"})

    def trials(self, request: Request) -> Response:
        """GET /api/trials: all, as they were laid down."""
        return answer(request, {"trials": [self._told(trial) for trial in self._ledger.trials()]})

    def trial(self, request: Request) -> Response:
        """GET /api/trials/{trial}: one with its pieces, in the order in which they entered it."""
        trial = self._meant(request)
        pieces = [self._piece(piece) for piece in self._ledger.pieces(trial.id)]
        tastings = len(self._ledger.tastings(trial.id))
        return answer(request, {**self._told(trial), "pieces": pieces, "tastings": tastings})

    def findings(self, request: Request) -> Response:
        """GET /api/trials/{trial}/findings?unit=F|C: what it says so far, line by line; an empty one parts them."""
        unit = request.query_params.get("unit", "F")
        if unit not in ("F", "C"):
            raise ConfigError("unit must be F or C")
        trial = self._meant(request)
        with self._turn:
            said = list(lines(findings_of(load_trial(self._ledger, trial.id, facts_of)), unit))
        return answer(request, {"lines": said})

    async def draw(self, request: Request) -> Response:
        """POST /api/trials/{trial}/draw {cook, place?}: enter a cook that is yet to be done, with the level drawn."""
        fields = await inputs.fields_of(request)
        cook, place = fields.number("cook", 1, 1e15, needed=True), fields.text("place", most=200, needed=False)
        fields.finish()
        trial = self._meant(request)
        if cook is None or cook != int(cook):
            raise ConfigError("cook must be the number of a cook")
        cook_id = int(cook)

        def work() -> Piece:
            with self._ledger.together():  # the number and the level of one draw
                slot = self._ledger.next_slot(trial.id)
                level = drawn_level(trial.seed, trial.levels, trial.block, slot)
                return self._ledger.enter(trial.id, cook_id, place, level, slot)

        return answer(request, self._piece(await run_in_threadpool(work)), 201)

    def _meant(self, request: Request) -> Trial:
        number = inputs.path_id(request, "trial")
        found = next((trial for trial in self._ledger.trials() if trial.id == number), None)
        if found is None:
            raise NotFoundError(f"there is no trial {number}")
        return found

    def _told(self, trial: Trial) -> dict[str, Any]:
        """What may be seen of a trial. Its seed is not among it: who has that knows every draw to come."""
        return {
            "id": trial.id, "name": trial.name, "question": trial.question, "factor": trial.factor,
            "levels": list(trial.levels), "main": trial.main, "planned": trial.planned,
            "drawn": self._ledger.next_slot(trial.id), "made": trial.made_ms / 1000,
            "closed": None if trial.closed_ms is None else trial.closed_ms / 1000,
        }

    def _piece(self, piece: Piece) -> dict[str, Any]:
        return {
            "cook": piece.cook_id, "name": self._ledger.cook(piece.cook_id).name, "place": piece.place,
            "level": piece.level, "number": None if piece.slot is None else piece.slot + 1,
            "dropped": None if piece.dropped_ms is None else piece.why,
        }
