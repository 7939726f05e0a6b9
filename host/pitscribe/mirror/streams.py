"""What is mirrored of a cook, as streams of points; docs/MIRROR.md has the names. Pure functions."""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from pitscribe.cook.answers import Analysis
from pitscribe.cook.evenness import Evenness
from pitscribe.cook.forecast import Forecast
from pitscribe.ledger.values import Cook, LoggerInfo, Note
from pitscribe.metrology.minutes import Minutes
from pitscribe.mirror.points import Column, Numbers, SeriesName, Stream, Times, counts, figures, tag_value
from pitscribe.series import CookRecord, Series, Stretch

FORECASTS = "pitscribe_forecast"


class Tags:
    """The tags that all points of a cook have, ``ledger`` and ``cook``, and what a stream has besides."""

    def __init__(self, ledger_name: str, cook: Cook) -> None:
        self._tags = {"ledger": tag_value(ledger_name), "cook": tag_value(f"{cook.id} {cook.name}")}

    def stream(self, measurement: str, t_ms: Times, fields: Mapping[str, Column], **tags: str) -> Stream:
        """A stream of this cook; ``t_ms`` ascending."""
        own = {name: tag_value(text) for name, text in tags.items()}
        return Stream(SeriesName(measurement, self._tags | own), t_ms, fields)


def streams_of(
    record: CookRecord, analysis: Analysis | None, stretches: Sequence[Stretch], ledger_name: str
) -> list[Stream]:
    """All streams of a cook but its forecasts. ``analysis`` None: without spread and events."""
    tags = Tags(ledger_name, record.cook)
    found = [_temperatures(series, tags) for series in record.places]
    found += [_cook(record.cook, tags), *_notes(record.notes, tags), *_loggers(stretches, tags)]
    if analysis is not None:
        found += [_spread(analysis.evenness, tags), *_events(analysis, tags)]
    return [stream for stream in found if stream.t_ms.size]


def forecast_streams(cook: Cook, forecasts: Sequence[Forecast], ledger_name: str) -> list[Stream]:
    """The streams of forecasts, which are in order of the time at which they were made."""
    tags = Tags(ledger_name, cook)
    by_place: dict[str, dict[float, Forecast]] = {}
    for one in forecasts:  # where somebody calls a place "coldest", what is said last is of the coldest of all
        by_place.setdefault(one.place, {})[one.made] = one
    return [_forecasts(place, list(some.values()), tags) for place, some in by_place.items()]


def now_streams(loggers: Sequence[LoggerInfo], ledger_name: str) -> list[Stream]:
    """What each logger last said of itself, a point each; of one that was never heard of none."""
    found = []
    for info in loggers:
        if info.state is None or info.last_seen_ms is None:
            continue
        journal = info.state.get("journal")
        own = journal if isinstance(journal, Mapping) else {}
        told = {
            "online": info.state.get("online"), "lost": own.get("lost"), "missed": info.state.get("missed"),
            "waiting": _waiting(own),
        }
        fields = {name: counts(np.array([float(v)])) for name, v in told.items() if isinstance(v, bool | int)}
        hours = own.get("hours")
        if isinstance(hours, int | float) and not isinstance(hours, bool):
            fields["hours"] = figures(np.array([float(hours)]))
        if fields:
            tags = {"ledger": tag_value(ledger_name), "logger": f"{info.logger:08x}"}
            name = SeriesName("pitscribe_logger_now", tags)
            found.append(Stream(name, np.array([info.last_seen_ms], np.int64), fields))
    return found


def _waiting(journal: Mapping[str, object]) -> int | None:
    following, cursor = journal.get("next"), journal.get("cursor")
    return following - cursor if isinstance(following, int) and isinstance(cursor, int) else None


def _temperatures(series: Series, tags: Tags) -> Stream:
    t_ms, rows = np.unique(_ms(series.t), return_index=True)
    if rows.size != series.t.size:
        series = series.rows(rows)
    good = series.good()
    fields = {
        "celsius": figures(np.where(good, series.celsius, np.nan)),
        "u_k": figures(np.where(good, series.u, np.nan)),
        "u95_k": figures(np.where(good, series.expanded(), np.nan)),
        "flagged_celsius": figures(np.where(good, np.nan, series.celsius)),
        "flags": counts(series.flags),
    }
    return tags.stream("pitscribe_temp", t_ms, fields, place=series.place, kind=series.kind)


