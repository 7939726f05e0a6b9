"""The routes of blind tastings for the one who sets them out: codes, paper, answers that are told, and the closing.

Nothing here says which code is which sample, but for the plating list.
"""

import secrets
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from pitscribe.cook.trials.outlook import tasting_words as outlook_words
from pitscribe.cook.trials.serving import slip_words
from pitscribe.cook.trials.tasted import tasting_said, tasting_servings
from pitscribe.cook.trials.text import tasting_words
from pitscribe.errors import ConfigError, FieldError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.tastingbook import MOST_TASTERS
from pitscribe.ledger.trialvalues import ASPECTS, TASTINGS, Piece, Tasting, Trial
from pitscribe.page import inputs
from pitscribe.page.api import answer
from pitscribe.page.door.guard import LOOPBACK_NAMES, name_of
from pitscribe.page.taste import write_down
from pitscribe.report.tasting import Slip, plating_list, tasting_slips
from pitscribe.series.trial import TastingRecord, TrialRecord, load_tastings, tasting_record


class TastingsApi:
    """The routes, over one ledger."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def routes(self) -> list[Route]:
        """All of them."""
        one = "/api/trials/{trial}/tastings/{tasting}"
        return [
            Route("/trial/{trial}/slips", self.slips),
            Route("/trial/{trial}/plating", self.plating),
            Route("/api/tastings/outlook", self.outlook),
            Route("/api/trials/{trial}/tastings", self.tastings),
            Route("/api/trials/{trial}/tastings", self.set_out, methods=["POST"]),
            Route(f"{one}/answers", self.answer, methods=["POST"]),
            Route(f"{one}/answers/{{taster}}", self.take_back, methods=["DELETE"]),
            Route(f"{one}/close", self.close, methods=["POST"]),
        ]

    def slips(self, request: Request) -> Response:
        """GET /trial/{trial}/slips?tasting=: the tasters' slips, to print; none says which is which."""
        one = self._latest(request)
        slips = [slip for slip, _ in _served(one)]
        host = request.headers.get("host", "")  # a phone cannot open what is this machine's own name for itself
        where = "" if name_of(host) in LOOPBACK_NAMES else f"{host}/taste"
        return _paper(tasting_slips(f"Tasting {one.id}", one.kind, one.asks, slips, where=where))

    def plating(self, request: Request) -> Response:
        """GET /trial/{trial}/plating?tasting=: which code is which, for the one who plates."""
        one, trial = self._latest(request), self._trial(request)
        a, b = (
            f"{self._name(piece)} ({piece.level})" for number in (one.first, one.second)
            for piece in self._ledger.pieces(trial.id) if piece.id == number
        )
        return _paper(plating_list(f"Tasting {one.id}", trial.name, (a, b), _served(one)))

    def outlook(self, request: Request) -> Response:
        """GET /api/tastings/outlook?kind=&tasters=&expected=: what so many tasters can tell, in words."""
        kind, tasters = request.query_params.get("kind", ""), inputs.query_number(request, "tasters", 1, MOST_TASTERS)
        if kind not in TASTINGS or tasters is None or tasters != int(tasters):
            raise ConfigError(f"give kind, of {', '.join(TASTINGS)}, and how many tasters")
        expected = inputs.query_number(request, "expected", 0, 1) == 1
        return answer(request, {"words": outlook_words(kind, int(tasters), expected=expected)})

    def tastings(self, request: Request) -> Response:
        """GET /api/trials/{trial}/tastings: all, each with its slips and what was answered."""
        record = load_tastings(self._ledger, self._trial(request))
        return answer(request, {"tastings": [_told(record, one) for one in record.tastings]})

    async def set_out(self, request: Request) -> Response:
        """POST /api/trials/{trial}/tastings {kind, first, second, tasters, asks?, expects?}: pieces by number."""
        fields = await inputs.fields_of(request)
        kind, tasters = fields.choice("kind", TASTINGS), inputs.whole(fields, "tasters", 1, MOST_TASTERS)
        asks = fields.choice("asks", ASPECTS) if fields.has("asks") else ""
        numbers = [inputs.whole(fields, key, 1, 1e15) for key in ("first", "second")]
        expects = inputs.whole(fields, "expects", 1, 1e15) if fields.has("expects") else None
        fields.finish()
        trial = self._trial(request)
        pieces = {piece.id: piece for piece in self._ledger.pieces(trial.id)}
        for key, number in (("first", numbers[0]), ("second", numbers[1]), ("expects", expects)):
            if number is not None and number not in pieces:
                raise FieldError(key, f"trial {trial.name!r} has no piece {number}")
        if expects is not None and expects not in numbers:
            raise FieldError("expects", "the one that is expected to have more must be one of the two")

        def work() -> Tasting:
            return self._ledger.new_tasting(
                trial.id, kind, pieces[numbers[0]], pieces[numbers[1]], tasters=tasters, seed=secrets.token_hex(16),
                asks=asks, expects=None if expects is None else pieces[expects],
            )

        return self._answer(request, trial, await run_in_threadpool(work), 201)

    async def answer(self, request: Request) -> Response:
        """POST .../answers {taster, code, instead?} or {taster, scores}: what a taster wrote on paper."""
        fields = await inputs.fields_of(request)
        trial, one = self._trial(request), self._tasting(request)
        taster = inputs.whole(fields, "taster", 1, one.tasters)
        await run_in_threadpool(write_down, self._ledger, one, taster, fields)
        return self._answer(request, trial, one)

    async def take_back(self, request: Request) -> Response:
        """DELETE .../answers/{taster}: what a taster said counts no more, and is kept."""
        trial, one = self._trial(request), self._tasting(request)
        await run_in_threadpool(self._ledger.withdraw_answer, one, inputs.path_id(request, "taster"))
        return self._answer(request, trial, one)

    async def close(self, request: Request) -> Response:
        """POST .../close: judge it by the answers that are in; none comes in or is taken back after that."""
        fields = await inputs.fields_of(request)
        fields.finish()
        trial, one = self._trial(request), self._tasting(request)
        return self._answer(request, trial, await run_in_threadpool(self._ledger.close_tasting, one.id))

    def _answer(self, request: Request, trial: Trial, one: Tasting, status: int = 200) -> Response:
        return answer(request, _told(load_tastings(self._ledger, trial), tasting_record(self._ledger, one)), status)

    def _name(self, piece: Piece) -> str:
        return self._ledger.cook(piece.cook_id).name + (f", {piece.place}" if piece.place else "")

    def _trial(self, request: Request) -> Trial:
        return self._ledger.trial(inputs.path_id(request, "trial"))

    def _tasting(self, request: Request) -> Tasting:
        one = self._ledger.tasting(inputs.path_id(request, "tasting"))
        if one.trial_id != self._trial(request).id:
            raise NotFoundError(f"this trial has no tasting {one.id}")
        return one

    def _latest(self, request: Request) -> Tasting:
        """The one in the address, or the latest of the trial."""
        trial, number = self._trial(request), inputs.query_id(request, "tasting")
        found = [one for one in self._ledger.tastings(trial.id) if number in (None, one.id)]
        if not found:
            raise NotFoundError(f"trial {trial.name!r} has no tasting{'' if number is None else f' {number}'} yet")
        return found[-1]


