"""Dashboards by the classes of grafana-foundation-sdk, of what ``pictures`` describes."""

from collections.abc import Callable, Sequence
from typing import Any

from grafana_foundation_sdk.builders import bargauge, common, stat, statetimeline, table, timeseries
from grafana_foundation_sdk.builders import dashboard as builders
from grafana_foundation_sdk.models import common as looks
from grafana_foundation_sdk.models import dashboard as models

from boards import variables
from boards.marks import Marked
from boards.pictures import Board, Kind, Picture, Role, Steps
from boards.targets import targets
from boards.variables import INFLUXQL, Variable

Panel = bargauge.Panel | stat.Panel | statetimeline.Panel | table.Panel | timeseries.Panel
_EMPTY: dict[Kind, Callable[[], Panel]] = {
    Kind.CURVES: timeseries.Panel, Kind.NUMBERS: stat.Panel, Kind.BARS: bargauge.Panel, Kind.TABLE: table.Panel,
    Kind.STATES: statetimeline.Panel,
}
_CHOICES: dict[str, Callable[[str], Variable | list[Variable]]] = {
    "cook": variables.cook, "earlier": variables.earlier, "cooks": variables.cooks, "logger": variables.logger,
    "band": variables.band, "apart": variables.apart,
}


def uid(key: str, language: str) -> str:
    """A dashboard's part of the address."""
    return f"pitscribe-{key}-{language}"


def dashboard(board: Board, language: str) -> models.Dashboard:
    """One dashboard in one language."""
    made = (
        builders.Dashboard(board.title).uid(uid(board.key, language)).description(board.words)
        .tags(["pitscribe", f"pitscribe-{language}"]).time(board.since, "now").refresh(board.refresh)
        .tooltip(models.DashboardCursorSync.CROSSHAIR).variables(_variables(board, language)).link(_others(language))
    )
    made.annotations([Marked(one, language) for one in board.marks])
    number = 0
    for title, pictures in board.rows:
        number += 1
        made = made.with_row(builders.Row(title).id(number))
        for picture in pictures:
            number += 1
            made = made.with_panel(panel(picture, language).id(number))
    return made.build()


def _variables(board: Board, language: str) -> list[Variable]:
    chosen: list[Variable] = []
    for name in board.variables:
        made = _CHOICES[name](language)
        chosen += made if isinstance(made, list) else [made]
    return [variables.store(language), variables.ledger(language), *chosen, variables.unit()]


def _others(language: str) -> builders.DashboardLink:
    """Leads to the other dashboards of this language, at the same time and with the same cook."""
    made = builders.DashboardLink("Pitscribe").type(models.DashboardLinkType.DASHBOARDS)
    return made.tags([f"pitscribe-{language}"]).as_dropdown(True).include_vars(True).keep_time(True)


def panel(picture: Picture, language: str) -> Panel:
    """One panel, its queries in one language."""
    made = _EMPTY[picture.kind]()
    made.title(picture.title).description(picture.words).datasource(variables.source(language))
    made.span(picture.size[0]).height(picture.size[1]).interval(picture.interval).unit(picture.unit)
    if picture.decimals is not None:
        made.decimals(picture.decimals)
    if picture.nothing:
        made.no_value(picture.nothing)
    asked = targets(language, picture)
    made.targets([query for *_, query in asked])
    made.thresholds(_thresholds(picture.steps))
    if picture.steps:
        made.color_scheme(builders.FieldColor().mode(models.FieldColorModeId.THRESHOLDS))
    for letter, _, line, _ in asked:
        if line.role is not None:
            made.override_by_query(letter, _look(line.role, picture.kind))
    if picture.states:
        made.mappings([models.ValueMap({str(value): models.ValueMappingResult(text=text, color=colour, index=i)
                                        for i, (value, (text, colour)) in enumerate(picture.states.items())})])
    if picture.moved:
        made.time_shift("${apart}m")
    _shape(made, picture, {letter: column for letter, column, *_ in asked}, language)
    return made


def _shape(made: Panel, picture: Picture, columns: dict[str, str], language: str) -> None:
    """What is a matter of this kind of panel alone."""
    last = common.ReduceDataOptions().calcs(["lastNotNull"])
    match made:
        case timeseries.Panel():
            made.fill_opacity(0).span_nulls(False).show_points(looks.VisibilityMode.AUTO).line_width(2)
            made.legend(common.VizLegendOptions().display_mode(looks.LegendDisplayMode.LIST).show_legend(True)
                        .placement(looks.LegendPlacement.BOTTOM).calcs(["lastNotNull"]))
            made.tooltip(common.VizTooltipOptions().mode(looks.TooltipDisplayMode.MULTI))
        case stat.Panel():
            made.reduce_options(last).graph_mode(looks.BigValueGraphMode.NONE)
            several = len(picture.lines) > 1 or "{" in picture.lines[0].name
            made.text_mode(looks.BigValueTextMode.VALUE_AND_NAME if several else looks.BigValueTextMode.VALUE)
        case bargauge.Panel():
            made.reduce_options(last).orientation(looks.VizOrientation.HORIZONTAL)
            made.display_mode(looks.BarGaugeDisplayMode.BASIC).min(0)
        case table.Panel():
            _columns(made, picture, columns, language)
        case statetimeline.Panel():
            made.merge_values(True).show_value(looks.VisibilityMode.AUTO).line_width(0).fill_opacity(70)


def _columns(made: table.Panel, picture: Picture, columns: dict[str, str], language: str) -> None:
    """One table of what the queries said, its columns named and in their units."""
    whole = picture.to_cook
    made.align(looks.FieldTextAlignment.AUTO)
    names = {"Value": columns["A"]} | {f"Value #{letter}": name for letter, name in columns.items()}
    made.with_transformation(models.DataTransformerConfig(id_val="merge", options={}))
    made.with_transformation(models.DataTransformerConfig(id_val="organize", options={
        "excludeByName": {"Time": True} if whole else {}, "indexByName": {},
        "renameByName": {} if language == INFLUXQL else names,
    }))
    for name, unit in picture.units.items():
        made.override_by_name(name, [models.DynamicConfigValue("unit", unit)])
    if whole:
        link = {"title": "its time", "url": _to_cook(language)}
        made.override_by_name("cook", [models.DynamicConfigValue("links", [link])])
    else:
        made.sort_by([common.TableSortByFieldState().display_name("Time").desc(True)])


def _to_cook(language: str) -> str:
    same = "${source:queryparam}&${ledger:queryparam}&${unit:queryparam}"
    then = "from=${__data.fields.begun.numeric}&to=${__data.fields.ended.numeric}"
    return f"/d/{uid('cook', language)}?{same}&var-cook=${{__data.fields.cook:percentencode}}&{then}"


def _thresholds(steps: Steps | None) -> builders.ThresholdsConfig:
    pairs: Sequence[tuple[float | None, str]] = [(None, "text")]
    if steps is not None:
        pairs = list(zip((None, *steps.values), steps.colours, strict=True))
    return (builders.ThresholdsConfig().mode(models.ThresholdsMode.ABSOLUTE)
            .steps([models.Threshold(value, colour) for value, colour in pairs]))


def _look(role: Role, kind: Kind) -> list[models.DynamicConfigValue]:
    mode = models.FieldColorModeId.SHADES if role.shades else models.FieldColorModeId.FIXED
    found: list[Any] = [models.DynamicConfigValue("color", models.FieldColor(mode=mode, fixed_color=role.colour))]
    if kind is Kind.CURVES and role.dashed:
        found.append(models.DynamicConfigValue("custom.lineStyle", looks.LineStyle("dash", [8, 6])))
    return found
