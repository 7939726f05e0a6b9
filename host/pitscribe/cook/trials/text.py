"""A trial's findings in plain words, in the reader's units."""

from collections.abc import Iterator

from pitscribe.cook.plain import difference, span
from pitscribe.cook.plain import signed as signed_difference
from pitscribe.cook.trials.balance import Differs
from pitscribe.cook.trials.conclusion import STATES
from pitscribe.cook.trials.effect import Effect
from pitscribe.cook.trials.facts import OUTCOME
from pitscribe.cook.trials.findings import Comparison, Findings
from pitscribe.cook.trials.power import LEVEL, MOST_PIECES, WANTED, Needed
from pitscribe.cook.trials.sensory import Tasted
from pitscribe.cook.trials.tasted import TastingSaid

_TELL = 0.3  # differences under so many scatters are not worth a line


def amount(value: float, unit: str, units: str, *, signed: bool = False) -> str:
    """A difference of an outcome or a quantity, with its unit: "+1.2 points", "5.4 F", "-45 min"."""
    if unit in ("K", "degC"):
        return signed_difference(value, units) if signed else difference(value, units)
    sign = "" if not signed else "+" if value >= 0 else "-"
    size = abs(value) if signed else value
    if unit == "h":
        return sign + span(3600 * size)
    digits = 0 if unit in ("days", "times") else 1
    return f"{sign}{size:.{digits}f} {unit}"


def lines(findings: Findings, units: str) -> Iterator[str]:
    """The findings, line by line: the conclusion first, then what it rests on. ``units``: "F" or "C"."""
    trial = findings.record.trial
    yield f"{trial.question}"
    yield (f"{trial.factor}: {', '.join(trial.levels)}. It is decided by {trial.main} alone; "
           f"{amount(trial.matters, OUTCOME[trial.main].unit, units)} would matter. Seal {findings.seal}")
    if trial.closed_ms is not None:
        yield f"{'closed' if findings.complete else 'ended early'}: {trial.closed_why}"
    yield ""
    yield from concluded(findings, units)
    yield from _pieces(findings)
    yield from besides(findings, units)
    for tasting in findings.tastings:
        yield ""
        one = tasting.record.tasting
        yield f"tasting {one.id}, {one.kind}: {tasting_words(tasting)}"


def concluded(findings: Findings, units: str) -> Iterator[str]:
    """What is concluded, what it takes to conclude more, and what weakens it."""
    for comparison in findings.main:
        yield conclusion(comparison, findings, units)
    if not all(c.state in ("told", "alike") for c in findings.main):
        trial = findings.record.trial
        yield needed_words(findings.needed, units, OUTCOME[trial.main].unit)
    yield from (f"caution: {caution}" for caution in findings.cautions)


def besides(findings: Findings, units: str) -> Iterator[str]:
    """The other outcomes, and what else differed."""
    yield from _others(findings, units)
    for levels, differs in findings.differs:
        yield from _differs(levels, differs, units)


def conclusion(comparison: Comparison, findings: Findings, units: str) -> str:
    """One comparison of the main outcome, in a few sentences."""
    first, second = comparison.levels
    head = f"{second} against {first}: {STATES[comparison.state]}."
    if comparison.effect is None:
        return head
    words = [head, f"{comparison.outcome.name} {_effect(comparison.effect, comparison.outcome.unit, units)}."]
    test = comparison.effect.test
    match comparison.state:
        case "one each":
            words.append("Their difference may be that of any two cooks.")
        case "chosen":
            words.append("What led to the choice may have made the difference.")
        case "unfinished" | "ended early":
            n, planned = len(findings.counted), findings.record.trial.planned
            words.append(
                f"{n} of {planned} pieces are in, and {comparison.missing} of these have no figure yet. Whoever looks "
                "early and stops when it looks well finds something in chance alone."
            )
        case "too few":
            words.append(f"The smallest p that this design can give is {test.least:.2f}; under 0.05 is asked for.")
        case "told" if comparison.effect.within(findings.record.trial.matters):
            words.append("It is there, and smaller than what would matter.")
        case "open":
            words.append("That is not the same as no difference: see the interval.")
        case "alike":
            words.append("The whole interval is smaller than what would matter.")
        case _:
            pass
    return " ".join(words)


def _effect(effect: Effect, unit: str, units: str) -> str:
    words = amount(effect.difference, unit, units, signed=True)
    if effect.low is not None and effect.high is not None:
        low, high = (amount(end, unit, units, signed=True) for end in (effect.low, effect.high))
        low = low if unit == "h" else low.rsplit(" ", 1)[0]
        words += f" (95 %: {low} to {high})"
    test = effect.test
    how = f"all {test.ways} draws" if test.exact else f"a sample of {test.ways} draws"
    return f"{words}, {effect.counts[0]} and {effect.counts[1]} pieces, p {test.p:.3f} by {how}"


