"""What ``pitscribe trial`` and ``pitscribe score`` can be asked, and nothing of how that is done."""

import argparse
from pathlib import Path

from pitscribe.ledger.trialvalues import ASPECTS, OUTCOMES, TASTINGS

_PIECE = "number or name of a cook, or COOK:PLACE for one cut of it"


def add_score(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``score`` to the command line."""
    text = "how a cook turned out: scores from 0 to 10 by place and taster, and weights; alone it shows what is there"
    p = sub.add_parser("score", help=text, description=text)
    p.set_defaults(module="score")
    p.add_argument("cook", metavar="COOK[:PLACE]", help=_PIECE)
    _scores(p)
    p.add_argument("--taster", metavar="NAME", help="whose scores (default: the cook's own)")
    p.add_argument("--blind", action="store_true", help="given without knowing what had been done to it")
    p.add_argument("--remark", metavar="TEXT")
    for name, what in (("raw", "as bought"), ("trimmed", "as it went on"), ("cooked", "as it came off")):
        p.add_argument(f"--{name}", metavar="WEIGHT", help=f"weight {what}: 6.4kg or 14.2lb")
    p.add_argument("--take-back", action="append", default=[], choices=ASPECTS, metavar="ASPECT",
                   help="a score that counts no more")
    p.add_argument("--new-place", action="store_true", help="a place that has no probe")
    p.add_argument("--json", action="store_true", help="for another program")


def _scores(p: argparse.ArgumentParser) -> None:
    for aspect in ASPECTS:
        p.add_argument(f"--{aspect}", type=float, metavar="N", help="0 to 10")


def add_trial(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``trial`` and its actions to the command line."""
    p = sub.add_parser("trial", help="a question put to several cooks: draw, taste blind, and what can be concluded")
    actions = p.add_subparsers(title="actions", dest="action", required=True, metavar="ACTION")

    def action(name: str, text: str, *, cook: bool = False) -> argparse.ArgumentParser:
        a = actions.add_parser(name, help=text, description=text)
        a.set_defaults(module="trial")
        if name not in ("new", "list"):
            a.add_argument("trial", help="number or name")
        if cook:
            a.add_argument("cook", metavar="COOK[:PLACE]", help=_PIECE)
        return a

    _new(action("new", "lay a trial down, before the first cook; what is said here stays"))
    action("list", "every trial").add_argument("--json", action="store_true", help="for another program")
    action("assign", "draw which level a cook gets; before it is cooked", cook=True)
    add = action("add", "enter a cook whose level was chosen, and not drawn", cook=True)
    add.add_argument("--level", required=True, metavar="LEVEL")
    for a in (action("drop", "take a cook out; it stays in the log", cook=True),
              action("close", "end a trial; before all that was planned is in there is no conclusion")):
        a.add_argument("--why", required=True, metavar="TEXT", help="the reason, which is shown ever after")
    show = action("show", "what a trial says, and what it cannot say")
    show.add_argument("--json", action="store_true", help="for another program: degC, K and hours")
    show.add_argument("--unit", choices=["F", "C"], help="units to print")
    _tasting(action("taste", "lay a blind tasting of two pieces down"))
    sheet = action("sheet", "the slips of a tasting as HTML to print, and the list for the one who plates")
    sheet.add_argument("--out", required=True, type=_file, metavar="FILE", help="slips for the tasters")
    sheet.add_argument("--plating", type=_file, metavar="FILE", help="which code is which; not for the tasters")
    answer = action("answer", "the code that a taster named, or the scores given to one")
    answer.add_argument("taster", type=int, help="number on the slip")
    answer.add_argument("code", help="three digits")
    answer.add_argument("--instead", action="store_true", help="in place of one that was typed wrongly")
    _scores(answer)
    back = action("take-back", "take back what a taster said; it is kept, and counts no more")
    back.add_argument("taster", type=int, help="number on the slip")
    close = action("close-tasting", "end a tasting with the answers that are in; then it is judged")
    for a in (sheet, answer, back, close):
        a.add_argument("--tasting", type=int, metavar="N", help="which one (default: the latest)")


def _new(p: argparse.ArgumentParser) -> None:
    p.add_argument("name", help="short, for the command line")
    p.add_argument("--question", required=True, metavar="TEXT", help="what you want to know")
    p.add_argument("--factor", required=True, metavar="TEXT", help="what is done differently: wrap")
    p.add_argument("--levels", required=True, metavar="A,B", help="the ways it is done, the usual one first")
    p.add_argument("--main", required=True, metavar="OUTCOME", help=f"what decides: {', '.join(OUTCOMES)}")
    p.add_argument("--matters", required=True, metavar="D",
                   help="the smallest difference in it that would matter to you: 1 (points), 5F, 45m, 3%%")
    p.add_argument("--pieces", required=True, type=int, metavar="N", help="how many cooks, or cuts, in all")
    p.add_argument("--block", type=int, metavar="N",
                   help="in blocks of so many each level comes equally often: 2 for pairs (default: one block)")
    p.add_argument("--seed", metavar="TEXT", help="draw from this, dice or a coin (default: the system's randomness)")


def _tasting(p: argparse.ArgumentParser) -> None:
    p.add_argument("--kind", required=True, choices=TASTINGS, metavar="KIND",
                   help="triangle (which is the odd one), paired (which has more of a thing) or rating (0 to 10 each)")
    for name in ("of", "against"):
        p.add_argument(f"--{name}", required=True, metavar="COOK[:PLACE]", help="one of the two pieces")
    p.add_argument("--tasters", required=True, type=int, metavar="N")
    p.add_argument("--asks", choices=ASPECTS, metavar="ASPECT", help="what a pair is compared in")
    p.add_argument("--expects", metavar="COOK[:PLACE]",
                   help="the one of a pair that should have more of it, if that is known beforehand")


def _file(text: str) -> Path:
    if not text:
        raise argparse.ArgumentTypeError("must name a file")
    return Path(text)
