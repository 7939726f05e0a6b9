"""The routes of trials: laying one down, the draw, what is put aside, and what it says."""

import secrets
import threading
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.cook.trials.draw import drawn_level, seal
from pitscribe.cook.trials.facts import OUTCOME, facts_of
from pitscribe.cook.trials.findings import findings_of
from pitscribe.cook.trials.outlook import plan_words
from pitscribe.cook.trials.text import amount, besides, concluded
from pitscribe.errors import ConfigError, FieldError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialbook import MOST_LEVELS, MOST_PLANNED
from pitscribe.ledger.trialvalues import ASPECTS, OUTCOMES, Piece, Trial
from pitscribe.page import assets, inputs
from pitscribe.page.api import answer
from pitscribe.page.taste import TasteApi
from pitscribe.page.tastings import TastingsApi
from pitscribe.series.trial import load_trial

MATTERS = (1e-3, 1e3)  # in the outcome's unit; what is outside is an error of typing
BLOCKS = ("one", "pairs")  # one block of all, or blocks that hold each level once


class TrialsApi:
    """The routes, over one ledger. One trial is read at a time: that takes a second for a year of cooks."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._turn = threading.Lock()
        self._page = assets.page("trial.html")

    def routes(self) -> list[Route]:
        """All of them, those of tastings too."""
        return [
            Route("/trials", assets.page("trials.html")),
            Route("/trial/{trial}", self.page),
            Route("/api/trials", self.trials),
            Route("/api/trials", self.new, methods=["POST"]),
            Route("/api/trials/outlook", self.outlook),
            Route("/api/trials/{trial}", self.trial),
            Route("/api/trials/{trial}/findings", self.findings),
            Route("/api/trials/{trial}/draw", self.draw, methods=["POST"]),
            Route("/api/trials/{trial}/pieces", self.choose, methods=["POST"]),
            Route("/api/trials/{trial}/pieces/{piece}/drop", self.drop, methods=["POST"]),
            Route("/api/trials/{trial}/close", self.close, methods=["POST"]),
            *TastingsApi(self._ledger).routes(),
            *TasteApi(self._ledger).routes(),
        ]

    def page(self, request: Request) -> Response:
        """GET /trial/{trial}: the page of one trial. NotFoundError if there is none."""
        meant(self._ledger, request)
        return self._page(request)

    def trials(self, request: Request) -> Response:
        """GET /api/trials: all, as they were laid down, and what one may be about."""
        outcomes = [{"name": name, "unit": OUTCOME[name].unit} for name in OUTCOMES]
        told = [self._told(trial) for trial in self._ledger.trials()]
        return answer(request, {"trials": told, "outcomes": outcomes, "most_levels": MOST_LEVELS})

    def outlook(self, request: Request) -> Response:
        """GET /api/trials/outlook?levels=&main=&matters=&each=&blocks=&unit=: what such a trial can tell, in words."""
        levels = round(inputs.query_number(request, "levels", 2, MOST_LEVELS) or 2)
        matters = inputs.query_number(request, "matters", *MATTERS)
        each = inputs.query_number(request, "each", 1, MOST_PLANNED // levels)
        main, blocks = request.query_params.get("main", ""), request.query_params.get("blocks", BLOCKS[0])
        if main not in OUTCOMES or blocks not in BLOCKS or matters is None or each is None or each != int(each):
            raise ConfigError("give main, matters, and how many of each level, a whole number")
        planned = levels * int(each)
        words = plan_words(levels, main, matters, planned, levels if blocks == "pairs" else planned, unit_of(request))
        return answer(request, {"lines": words})

    async def new(self, request: Request) -> Response:
        """POST /api/trials {name, question, factor, levels, main, matters, each, blocks}: the usual level first."""
        fields = await inputs.fields_of(request)
        name, question = fields.text("name", most=200), fields.text("question")
        factor, levels = fields.text("factor", most=200), fields.texts("levels", MOST_LEVELS)
        if len(levels) < 2:
            raise FieldError("levels", "give at least two ways in which it is done, the usual one first")
        main, matters = fields.choice("main", OUTCOMES), fields.number("matters", *MATTERS, needed=True)
        each, blocks = inputs.whole(fields, "each", 1, MOST_PLANNED // len(levels)), fields.choice("blocks", BLOCKS)
        fields.finish()
        assert matters is not None
        planned = each * len(levels)

        def work() -> Trial:
            return self._ledger.new_trial(
                name, question=question, factor=factor, levels=levels, main=main, matters=matters, planned=planned,
                block=len(levels) if blocks == "pairs" else planned, seed=secrets.token_hex(16),
            )

        return answer(request, self._told(await run_in_threadpool(work)), 201)

    def trial(self, request: Request) -> Response:
        """GET /api/trials/{trial}: one with its pieces as they entered it, and the cooks that may be drawn for."""
        trial = meant(self._ledger, request)
        pieces = [self._piece(piece) for piece in self._ledger.pieces(trial.id)]
        cooks = [
            {"cook": cook.id, "name": cook.name, "over": cook.ended_ms is not None,
             "places": list(dict.fromkeys(p.place for p in self._ledger.placements(cook.id) if p.kind == "meat"))}
            for cook in self._ledger.cooks()
        ]
        tastings = len(self._ledger.tastings(trial.id))
        return answer(request, {**self._told(trial), "pieces": pieces, "tastings": tastings, "cooks": cooks})

    def findings(self, request: Request) -> Response:
        """GET /api/trials/{trial}/findings?unit=F|C: what is concluded so far, line by line, and each piece's outcome.

        An empty line parts them; ``figures`` has the main outcome by the piece's number, where it is known. The pieces
        themselves and the tastings have routes of their own, which need not read the cooks.
        """
        unit, trial = unit_of(request), meant(self._ledger, request)
        with self._turn:
            found = findings_of(load_trial(self._ledger, trial.id, facts_of))
        outcome = OUTCOME[trial.main]
        figures = {
            p.piece.id: amount(p.facts[trial.main], outcome.unit, unit)
            for p in found.record.pieces if trial.main in p.facts
        }
        said = [*concluded(found, unit), *besides(found, unit)]
        return answer(request, {"lines": said, "figures": figures, "complete": found.complete})

    async def draw(self, request: Request) -> Response:
        """POST /api/trials/{trial}/draw {cook, place?}: enter a cook that is yet to be done, with the level drawn."""
        fields = await inputs.fields_of(request)
        cook, place = inputs.whole(fields, "cook", 1, 1e15), fields.text("place", most=200, needed=False)
        fields.finish()
        trial = meant(self._ledger, request)

        def work() -> Piece:
            with self._ledger.together():  # the number and the level of one draw
                slot = self._ledger.next_slot(trial.id)
                level = drawn_level(trial.seed, trial.levels, trial.block, slot)
                return self._ledger.enter(trial.id, cook, place, level, slot)

        return answer(request, self._piece(await run_in_threadpool(work)), 201)

    async def choose(self, request: Request) -> Response:
        """POST /api/trials/{trial}/pieces {cook, place?, level}: enter a cook whose level a person chose."""
        fields = await inputs.fields_of(request)
        cook, place = inputs.whole(fields, "cook", 1, 1e15), fields.text("place", most=200, needed=False)
        trial = meant(self._ledger, request)
        level = fields.choice("level", trial.levels)
        fields.finish()
        piece = await run_in_threadpool(self._ledger.enter, trial.id, cook, place, level, None)
        return answer(request, self._piece(piece), 201)

    async def drop(self, request: Request) -> Response:
        """POST /api/trials/{trial}/pieces/{piece}/drop {why}: take a piece out; it stays in the log with the reason."""
        fields = await inputs.fields_of(request)
        why = fields.text("why")
        fields.finish()
        trial, number = meant(self._ledger, request), inputs.path_id(request, "piece")
        if number not in [piece.id for piece in self._ledger.pieces(trial.id)]:
            raise NotFoundError(f"trial {trial.name!r} has no piece {number}")
        await run_in_threadpool(self._ledger.drop_piece, number, why)
        return answer(request, {"dropped": number})

    async def close(self, request: Request) -> Response:
        """POST /api/trials/{trial}/close {why}: nothing enters it any more."""
        fields = await inputs.fields_of(request)
        why = fields.text("why")
        fields.finish()
        trial = meant(self._ledger, request)
        return answer(request, self._told(await run_in_threadpool(self._ledger.close_trial, trial.id, why)))

    def _told(self, trial: Trial) -> dict[str, Any]:
        """What may be seen of a trial. Its seed is not among it: who has that knows every draw to come."""
        return {
            "id": trial.id, "name": trial.name, "question": trial.question, "factor": trial.factor,
            "levels": list(trial.levels), "main": trial.main, "scored": trial.main in ASPECTS,
            "planned": trial.planned, "drawn": self._ledger.next_slot(trial.id),
            "pairs": trial.block == len(trial.levels) < trial.planned,
            "seal": seal(trial.seed, *trial.plan), "made": trial.made_ms / 1000,
            "closed": None if trial.closed_ms is None else trial.closed_ms / 1000, "why": trial.closed_why,
        }

    def _piece(self, piece: Piece) -> dict[str, Any]:
        return {
            "id": piece.id, "cook": piece.cook_id, "name": self._ledger.cook(piece.cook_id).name, "place": piece.place,
            "level": piece.level, "number": None if piece.slot is None else piece.slot + 1,
            "dropped": None if piece.dropped_ms is None else piece.why,
        }


def meant(ledger: Ledger, request: Request) -> Trial:
    """The trial in the address. NotFoundError."""
    return ledger.trial(inputs.path_id(request, "trial"))


def unit_of(request: Request) -> str:
    """The unit in the address, F without one. ConfigError."""
    unit = request.query_params.get("unit", "F")
    if unit not in ("F", "C"):
        raise ConfigError("unit must be F or C")
    return unit
