"""From the watch's snapshot to packs by topic: what may be shown at this moment, and nothing that is old. Pure."""

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from pitscribe.cook.forecast import COLDEST
from pitscribe.cook.plain import iso
from pitscribe.neighbours.senml import RELATIVE_BELOW, Record, name_of, pack
from pitscribe.wire.messages import host_topic, temp_topic

CELSIUS, KELVIN = "Cel", "K"  # RFC 8428 section 12.1
FORECAST_OLD_S = 900.0  # a forecast is made anew each minute or so; our own judgement, no source

Body = Mapping[str, Any]


def packs_of(body: Body, now: float, host: int) -> dict[str, bytes]:
    """The packs to be shown, by topic. A place, spread or forecast that has no present has none.

    body : of a snapshot;  now : UTC s;  host : the number of this host among those on the broker
    """
    return dict([*_temps(body, now), *_spread(body, now, host), *_finish(body, now, host)])


def _temps(body: Body, now: float) -> Iterator[tuple[str, bytes]]:
    for place in body["places"]:
        if place["logger"] is None or not _is_present(place, now) or place["t"] < place["placed"]:
            continue  # a reading of before the probe was put here is of another channel
        base = f"pitscribe:{place['logger']}:{name_of(place['place'])}:"
        records = [
            Record("temperature", place["celsius"], CELSIUS),
            Record("uncertainty", place["u"], KELVIN),
            Record("flags", place["flags"]),
            Record("place", place["place"]),
        ]
        yield temp_topic(int(place["logger"], 16), place["channel"]), pack(
            base, place["t"], records, place["stale_after_s"]
        )


def _spread(body: Body, now: float, host: int) -> Iterator[tuple[str, bytes]]:
    spread = body["spread"]
    if spread and _is_present(spread, now):
        records = [
            Record("spread", spread["kelvin"], KELVIN),
            Record("spread:uncertainty", spread["u"], KELVIN),
            Record("spread:hottest", spread["leads"]),
            Record("spread:coldest", spread["lags"]),
        ]
        yield host_topic(host, "spread"), pack(_base(host), spread["t"], records, spread["stale_after_s"])


def _finish(body: Body, now: float, host: int) -> Iterator[tuple[str, bytes]]:
    """When the last meat place is there; times as they are to be told, no finer than the forecast knows them."""
    said = next((f for f in body["forecasts"] if f["place"] == COLDEST), None)
    coldest = body["coldest"]
    if said is None or said["p50"] is None or not (coldest and _is_present(coldest, now)):
        return
    made = _seconds(said["made"])
    if now - made > FORECAST_OLD_S or made < RELATIVE_BELOW:
        return
    told = {q: _told(said[q], said["round_s"]) for q in ("p50", "p10", "p90") if said[q] is not None}
    records = [
        Record("finish", told.pop("p50")),
        *(Record(f"finish:{quantile}", time) for quantile, time in told.items()),
        Record("finish:target", said["target_c"], CELSIUS),
        Record("finish:reached", said["reached"]),
        Record("finish:rough", said["wide"]),
        Record("finish:fire-is-low", said["if_back"] is not None),
        Record("finish:without", ", ".join(said["without"])),
    ]
    yield host_topic(host, "finish"), pack(_base(host), made, records, FORECAST_OLD_S)


def _is_present(said: Body, now: float) -> bool:
    """Whether it is fresh: by the watch, and by the clock too, should the watch stand still."""
    t = said["t"]
    return bool(said["fresh"]) and t is not None and t >= RELATIVE_BELOW and now - t <= said["stale_after_s"]


def _base(host: int) -> str:
    return f"pitscribe:host:{host:08x}:"


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _told(text: str, round_s: float) -> str:
    return iso(round(_seconds(text) / round_s) * round_s) or ""