def _spread(even: Evenness, tags: Tags) -> Stream:
    known = np.isfinite(even.spread_k)
    fields = {"kelvin": figures(even.spread_k[known]), "u_k": figures(even.u_k[known])}
    return tags.stream("pitscribe_spread", _ms(even.t[known]), fields)


class _Event(NamedTuple):
    place: str
    kind: str
    at: float
    end: float | None
    probability: float
    why: str


def _events(analysis: Analysis, tags: Tags) -> Iterator[Stream]:
    """Events of the fire and stalls, a stream for each place and kind; of two that began at once the first counts."""
    found = [_Event("fire", e.kind, e.at, e.end, e.probability, e.why) for e in analysis.fire.events]
    found += [_Event(s.place, "stall", s.begin, s.end, s.probability, s.cause) for s in analysis.stalls]
    for name in sorted({(one.place, one.kind) for one in found}):
        by_time = {round(one.at * 1000): one for one in reversed(found) if (one.place, one.kind) == name}
        some = [by_time[t] for t in sorted(by_time)]
        fields = {
            "probability": figures(np.round([one.probability for one in some], 1)),
            "lasted_s": figures(_numbers([None if one.end is None else one.end - one.at for one in some])),
            "why": Column(tuple(one.why for one in some)),
        }
        t_ms = np.array(sorted(by_time), np.int64)
        yield tags.stream("pitscribe_event", t_ms, fields, place=name[0], kind=name[1])


def _notes(notes: Sequence[Note], tags: Tags) -> Iterator[Stream]:
    for kind in sorted({note.kind for note in notes}):
        some = sorted((n for n in notes if n.kind == kind), key=lambda n: (n.at_ms, n.id))
        t_ms = np.array([n.at_ms for n in some], np.int64)
        for i in range(1, len(some)):
            t_ms[i] = max(t_ms[i], t_ms[i - 1] + 1)
        fields = {"id": counts(np.array([n.id for n in some])), "text": Column(tuple(n.text for n in some))}
        yield tags.stream("pitscribe_note", t_ms, fields, kind=kind)


def _cook(cook: Cook, tags: Tags) -> Stream:
    low, high = cook.band_c or (None, None)
    ended = None if cook.ended_ms is None else cook.ended_ms / 1000
    told = {
        "started": cook.started_ms / 1000, "ended": ended, "target_c": cook.target_c, "band_low_c": low,
        "band_high_c": high,
    }
    fields = {name: figures(_numbers([value])) for name, value in told.items()}
    texts = {"name": Column((cook.name,)), "meats": Column(("; ".join(cook.meats) or None,))}
    return tags.stream("pitscribe_cook", np.array([cook.started_ms], np.int64), fields | texts)


def _loggers(stretches: Sequence[Stretch], tags: Tags) -> Iterator[Stream]:
    """Of each logger's complete minutes: readings, and the mean of the cold junctions of its channels."""
    for logger in sorted({one.placement.logger for one in stretches}):
        own = [s.strand for s in stretches if s.placement.logger == logger]
        newest = max(float(strand.views()[0][-1]) for strand in own)
        tables = [strand.summary.minutes() for strand in own]
        numbers = np.unique(np.concatenate([some for some, _ in tables]))
        numbers = numbers[numbers < newest // 60]
        samples, cold, having = np.zeros((3, numbers.size))
        for some, table in tables:
            here = np.isin(some, numbers)
            rows, of = np.searchsorted(numbers, some[here]), Minutes(*table[:, here])
            known = np.isfinite(of.cold)
            samples[rows] += of.samples
            cold[rows[known]] += of.cold[known]
            having[rows[known]] += 1
        mean = np.divide(cold, having, out=np.full(cold.shape, np.nan), where=having > 0)
        fields = {"box_celsius": figures(mean), "samples": counts(samples)}
        yield tags.stream("pitscribe_logger", (numbers + 1) * 60_000, fields, logger=f"{logger:08x}")


def _forecasts(place: str, some: Sequence[Forecast], tags: Tags) -> Stream:
    fields = {
        name: figures(_numbers([getattr(one, name) for one in some])) for name in ("target_c", "p10", "p50", "p90")
    }
    fields["reached"] = counts(np.array([int(one.reached) for one in some]))
    return tags.stream(FORECASTS, _ms(np.array([one.made for one in some])), fields, place=place)


def _ms(t: Numbers) -> Times:
    return np.round(t * 1000).astype(np.int64)


def _numbers(values: Sequence[float | None]) -> Numbers:
    return np.array([np.nan if value is None else value for value in values], np.float64)
