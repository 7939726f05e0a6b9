"""What the reader of a dashboard chooses: the store, the ledger, cooks, a logger, the unit."""

from grafana_foundation_sdk.builders import dashboard as builders
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.models import dashboard as models

from boards import influxql, promql
from boards.asks import BAND_HIGH, BAND_LOW

Variable = Builder[models.VariableModel]
INFLUXQL, PROMQL = "influxql", "promql"
TYPES = {INFLUXQL: "influxdb", PROMQL: "prometheus"}  # Grafana's names of its data sources
UNITS = "°F : 1.8,°C : 1"  # how many of them a kelvin is


def source(language: str) -> models.DataSourceRef:
    """The store that the reader chose."""
    return models.DataSourceRef(type_val=TYPES[language], uid="${source}")


def store(language: str) -> Variable:
    """Which of Grafana's data sources the mirror writes to."""
    return builders.DatasourceVariable("source").label("Store").type(TYPES[language])


def unit() -> Variable:
    """Degrees Fahrenheit, unless the reader says otherwise."""
    options = [models.VariableOption(selected=not i, text=text, value=value)
               for i, (text, value) in enumerate(part.split(" : ") for part in UNITS.split(","))]
    return builders.CustomVariable("unit").label("Unit").values(UNITS).options(options).current(options[0])


def ledger(language: str) -> Variable:
    """Whose cooks."""
    made = _asked(language, "ledger").label("Ledger")
    if language == INFLUXQL:
        return made.query(influxql.ledgers())
    return made.query(promql.ledgers()).regex(promql.tag_in("ledger"))


def cook(language: str) -> builders.QueryVariable:
    """One cook, the newest unless the reader says otherwise: a cook's tag begins with its number."""
    return _cook(language, "cook", "Cook")


def earlier(language: str) -> builders.QueryVariable:
    """Another cook than the chosen one."""
    return _cook(language, "earlier", "Earlier cook", others=True)


def cooks(language: str) -> builders.QueryVariable:
    """Several cooks; all unless the reader says otherwise."""
    every = models.VariableOption(selected=True, text=["All"], value=["$__all"])
    return _cook(language, "cooks", "Cooks in the table").multi(True).include_all(True).current(every)


def logger(language: str) -> Variable:
    """One of a ledger's loggers."""
    said = influxql.loggers() if language == INFLUXQL else promql.loggers()
    return _asked(language, "logger").label("Logger").query(said)


def band(language: str) -> list[Variable]:
    """The edges of the cook's band, degC, for InfluxQL, which cannot compare two measurements."""
    if language == PROMQL:
        return []
    edges = (("low", BAND_LOW), ("high", BAND_HIGH))
    return [_hidden(language, name).query(influxql.value_of(of)) for name, of in edges]


def apart(language: str) -> Variable:
    """By how many minutes an earlier cook is to be moved."""
    made = _hidden(language, "apart")
    if language == INFLUXQL:
        return made.query(influxql.minutes_apart())
    return made.query(promql.minutes_apart()).regex(r"/^\{\} (\d+) /")  # of a result Grafana makes: {} 1440 1784...


def _cook(language: str, name: str, label: str, *, others: bool = False) -> builders.QueryVariable:
    made = _asked(language, name).label(label).sort(models.VariableSort.NUMERICAL_DESC)
    if language == INFLUXQL:
        return made.query(influxql.cooks(others=others))
    return made.query(promql.cooks(others=others)).regex(promql.tag_in("cook"))


def _hidden(language: str, name: str) -> builders.QueryVariable:
    return _asked(language, name).hide(models.VariableHide.HIDE_VARIABLE)


def _asked(language: str, name: str) -> builders.QueryVariable:
    when = models.VariableRefresh.ON_TIME_RANGE_CHANGED
    return builders.QueryVariable(name).datasource(source(language)).refresh(when)


