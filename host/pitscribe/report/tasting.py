"""A blind tasting on paper: slips for the tasters, and the list for the one who plates. Two files, for one would tell.

Self-contained HTML, A4, no script. A slip has codes and nothing that says which is which. Everything that a person
wrote is escaped.
"""

from collections.abc import Sequence
from html import escape
from typing import NamedTuple

from pitscribe.ledger.trialvalues import ANCHORS

_STYLE = """
@page { size: A4; margin: 12mm 14mm }
* { box-sizing: border-box }
body { font: 11pt/1.35 system-ui, sans-serif; color: #111; background: #fff; max-width: 182mm; margin: 0 auto }
h1 { font-size: 15pt; margin: 0 0 2mm } h2 { font-size: 12pt; margin: 0 }
p { margin: 1.5mm 0 } ul { margin: 1mm 0; padding-left: 5mm }
.slip { break-inside: avoid; border: 1px solid #555; border-radius: 3mm; padding: 4mm 6mm; margin: 0 0 5mm }
.head { display: flex; justify-content: space-between; gap: 5mm; align-items: baseline }
.codes { display: flex; gap: 8mm; margin: 4mm 0; padding: 0; list-style: none; flex-wrap: wrap }
.code { border: 2px solid #111; border-radius: 3mm; padding: 2mm 7mm; font: 700 20pt/1.3 ui-monospace, monospace }
.word { font: 700 11pt/1.3 ui-monospace, monospace }
.line { border-bottom: 1px solid #777; min-height: 8mm }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums }
th, td { border: 1px solid #777; padding: .8mm 2.5mm; text-align: left; vertical-align: top }
thead th { background: #eee } td.mark { width: 15mm }
.plates { margin-top: 4mm } .plates th:first-child { width: 20mm }
.small { font-size: 8.5pt; font-weight: 400; color: #333 }
thead { display: table-header-group } tr { break-inside: avoid }
@media screen { body { padding: 6mm } }
@media screen and (max-width: 620px) { body { padding: 4mm } .code { padding: 2mm 4mm } table { font-size: 9.5pt } }
"""
_TASKS = {
    "triangle": "Two of these three are alike, and one is different. Mark the one that is different.",
    "paired": "Mark the one {meant}.",
    "rating": "Give each a score from 0 to 10 in every line, as the words say.",
}
_MEANT = {
    "tenderness": "that is more tender", "moisture": "that is moister", "bark": "that has the better bark",
    "flavour": "that has the better flavour", "overall": "that you like better",
}


class Slip(NamedTuple):
    """A taster's number, the codes in the order in which they are tasted, and the word that opens the taster's form."""

    taster: int
    codes: Sequence[str]
    word: str = ""


def task_words(kind: str, asks: str) -> str:
    """What a taster is asked to do; of a paired tasting with ``asks``, the aspect that it is compared in."""
    forced = "" if kind == "rating" else " You must choose one; if you cannot tell, guess."
    return _TASKS[kind].format(meant=_MEANT.get(asks, "")) + forced


def tasting_slips(title: str, kind: str, asks: str, slips: Sequence[Slip], *, where: str = "") -> str:
    """The slips to cut apart, as one HTML file.

    kind : "triangle", "paired" or "rating";  asks : the aspect that a pair is compared in
    where : the address at which a phone opens a taster's form; "": not known
    """
    return _page(title, "".join(_slip(title, kind, asks, slip, where) for slip in slips))


def _slip(title: str, kind: str, asks: str, slip: Slip, where: str) -> str:
    on_phone = f"{escape(where)}, slip " if where else "slip "
    word = f'<p class="small">Or on a phone: {on_phone}<b class="word">{escape(slip.word)}</b></p>' if slip.word else ""
    answer = _scores(slip) if kind == "rating" else _codes(slip)
    return (
        f'<section class="slip"><div class="head"><h2>{escape(title)}</h2><b>Taster {slip.taster}</b></div>'
        "<p>Taste from left to right, with a sip of water and a bite of plain bread before each. "
        f"{escape(task_words(kind, asks))} Do not talk until everybody is done.</p>"
        f"{answer}{word}"
        '<p class="small">If something here may harm you (an allergy, pork, pepper), ask before you taste.</p>'
        '<p>What did you notice?</p><div class="line"></div></section>'
    )


def _codes(slip: Slip) -> str:
    return '<ul class="codes">' + "".join(f'<li class="code">{escape(code)}</li>' for code in slip.codes) + "</ul>"


def _scores(slip: Slip) -> str:
    heads = "".join(f'<th scope="col">{escape(code)}</th>' for code in slip.codes)
    empty = '<td class="mark"></td>' * len(slip.codes)
    rows = "".join(
        f'<tr><th scope="row">{aspect}<br><span class="small"><b>0</b>&nbsp;{low}; <b>5</b>&nbsp;{middle}; '
        f"<b>10</b>&nbsp;{high}</span></th>{empty}</tr>"
        for aspect, (low, middle, high) in ANCHORS.items()
    )
    return f'<table><thead><tr><th scope="col">0 to 10</th>{heads}</tr></thead><tbody>{rows}</tbody></table>'


def plating_list(
    title: str, trial: str, pieces: tuple[str, str], servings: Sequence[tuple[Slip, str]]
) -> str:
    """Which code is which, for the one who plates, as one HTML file.

    trial : what the trial is called;  pieces : what A and B are;  servings : a slip and the sample of each of its codes
    """
    most = max(len(slip.codes) for slip, _ in servings)
    heads = "".join(f'<th scope="col">plate {i + 1}</th>' for i in range(most))
    rows = "".join(
        f'<tr><th scope="row">{slip.taster}</th>' + "".join(
            f"<td><b>{escape(code)}</b> &nbsp; {sample}</td>" for code, sample in zip(slip.codes, samples, strict=True)
        ) + "</tr>"
        for slip, samples in servings
    )
    a, b = (escape(piece) for piece in pieces)
    body = (
        f"<h1>{escape(title)}: for the one who plates</h1><p>{escape(trial)}</p>"
        "<p><b>Tasters must not see this page, nor must whoever serves them.</b></p>"
        f"<p>A is {a}.<br>B is {b}.</p>"
        "<ul><li>Cut both from the same part, equally thick, with the same amount of bark.</li>"
        "<li>Serve both equally warm. Until then keep them hot, at 60 C (140 F) or above, and no longer than two hours "
        "once they are below that; one hour where it is over 32 C (90 F).</li>"
        "<li>Write the codes on the plates, and set each taster's plates from left to right as they stand here.</li>"
        "<li>Hot meat and long knives: cut on a board that lies still, away from the tasters.</li></ul>"
        f'<table class="plates"><thead><tr><th scope="col">taster</th>{heads}</tr></thead><tbody>{rows}</tbody></table>'
    )
    return _page(f"{title}: for the one who plates", body)


def _page(title: str, body: str) -> str:
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>{body}</body></html>\n'
    )
