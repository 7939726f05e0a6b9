"""The questions in InfluxQL, as InfluxDB 1.x, 2 and 3 take it.

A name chosen by the reader goes in as ``${name:singlequote}``, which Grafana quotes and escapes, and several of them
as a regular expression, ``${name:regex}``. ``0$low`` is a number where a cook has no band, too.
"""

from boards.asks import (
    LONGEST_COOK,
    MINUTE,
    Ask,
    Cooks,
    Course,
    Figure,
    Held,
    InBand,
    Of,
    Pace,
    Scope,
    Spots,
    Swing,
    Usable,
    Whole,
)

SHOWN = "$timeFilter"
_HELD_STEP = "5m"


def statement(ask: Ask) -> str:
    """The statement that answers a question."""
    match ask:
        case Course(of, how, scale, apart):
            each = f'{how}("{of.field}")'
            if not apart:
                return _select(scale.of(each), of, SHOWN, "$__interval")
            inner = _select(each, of, SHOWN, "$__interval")
            between = scale.of('(max("value") - min("value"))')
            return f'SELECT {between} AS "value" FROM ({inner}) WHERE {SHOWN} GROUP BY time($__interval) fill(none)'
        case Held(of, scale):
            since = f"time >= ${{__from}}ms - {LONGEST_COOK} AND time <= ${{__to}}ms"
            return _select(scale.of(f'last("{of.field}")'), of, since, _HELD_STEP, "previous")
        case Figure(of, how, scale, over, coldest):
            when = f"time > ${{__to}}ms - {over} AND time <= ${{__to}}ms" if over else SHOWN
            each = f'{how}("{of.field}")'
            if not coldest:
                return _select(scale.of(each), of, when)
            least = scale.of('min("value")')
            return f'SELECT {least} AS "value" FROM ({_select(each, of, when)})'
        case Swing(of, span):
            return _select(f'(max("{of.field}") - min("{of.field}")) * $unit', of, SHOWN, span)
        case Pace(of, span, _):
            return _select(f'derivative(mean("{of.field}"), 1h) * $unit', of, SHOWN, span)
        case InBand(of, side):
            return _in_band(of, side)
        case Usable(of):
            return _select('count("celsius") / count("flags")', of, SHOWN)
        case Spots(of, fields, texts):
            columns = ", ".join(f'"{name}"' for name in (*of.by, *fields, *texts))
            return f'SELECT {columns} FROM "{of.measurement}" WHERE {_where(of)} AND {SHOWN}'
        case Cooks():
            raise TypeError("Cooks takes a statement for each of its columns")


def column(one: Whole) -> str:
    """A column of a table of cooks. A sum of the one value has the time 0, so that all columns of a cook make a row."""
    value = f'{one.how}("{one.of.field}")' + (f' - {one.how}("{one.less}")' if one.less else "")
    known, scaled = _where(one.of), one.scale.of(f"({value})")
    inner = f'SELECT {scaled} AS "value" FROM "{one.of.measurement}" WHERE {known} GROUP BY "cook"'
    return f'SELECT sum("value") AS "{one.name}" FROM ({inner}) GROUP BY "cook"'


def ledgers() -> str:
    """All ledgers in the store, for the reader to choose from."""
    return 'SHOW TAG VALUES FROM "pitscribe_cook" WITH KEY = "ledger"'


def cooks(*, others: bool = False) -> str:
    """All cooks of the ledger. ``others``: but the chosen one"""
    return _values("cook", "pitscribe_cook") + (' AND "cook" != ${cook:singlequote}' if others else "")


def loggers() -> str:
    """All loggers of the ledger."""
    return _values("logger", "pitscribe_logger")


def _values(tag: str, measurement: str) -> str:
    known = _where(Of(measurement, "", Scope.LEDGER))
    return f'SHOW TAG VALUES FROM "{measurement}" WITH KEY = "{tag}" WHERE {known}'


def value_of(of: Of) -> str:
    """The value of a field that a cook has once."""
    return f'SELECT "{of.field}" FROM "{of.measurement}" WHERE {_where(of)}'


def minutes_apart() -> str:
    """By how many whole minutes the starts of the two cooks are apart."""
    two = '("cook" = ${cook:singlequote} OR "cook" = ${earlier:singlequote})'
    known = _where(Of("pitscribe_cook", "started", Scope.LEDGER))
    return (f'SELECT round((max("started") - min("started")) / 60) AS "value" FROM "pitscribe_cook" '
            f"WHERE {known} AND {two}")


def _select(expression: str, of: Of, when: str, every: str = "", fill: str = "none") -> str:
    steps = [f"time({every})"] if every else []
    groups = ", ".join((*steps, *(f'"{tag}"' for tag in of.by)))
    tail = f" GROUP BY {groups}" if groups else ""
    return (f'SELECT {expression} AS "value" FROM "{of.measurement}" WHERE {_where(of)} AND {when}{tail}'
            + (f" fill({fill})" if every else ""))


def _in_band(of: Of, side: str) -> str:
    """A comparison with ``0$high`` alone would take every minute where there is no band: above has an upper end too."""
    minutes = _select(f'mean("{of.field}")', of, SHOWN, MINUTE)
    where = {"below": '"value" < 0$low', "within": '"value" >= 0$low AND "value" <= 0$high',
             "above": '"value" > 0$high AND "value" < 1000 * 0$high'}[side]
    by = ", ".join(f'"{tag}"' for tag in of.by)
    return f'SELECT count("value") / 60 AS "value" FROM ({minutes}) WHERE {where} GROUP BY {by}'


def _where(of: Of) -> str:
    chosen = ['"ledger" = ${ledger:singlequote}']
    if of.scope is Scope.LOGGER:
        chosen.append('"logger" = ${logger:singlequote}')
    elif of.scope is Scope.COOKS:
        chosen.append('"cook" =~ /^${cooks:regex}$/')
    elif of.scope is not Scope.LEDGER:
        chosen.append(f'"cook" = ${{{of.scope.value}:singlequote}}')
    return " AND ".join((*chosen, *(f"\"{name}\" = '{value}'" for name, value in of.where)))