def _served(one: Tasting) -> list[tuple[Slip, str]]:
    """Each taster's slip, and which sample each of its codes is."""
    who = tasting_servings(TastingRecord(one, ()))
    words = slip_words(one.seed, one.tasters)
    return [(Slip(each.taster, each.codes, word), each.samples) for each, word in zip(who, words, strict=True)]


def _told(trial: TrialRecord, record: TastingRecord) -> dict[str, Any]:
    """A tasting as whoever sets it out sees it: not which code is which, which the plating list alone says."""
    one, said = record.tasting, tasting_said(trial, record)
    answers = {each.taster: each.code for each in record.answers} | _scores_by_code(record)
    return {
        "id": one.id, "kind": one.kind, "asks": one.asks, "pieces": list(said.samples), "made": one.made_ms / 1000,
        "closed": None if one.closed_ms is None else one.closed_ms / 1000, "complete": record.complete,
        "heard": len(record.heard), "words": tasting_words(said),
        "slips": [
            {"taster": slip.taster, "word": slip.word, "codes": list(slip.codes), "said": answers.get(slip.taster)}
            for slip, _ in _served(one)
        ],
        "undone": [{"taster": u.taster, "said": u.said, "at": u.withdrawn_ms / 1000} for u in record.undone],
    }


def _scores_by_code(record: TastingRecord) -> dict[int, str]:
    """What each taster of a rating gave: "530: bark 6, moisture 5; 837: ...", in the order of the plates."""
    samples, out = {"A": record.tasting.first, "B": record.tasting.second}, {}
    for serving in tasting_servings(record) if record.rated else ():
        plates = [
            (code, [f"{r.aspect} {r.value:g}" for r in record.rated
                    if r.taster == serving.taster and r.piece == samples[sample]])
            for code, sample in zip(serving.codes, serving.samples, strict=True)
        ]
        if any(scores for _, scores in plates):
            out[serving.taster] = "; ".join(f"{code}: {', '.join(scores)}" for code, scores in plates if scores)
    return out


def _paper(text: str) -> Response:
    return HTMLResponse(text, headers={"Cache-Control": "no-store"})
