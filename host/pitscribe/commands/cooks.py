"""``pitscribe cooks`` and ``pitscribe cook``: the list, and beginning, ending, placing, showing and dropping one."""

import argparse
import contextlib
import json
import sys

from pitscribe.commands.aims import aims_of
from pitscribe.commands.handover import handed_over, held
from pitscribe.commands.ledgers import begun_ledger, meant_cook, meant_logger, open_ledger, read_ledger
from pitscribe.commands.placing import parse_placings, place_all, warn
from pitscribe.commands.when import local, parse_in_cook, parse_past, past
from pitscribe.config import Config
from pitscribe.cook.analysis import analyse
from pitscribe.cook.plain import degrees, span
from pitscribe.cook.text import summary
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook, Placement
from pitscribe.series import load
from pitscribe.watch.around import places_over


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Do what was asked of the ledger in the home folder."""
    actions = {
        "list": _list, "start": _start, "set": _set, "place": _place, "end": _end, "reopen": _reopen, "show": _show,
        "drop": _drop,
    }
    if arguments.action == "list" and arguments.drop is not None:
        arguments.action = "drop"
    opened = {"list": read_ledger, "show": read_ledger, "start": begun_ledger}.get(arguments.action, open_ledger)
    with opened(config) as ledger:
        actions[arguments.action](config, ledger, arguments)


def _list(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    if arguments.yes:
        raise ConfigError("--yes goes with --drop COOK")
    cooks = ledger.cooks()
    if arguments.json:
        print(json.dumps([cook.as_json() for cook in cooks], indent=1))
    elif not cooks:
        print("no cook yet; begin one with: pitscribe cook start NAME")
    else:
        for cook in cooks:
            print(_line(ledger, cook))


def _start(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    now_ms = ledger.now_ms()
    at_ms = now_ms if arguments.at is None else _ms(parse_past(arguments.at, now_ms / 1000))
    aims = aims_of(arguments, config.units)
    placings = parse_placings(arguments.air, arguments.meat)
    logger = meant_logger(ledger, arguments.logger) if placings else 0
    before = held(ledger)
    with ledger.together():  # all of it or nothing
        cook = ledger.start_cook(arguments.name, at=at_ms, **aims)
        place_all(ledger, cook, logger, placings, None)
    print(_line(ledger, cook))
    for line in handed_over(ledger, before, held(ledger)):
        print(line)
    for other in ledger.cooks():
        if other.id != cook.id and other.name == cook.name and other.ended_ms is None:
            warn(
                f"cook {other.id}, begun {local(other.started_ms / 1000)}, is called {cook.name!r} too and has not "
                f"ended: by that name the later one is meant; to end the other: pitscribe cook end {other.id}"
            )


def _set(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    aims = aims_of(arguments, config.units)
    if not aims and arguments.name is None:
        raise ConfigError("say what is to be changed: --target 203F, --band 225-275F, --cut, --meat-kind or --name")
    cook = ledger.set_cook(meant_cook(ledger, arguments.cook).id, name=arguments.name, **aims)
    print(_line(ledger, cook))
    print(_wanted(cook, config.units))


def _wanted(cook: Cook, unit: str) -> str:
    """What is wanted of a cook, in one line."""
    target = "no target" if cook.target_c is None else f"target {degrees(cook.target_c, unit)}"
    band = "no band" if cook.band_c is None else f"fire {' to '.join(degrees(t, unit) for t in cook.band_c)}"
    kind = f" (as {cook.meat_kind})" if cook.meat_kind else ""
    return f"      {target}, {band}, {'; '.join(cook.meats) or 'no cuts named'}{kind}"


def _place(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    cook = meant_cook(ledger, arguments.cook)
    placings = parse_placings(arguments.air, arguments.meat)
    if not placings:
        raise ConfigError("say what is where: --air grate=0 --meat flat=2")
    # From the cook's start on: then what was said wrongly is corrected for the past as well.
    since_ms = cook.started_ms if arguments.since is None else _since_ms(ledger, cook, arguments.since)
    before = held(ledger, cook)
    with ledger.together():
        place_all(ledger, cook, meant_logger(ledger, arguments.logger), placings, since_ms)
    print(_line(ledger, cook))
    for line in handed_over(ledger, before, held(ledger, cook)):
        print(line)


def _since_ms(ledger: Ledger, cook: Cook, text: str) -> int:
    """``--since`` in ms UTC. ConfigError if it has not been, or the cook had not begun or was over by then."""
    now = ledger.now_ms() / 1000
    at = parse_in_cook(text, cook, now)
    if cook.ended_ms is not None and at * 1000 >= cook.ended_ms:
        ended = local(cook.ended_ms / 1000)
        raise ConfigError(f"--since {text}: {local(at)} is after the end of {cook.name!r}, {ended}")
    if _ms(at) < cook.started_ms - 60_000:  # a clock's minutes may be some seconds before it
        raise ConfigError(
            f"--since {text}: {local(at)} is before the start of {cook.name!r}, {local(cook.started_ms / 1000)}; "
            "leave --since out for all of the cook"
        )
    return max(cook.started_ms, _ms(past(at, text, now)))


def _end(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    at_ms = None if arguments.at is None else _ms(parse_past(arguments.at, ledger.now_ms() / 1000))
    cook = meant_cook(ledger, arguments.cook, running=True)
    print(_line(ledger, ledger.end_cook(cook.id, at_ms)))


def _reopen(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    print(_line(ledger, ledger.reopen_cook(meant_cook(ledger, arguments.cook).id)))


def _show(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    cook = meant_cook(ledger, arguments.cook)
    over = places_over(ledger.placements(cook.id), ledger.now_ms() / 1000)
    record = load(ledger, cook.id, known=arguments.known)
    analysis = analyse(record, over=over, ahead=record.cook.ended_ms is None)
    if arguments.json:
        print(json.dumps({"cook": cook.as_json(), **analysis.as_json()}, indent=1))
        return
    print(_line(ledger, cook))
    print(_wanted(cook, arguments.unit or config.units))
    print(summary(analysis, unit=arguments.unit or config.units, when=local))
    for read in record.as_read:
        print(f"{read.place} is corrected for stem and lag; the export has beside it what its junction read")
    for remark in record.remarks:
        print(remark)
    for note in record.notes:
        print(f"{local(note.at_ms / 1000)}  {note.kind}  {note.text}".rstrip())


def _drop(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    """Take a cook away, after asking: one typed by mistake may be meant, and nothing brings it back."""
    leaving = ledger.leaving(ledger.cook(arguments.drop).id)
    print(_line(ledger, leaving.cook))
    if not arguments.yes:
        if not sys.stdin.isatty():
            raise ConfigError(f"nobody is here to be asked; to take cook {leaving.cook.id} away all the same add --yes")
        answer = ""
        with contextlib.suppress(EOFError):
            answer = input(f"take it away for good, with {leaving.words()}? yes or no: ")
        if answer.strip().lower() != "yes":
            print("it stays")
            return
    gone = ledger.drop_cook(leaving.cook.id)
    print(f"taken away, with {gone.words()}; what the loggers read stays in the ledger")


def _line(ledger: Ledger, cook: Cook) -> str:
    """One cook as one line."""
    began = local(cook.started_ms / 1000)
    lasted = "not ended" if cook.ended_ms is None else span((cook.ended_ms - cook.started_ms) / 1000)
    placed = [p.place for p in ledger.placements(cook.id) if _counts(p, cook)]
    places = dict.fromkeys(placed) | {s.place: None for s in ledger.sheets(cook.id)}
    return f"{cook.id:4}  {began}  {lasted:>12}  {cook.name}  ({', '.join(places) or 'no places yet'})"


def _counts(placement: Placement, cook: Cook) -> bool:
    """Whether it has any time in the cook; none is left to one that was taken back."""
    began = max(cook.started_ms, placement.since_ms or cook.started_ms)
    return placement.until_ms is None or placement.until_ms > began


def _ms(utc: float) -> int:
    return round(utc * 1000)