def needed_words(needed: Needed, units: str, unit: str) -> str:
    """How many pieces it takes."""
    size = amount(needed.difference, unit, units)
    each = f"about {needed.each}" if needed.each is not None else f"more than {MOST_PIECES}"
    words = f"To see a difference of {size} with {100 * WANTED:.0f} % power you need {each} of each level"
    scatter = amount(needed.scatter, unit, units)
    if needed.supposed:
        return f"{words}, if pieces alike differ by {scatter} (one standard deviation: our allowance)."
    low, high = (f"over {MOST_PIECES}" if n is None else str(n) for n in (needed.low, needed.high))
    return f"{words}: pieces alike differ by {scatter} so far, which is hardly known yet, so {low} to {high}."


def _pieces(findings: Findings) -> Iterator[str]:
    yield ""
    main = findings.record.trial.main
    for i, piece in enumerate(findings.record.pieces):
        how = "drawn" if piece.piece.slot is not None else "chosen"
        figure = f"{piece.facts[main]:.1f}" if main in piece.facts else "none yet"
        out = "" if i in findings.counted else "  not counted"
        yield f"{piece.piece.level:<16}{how:<8}{main} {figure:<10}{piece.name}{out}"


def _others(findings: Findings, units: str) -> Iterator[str]:
    others = [c for c in findings.comparisons if not c.main and c.effect is not None and c.p_together is not None]
    if others:
        yield ""
        yield ("looked at besides; not chosen beforehand, so these are ideas for another trial (p of all of them "
               "together, by Holm):")
    for c in others:
        assert c.effect is not None
        yield (f"{c.outcome.name}, {c.levels[1]} against {c.levels[0]}: {_effect(c.effect, c.outcome.unit, units)}, "
               f"together {c.p_together:.3f}")


def _differs(levels: tuple[str, str], differs: tuple[Differs, ...], units: str) -> Iterator[str]:
    worth = [d for d in differs if abs(d.size) >= _TELL]
    if worth:
        yield ""
        yield f"what else differed, {levels[1]} against {levels[0]}, by size (1: as much as pieces alike differ):"
    for d in worth:
        unit = d.quantity.unit
        when = "beforehand" if d.quantity.before else "may be a consequence"
        yield f"{d.size:+5.1f}  {d.quantity.name} {amount(d.difference, unit, units, signed=True)}  ({when})"


def tasting_words(said: TastingSaid) -> str:
    """One tasting, in a few sentences."""
    record, judged = said.record, said.judged
    one, n = record.tasting, len(record.heard)
    words = f"{said.samples[0]} ({said.levels[0]}), {said.samples[1]} ({said.levels[1]})."
    if not record.complete:
        words += f" {n} of {one.tasters} answers are in: no conclusion before all are, or the tasting is closed."
    elif not n:
        words += " It was closed without an answer."
    else:
        words += f" Closed with {n} of {one.tasters} answers." if n < one.tasters else ""
        words += _judged(said, judged) if judged is not None else _scored(said)
        words += " It is about these two pieces: many tasters are not many cooks."
    if record.undone:
        some = "; ".join(f"taster {each.taster}, {each.said}" for each in record.undone)
        words += f" Taken back or said anew: {some}."
    return words


def _judged(said: TastingSaid, judged: Tasted) -> str:
    one, n = said.record.tasting, judged.n
    what = "named the odd one" if one.kind == "triangle" else f"named the same one for more {one.asks}"
    if one.expects is not None:
        what = f"named the one that was expected to have more {one.asks}"
    words = f" {judged.right} of {n} {what}; guessing does as well with p {judged.p:.3f}."
    if said.named is not None and one.expects is None and said.named[0] != said.named[1]:
        words += f" It is {said.samples[0 if said.named[0] > said.named[1] else 1]}."
    if judged.told:
        words += " People tell them apart."
    elif judged.least is None:
        words += f" With {n} tasters not even all of them right would have told anything."
    else:
        words += (f" Not told: {judged.least} were needed; if half of the tasters could taste it, {n} would tell it "
                  f"{100 * judged.power:.0f} times in 100.")
    return (f"{words} Of people, {100 * judged.tellers:.0f} % can tell them without guessing (95 % interval: "
            f"{100 * judged.low:.0f} to {100 * judged.high:.0f} %).")


def _scored(said: TastingSaid) -> str:
    if not said.scored:
        return " Nobody has scored both of them in one thing."
    words = f" {said.samples[1]} less {said.samples[0]}, what decides first:"
    for each in said.scored:
        test, n = each.effect.test, each.effect.counts[0]
        p = f"p {test.p:.3f}" + ("" if each.main else f", with the others together {each.p_together:.3f}")
        words += f" {each.aspect} {each.effect.difference:+.1f} points by {n} tasters, {p};"
    told = [each.aspect for each in said.scored if each.p_together <= LEVEL]
    apart = f"People tell them apart in {', '.join(told)}" if told else "In nothing are they told apart"
    return f"{words[:-1]}. {apart}. Its scores are among the pieces'."
