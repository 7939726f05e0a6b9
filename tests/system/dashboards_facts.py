"""What the ledger says of two cooks, for the tests of the dashboards.

Windows of time differ between the languages: PromQL's end at the time that they are told for, InfluxQL's begin there.
"""

import math
from collections import defaultdict
from types import SimpleNamespace

import numpy as np

from pitscribe.cook.analysis import analyse
from pitscribe.mirror.points import tag_value
from pitscribe.mirror.streams import streams_of
from pitscribe.series import Reader


def near(value, wanted, within=0.004):
    """Whether a value is the wanted one, of figures that are written to 0.001 in their own unit."""
    return abs(value - wanted) <= within


class Facts:
    """What the ledger says of two cooks, in the unit that was chosen last.

    ``cook`` is cut where the time shown ends, ``whole`` and ``earlier`` are not.
    """

    def __init__(self, ledger, name, earlier, cook, forecasts, until):
        self.earlier, self.whole = _facts(ledger, name, earlier), _facts(ledger, name, cook)
        self.cook = _facts(ledger, name, cook, until)
        self.both = self.earlier, self.cook
        self.forecasts = sorted((one for some in forecasts for one in some
                                 if one.place == "coldest" and one.made <= until), key=lambda one: one.made)
        self.logger = self.cook.box.series.tags["logger"]
        self.degrees = 1.0

    def in_unit(self, unit):
        self.degrees = {"°F": 9 / 5, "°C": 1.0}[unit]

    def t(self, celsius):
        """A temperature in the reader's unit."""
        return celsius * 9 / 5 + 32 if self.degrees != 1.0 else celsius

    def k(self, kelvin):
        """A difference in it."""
        return kelvin * self.degrees

    def marks(self, name):
        """(UTC ms, tags, text) of the marks of a name."""
        if name == "Notes":
            return [(n.at_ms, (n.kind,), n.text) for n in self.cook.notes]
        if name == "Fire":
            return [(round(e.at * 1000), (e.kind,), e.why) for e in self.cook.events]
        return [(round(s.begin * 1000), (s.place,), s.cause) for s in self.cook.stalls]


def _facts(ledger, name, cook, until=math.inf):
    """What is known of a cook now, as far as it is of a time up to ``until``."""
    reader = Reader(ledger, cook.id)
    record = reader.read()
    analysis = analyse(record)
    streams = streams_of(record, analysis, reader.stretches(), name)
    box = next(one for one in streams if one.series.measurement == "pitscribe_logger")
    box = box.rows(slice(0, int(np.searchsorted(box.t_ms, 1000 * until))))
    known = np.isfinite(analysis.evenness.spread_k) & (analysis.evenness.t <= until)
    places = [one.rows(one.t <= until) for one in record.places]
    return SimpleNamespace(
        tag=tag_value(f"{cook.id} {cook.name}"), started=cook.started_ms / 1000, ended=cook.ended_ms / 1000,
        cook=record.cook, places=places, meat=[one for one in places if one.kind == "meat"],
        air=[one for one in places if one.kind == "air"],
        notes=[n for n in record.notes if n.at_ms <= 1000 * until],
        events=[e for e in analysis.fire.events if e.at <= until],
        stalls=[s for s in analysis.stalls if s.begin <= until],
        spread_t=analysis.evenness.t[known], spread=analysis.evenness.spread_k[known],
        spread_u=analysis.evenness.u_k[known], box=box,
    )


def good(series, values=None):
    """(UTC s, values) of the readings that may be used."""
    use = series.good()
    return series.t[use], (series.celsius if values is None else values)[use]


def windows(grafana, panel, t, values, how):
    """Time that a window is told for -> what ``how`` makes of the values in it."""
    step, moved = grafana.step(panel["interval"]), grafana.moved(panel)
    ends = grafana.language == "promql"
    found = defaultdict(list)
    for at, value in zip(t.tolist(), values.tolist(), strict=True):
        ms, of = round(at * 1000), round(step * 1000)
        label = (-(-ms // of) if ends else ms // of) * step
        if not ends or label <= math.floor((grafana.to_s - moved) / step) * step:
            found[label].append(value)
    return {label: how(some) for label, some in found.items()}
