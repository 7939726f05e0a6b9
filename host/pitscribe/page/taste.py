"""A taster's form: who has a slip sees its task and its codes, and nothing of what they are codes of.

The slip's word goes in the body of a request and never into an address, where a log or a history would keep it.
"""

import math
import time
from collections.abc import Callable
from http import HTTPStatus
from typing import Any, NamedTuple

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.cook.trials.serving import Serving, read_word, servings, slip_words
from pitscribe.errors import ConfigError, FieldError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import ANCHORS, ASPECTS, MOST_POINTS, Tasting
from pitscribe.page import assets, inputs
from pitscribe.page.api import answer
from pitscribe.page.door.patience import Patience, Rule
from pitscribe.report.tasting import task_words
from pitscribe.series.trial import tasting_record

# Wrong slips of one guest that cost nothing. A guest who guesses makes nobody else wait.
RULE = Rule(free=10, free_of_all=None)


class _Held(NamedTuple):
    """Whose slip it is."""

    tasting: Tasting
    taster: int


class TasteApi:
    """The routes, over one ledger. They are open to who has no password: the slip's word is what lets in."""

    def __init__(self, ledger: Ledger, real: Callable[[], float] = time.monotonic) -> None:
        """``real``: seconds that never jump."""
        self._ledger, self._patience = ledger, Patience(real, RULE)

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/taste", assets.page("taste.html")),
            Route("/api/taste", self.form, methods=["POST"]),
            Route("/api/taste/answer", self.answer, methods=["POST"]),
        ]

    async def form(self, request: Request) -> Response:
        """POST /api/taste {slip}: the taster's task and codes; not whose, of what or of which trial they are."""
        fields = await inputs.fields_of(request)
        word = fields.text("slip", most=40)
        fields.finish()
        return answer(request, await run_in_threadpool(lambda: self._told(self._held(word, _address(request)))))

    async def answer(self, request: Request) -> Response:
        """POST /api/taste/answer {slip, code} or {slip, scores}: once; whoever set it out can take it back."""
        fields = await inputs.fields_of(request)
        word = fields.text("slip", most=40)

        def work() -> dict[str, Any]:
            with self._ledger.together():
                held = self._held(word, _address(request))
                if held.taster in tasting_record(self._ledger, held.tasting).heard:
                    raise ConfigError("this slip has answered; whoever set the plates out can take that back")
                write_down(self._ledger, held.tasting, held.taster, fields)
                return self._told(held)

        return answer(request, await run_in_threadpool(work))

    def _held(self, word: str, address: str) -> _Held:
        """Whose slip it is. FieldError if it is nobody's; 429 for who has tried too many."""
        if wait := self._patience.wait_s(address):
            seconds = str(math.ceil(wait))
            words = f"too many slips that nobody has: try again in {seconds} s"
            raise HTTPException(HTTPStatus.TOO_MANY_REQUESTS, words, {"Retry-After": seconds})
        wanted = read_word(word)
        for one in self._ledger.open_tastings():
            for taster, slip in enumerate(slip_words(one.seed, one.tasters), 1):
                if slip == wanted:
                    return _Held(one, taster)
        self._patience.wrong(address)
        raise FieldError("slip", "no tasting that goes on has this slip; type it again, as it is printed")

    def _told(self, held: _Held) -> dict[str, Any]:
        one = held.tasting
        aspects = ASPECTS if one.kind == "rating" else ()
        return {
            "tasting": one.id, "taster": held.taster, "kind": one.kind, "task": task_words(one.kind, one.asks),
            "codes": list(_serving(one, held.taster).codes), "most": MOST_POINTS,
            "aspects": [{"name": aspect, "words": list(ANCHORS[aspect])} for aspect in aspects],
            "answered": held.taster in tasting_record(self._ledger, one).heard,
        }


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _serving(one: Tasting, taster: int) -> Serving:
    return servings(one.kind, one.seed, one.tasters)[taster - 1]


def write_down(ledger: Ledger, one: Tasting, taster: int, fields: inputs.Fields) -> None:
    """Keep what a taster answered: {code, instead?}, or {scores: [{code, aspect, value}]} of a rating.

    Raises FieldError for a code that this taster does not have, ConfigError for one who has answered.
    """
    serving = _serving(one, taster)
    if one.kind == "rating":
        given = _scores(serving, fields)
        fields.finish()
        pieces = {piece.id: piece for piece in ledger.pieces(one.trial_id)}
        with ledger.together():
            for code, by_aspect in given.items():
                number = one.first if serving.sample(code) == "A" else one.second
                ledger.rate(one, taster, pieces[number], by_aspect)
        return
    code, instead = fields.text("code", most=3), fields.flag("instead")
    fields.finish()
    _check(serving, "code", code)
    ledger.answer(one, taster, code, instead=instead)


def _scores(serving: Serving, fields: inputs.Fields) -> dict[str, dict[str, float]]:
    """By code and aspect. Each aspect is scored of both or of neither: one alone can be compared with nothing."""
    given: dict[str, dict[str, float]] = {code: {} for code in serving.codes}
    for row in fields.rows("scores", len(serving.codes) * len(ASPECTS)):
        code, aspect = row.text("code", most=3), row.choice("aspect", ASPECTS)
        value = row.number("value", 0, MOST_POINTS, needed=True)
        row.finish()
        _check(serving, "scores", code)
        assert value is not None
        given[code][aspect] = value
    for aspect in ASPECTS:
        missing = [code for code in serving.codes if aspect not in given[code]]
        if missing and len(missing) < len(serving.codes):
            raise FieldError("scores", f"{aspect}: score {missing[0]} too, or neither")
    if not any(given.values()):
        raise FieldError("scores", "give at least one score for each")
    return given


def _check(serving: Serving, field: str, code: str) -> None:
    if code not in serving.codes:
        raise FieldError(field, f"taster {serving.taster} has no sample {code!r}, but {', '.join(serving.codes)}")
