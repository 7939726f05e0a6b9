"""Points that are marked in the curves: Grafana's annotations, each as its data source wants them.

The SDK's class leaves out what only one data source knows; here it is added.
"""

from typing import Any

from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.models import dashboard as models

from boards import influxql, promql
from boards.asks import Spots
from boards.pictures import Marks
from boards.variables import INFLUXQL, source


class Annotation(models.AnnotationQuery):
    """An annotation with the fields of its data source, ``own``."""

    own: dict[str, Any]

    def to_json(self) -> dict[str, object]:
        """As it stands in a dashboard."""
        return super().to_json() | self.own


class Marked(Builder[models.AnnotationQuery]):
    """Builds the annotation of some marks in one language."""

    def __init__(self, marks: Marks, language: str) -> None:
        self._made = Annotation(name=marks.name, datasource=source(language), icon_color=marks.colour)
        self._made.own = _influx(marks) if language == INFLUXQL else _prometheus(marks)

    def build(self) -> models.AnnotationQuery:
        """The annotation."""
        return self._made


def _influx(marks: Marks) -> dict[str, Any]:
    said = influxql.statement(Spots(marks.of, (), (marks.text,)))
    return {"query": said, "textColumn": marks.text, "tagsColumn": ",".join(marks.of.by)}


def _prometheus(marks: Marks) -> dict[str, Any]:
    """The value is the time: of a step of some minutes the last point is marked, where it really was."""
    said, title = promql.instants(marks.of), ", ".join(f"{{{{{tag}}}}}" for tag in marks.of.by)
    return {
        "expr": said, "step": "60s", "useValueForTime": True, "titleFormat": title, "textFormat": "",
        "tagKeys": ",".join(marks.of.by), "target": {"refId": "Anno", "expr": said, "interval": "60s"},
    }
