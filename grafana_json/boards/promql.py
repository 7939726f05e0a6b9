"""The questions in PromQL, as VictoriaMetrics and Prometheus take it.

Every point is asked for over a window of time (``..._over_time``): an instant selector would lose what is written less
often than every five minutes. A name chosen by the reader goes in as ``${name:doublequote}``, which Grafana quotes and
escapes, and several of them between backticks, where PromQL takes a backslash for itself.
"""

from dataclasses import replace

from boards.asks import (
    BAND_HIGH,
    BAND_LOW,
    EVER_DAYS,
    LONGEST_COOK,
    MINUTE,
    Ask,
    Cooks,
    Course,
    Figure,
    Held,
    How,
    InBand,
    Of,
    Pace,
    Scale,
    Scope,
    Spots,
    Swing,
    Usable,
    Whole,
)

_EVER = f"[{2 * EVER_DAYS}d] offset -{EVER_DAYS}d"
_ROLL = {"mean": "avg", "last": "last", "min": "min", "max": "max", "sum": "sum", "count": "count"}
_TOGETHER = {"last": "max", "min": "min", "max": "max", "sum": "sum", "count": "sum"}


def expression(ask: Ask) -> str:
    """The expression that answers a question that one expression can answer."""
    match ask:
        case Course(of, how, scale, apart):
            each = f"{_ROLL[how]}_over_time({_selector(of)}[$__interval])"
            return scale.of(f"(max({each}) - min({each}))" if apart else _by(of, each))
        case Held(of, scale):
            return scale.of(_by(of, f"last_over_time({_selector(of)}[{LONGEST_COOK}])"))
        case Figure(of, how, scale, over, coldest):
            value = _figure(of, how, f"[{over or '$__range'}]")
            return scale.of(f"min({value})" if coldest else value)
        case Swing(of, span):
            one = _selector(of)
            return _by(of, f"(max_over_time({one}[{span}]) - min_over_time({one}[{span}])) * $unit")
        case Pace(of, span, an_hour):
            mean = f"avg_over_time({_selector(of)}[{span}]"
            return _by(of, f"({mean}) - {mean} offset {span})) * {an_hour} * $unit")
        case InBand(of, side):
            return _in_band(of, side)
        case Usable(of):
            usable, every = (_selector(replace(of, field=name)) for name in ("celsius", "flags"))
            return _by(of, f"count_over_time({usable}[$__range]) / count_over_time({every}[$__range])")
        case Spots() | Cooks():
            raise TypeError(f"{type(ask).__name__} takes an expression for each of its columns")


def spots(ask: Spots) -> dict[str, str]:
    """Field -> its points, one for each interval that has any."""
    fields = {name: _selector(replace(ask.of, field=name)) for name in ask.fields}
    return {name: _by(ask.of, f"last_over_time({one}[$__interval])") for name, one in fields.items()}


def column(one: Whole) -> str:
    """A column of a table of cooks."""
    of = replace(one.of, by=("cook",))
    value = _figure(of, one.how, _EVER)
    return one.scale.of(f"({value} - {_figure(replace(of, field=one.less), one.how, _EVER)})" if one.less else value)


def instants(of: Of) -> str:
    """When the points were, UTC ms: the value is the time, for a step may be many minutes."""
    return Scale.INSTANT.of(_by(of, f"max_over_time(timestamp({_selector(of)})[$__interval:10s])"))


def cooks(*, others: bool = False) -> str:
    """All cooks of the ledger, for the reader to choose from; ``label_values`` would have those of the time shown.

    others : but the chosen one
    """
    return _all_of("cook", "{ledger=${ledger:doublequote}" + (",cook!=${cook:doublequote}}" if others else "}"))


def ledgers() -> str:
    """All ledgers in the store."""
    return _all_of("ledger", "")


def tag_in(tag: str) -> str:
    """The pattern that takes a tag's value out of what Grafana makes of a result: {cook="7 oak"} 1 1784000000000."""
    return f'/^\\{{{tag}="(.*)"\\}} /'


def loggers() -> str:
    """The ledger's loggers that read something in the time shown."""
    return "label_values(pitscribe_logger_samples{ledger=${ledger:doublequote}}, logger)"


def _all_of(tag: str, known: str) -> str:
    return f"query_result(count by ({tag}) (last_over_time(pitscribe_cook_started{known}{_EVER})))"


def minutes_apart() -> str:
    """By how many whole minutes the starts of the two cooks are apart."""
    two = [_figure(Of("pitscribe_cook", "started", scope), "last", _EVER) for scope in (Scope.COOK, Scope.EARLIER)]
    return f"query_result(round(abs({two[0]} - {two[1]}) / 60))"


def _figure(of: Of, how: How, window: str) -> str:
    one = f"{_selector(of)}{window}"
    if how == "mean":  # of all readings: a place that was read twice as often counts twice
        return f"{_sum(of, f'sum_over_time({one})')} / {_sum(of, f'count_over_time({one})')}"
    return _by(of, f"{_ROLL[how]}_over_time({one})", _TOGETHER[how])


def _in_band(of: Of, side: str) -> str:
    mean = f"avg_over_time({_selector(of)}[{MINUTE}])"
    low, high = (f"last_over_time({_selector(edge)}[{LONGEST_COOK}])" for edge in (BAND_LOW, BAND_HIGH))
    each = "bool on (ledger, cook) group_left ()"
    where = {"below": f"{mean} < {each} {low}", "above": f"{mean} > {each} {high}",
             "within": f"({mean} >= {each} {low}) * ({mean} <= {each} {high})"}[side]
    return _by(of, f"sum_over_time(({where})[$__range:{MINUTE}])") + " / 60"


def _by(of: Of, expression: str, together: str = "max") -> str:
    """Labels that do not tell its series apart dropped."""
    return f"{together} by ({', '.join(of.by)}) ({expression})"


def _sum(of: Of, expression: str) -> str:
    return _by(of, expression, "sum")


def _selector(of: Of) -> str:
    chosen = ["ledger=${ledger:doublequote}"]
    if of.scope is Scope.LOGGER:
        chosen.append("logger=${logger:doublequote}")
    elif of.scope is Scope.COOKS:
        chosen.append("cook=~`${cooks:regex}`")
    elif of.scope is not Scope.LEDGER:
        chosen.append(f"cook=${{{of.scope.value}:doublequote}}")
    matchers = ",".join((*chosen, *(f'{name}="{value}"' for name, value in of.where)))
    return f"{of.measurement}_{of.field}{{{matchers}}}"
