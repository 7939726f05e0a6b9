"""A picture's questions as the queries of Grafana's two data sources."""

import re
from typing import Any, Self

from grafana_foundation_sdk.builders import prometheus
from grafana_foundation_sdk.cog import builder, runtime, variants
from grafana_foundation_sdk.models.prometheus import PromQueryFormat

from boards import influxql, promql
from boards.asks import Cooks, Figure, InBand, Spots, Usable
from boards.pictures import Kind, Line, Picture
from boards.variables import INFLUXQL, TYPES, source

AT_THE_END = (Figure, InBand, Usable, Cooks)  # one value, at the end of the time shown
Target = builder.Builder[variants.Dataquery]


class InfluxQuery(variants.Dataquery):
    """A statement of InfluxQL as Grafana's data source takes it, which the SDK has no class for."""

    def __init__(self, payload: dict[str, Any]) -> None:
        self.payload = payload

    def to_json(self) -> dict[str, Any]:
        """As it stands in a dashboard."""
        return self.payload

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Self:
        """From what stands in a dashboard."""
        return cls(data)


class _Made(builder.Builder[variants.Dataquery]):
    def __init__(self, query: InfluxQuery) -> None:
        self._query = query

    def build(self) -> variants.Dataquery:
        return self._query


def register() -> None:
    """Let the SDK read back queries in InfluxQL by their class."""
    runtime.register_dataquery_variant(runtime.DataqueryConfig(TYPES[INFLUXQL], InfluxQuery.from_json))


def targets(language: str, picture: Picture) -> list[tuple[str, str, Line, Target]]:
    """Of each query: its letter, the name of its column in a table, the line that it belongs to, and itself."""
    found: list[tuple[str, str, Line, Target]] = []
    for line in picture.lines:
        for column, said in _said(language, line).items():
            letter = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[len(found)]
            query = _influx if language == INFLUXQL else _prometheus
            found.append((letter, column, line, query(letter, said, line, picture)))
    return found


def _said(language: str, line: Line) -> dict[str, str]:
    """Column of a table, or "" -> the query."""
    if isinstance(line.ask, Cooks):
        say = influxql.column if language == INFLUXQL else promql.column
        return {one.name: say(one) for one in line.ask.columns}
    if language == INFLUXQL:
        return {"": influxql.statement(line.ask)}
    if isinstance(line.ask, Spots):
        return promql.spots(line.ask)
    return {"": promql.expression(line.ask)}


def _influx(letter: str, said: str, line: Line, picture: Picture) -> Target:
    table = picture.kind is Kind.TABLE
    alias = {} if table else {"alias": re.sub(r"\{(\w+)\}", r"$tag_\1", line.name)}
    return _Made(InfluxQuery({
        "refId": letter, "datasource": source(INFLUXQL).to_json(), "rawQuery": True, "query": said,
        "resultFormat": "table" if table else "time_series", **alias,
    }))


def _prometheus(letter: str, said: str, line: Line, picture: Picture) -> Target:
    made = prometheus.Dataquery().ref_id(letter).expr(said).datasource(source("promql"))
    made = made.instant() if isinstance(line.ask, AT_THE_END) else made.range()
    if picture.kind is Kind.TABLE:
        return made.format(PromQueryFormat.TABLE)
    return made.format(PromQueryFormat.TIME_SERIES).legend_format(re.sub(r"\{(\w+)\}", r"{{\1}}", line.name))
