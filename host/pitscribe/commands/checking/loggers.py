"""The loggers: when they were heard of, how their journals are, and whether they speak as this Pitscribe does."""

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

from pitscribe.clock import local
from pitscribe.commands.checking.finding import Finding, look, not_looked, ok, wrong
from pitscribe.commands.checking.scene import Scene
from pitscribe.cook.plain import span
from pitscribe.ledger.values import Aside, LoggerInfo
from pitscribe.simulate.rig import firmware as folder
from pitscribe.watch.freshness import LEAST_S
from pitscribe.watch.troubles import FULL_H
from pitscribe.wire.layout import MARK
from pitscribe.wire.messages import VERSION

LATELY_S = 30 * 86400.0  # what is older was mended since, or never will be: our allowance, no source
_OTHER_FRAMES = ("mark", "kind")  # reasons by which frames are kept aside that another version wrote
_OTHER_MESSAGE = re.compile(r"^\w+\.v\b")  # a message whose version is not known: MessageError's words


def heard(scene: Scene) -> Iterator[Finding]:
    """When each logger was heard of last; one that is needed now and silent is wrong."""
    ledger = scene.the_ledger()
    known = ledger.loggers()
    if not known:
        yield look("loggers", "none was ever heard of", "put broker, user and password into the logger's config.json")
        return
    running = {one.id for one in ledger.cooks() if one.ended_ms is None}
    needed = {number for cook, numbers in ledger.cook_loggers().items() if cook in running for number in numbers}
    for info in known:
        yield _heard(info, scene.clock.now(), info.logger in needed)


def _heard(info: LoggerInfo, now: float, needed: bool) -> Finding:
    name, state = _name(info), info.state or {}
    if info.last_seen_ms is None:
        said = f"never said how it is; {info.frames} frames of it came as files"
        return look(name, said, "if it should be on the network, look at its broker's address and password")
    seen = info.last_seen_ms / 1000
    said = f"heard of {_ago(now - seen)} ago, at {local(seen)}"
    silent = state.get("online") is False or now - seen > LEAST_S
    if silent and needed:
        return wrong(name, f"{said}: silent, and a cook goes on", "look at its power and its network; what it reads it "
                     "keeps, and sends later")
    if state.get("online") is False:
        return ok(name, f"{said}: it has gone away since, and no cook wants it")
    return ok(name, f"{said}{': no cook wants it' if silent else ''}")


def journals(scene: Scene) -> Iterator[Finding]:
    """What each logger says of its journal: written, full soon, lost."""
    for info in scene.the_ledger().loggers():
        journal = (info.state or {}).get("journal")
        if isinstance(journal, Mapping):
            yield _journal(f"journal of {_name(info)}", journal)
        else:
            yield not_looked(f"journal of {_name(info)}", "it has not told of it, or has gone away since")


def _journal(looked_at: str, journal: Mapping[str, Any]) -> Finding:
    hours, lost = journal.get("hours"), journal.get("lost")
    room = isinstance(hours, int | float) and not isinstance(hours, bool)
    if journal.get("ok") is False:
        return wrong(looked_at, "it cannot be written: what is not sent at once is lost", "look at the logger's flash: "
                     "pitscribe logger look PORT")
    if room and 0 <= hours < FULL_H:  # type: ignore[operator]
        return wrong(looked_at, f"full in {hours:.1f} h", "bring its network back, or take it: pitscribe pull PORT")
    if isinstance(lost, int) and lost > 0:
        return look(looked_at, f"{lost} frames were lost", "it was full, or its flash failed: let it reach the host "
                    "more often")
    return ok(looked_at, f"written{f', room for {hours:.0f} h' if room else ''}, nothing lost")


def stored(scene: Scene) -> Iterator[Finding]:
    """Whether the ledger has what each logger takes for stored: a backup that was put back, or a lost log, has less."""
    if scene.config.share is not None:
        yield not_looked("stored", "other processes store some of the loggers' frames")
        return
    ledger = scene.the_ledger()
    for info in ledger.loggers():
        journal, looked_at = (info.state or {}).get("journal"), f"stored of {_name(info)}"
        if not isinstance(journal, Mapping):
            yield not_looked(looked_at, "it has not told of its journal, or has gone away since")
            continue
        first, cursor = journal.get("first", 0), journal.get("cursor", 0)
        missing = cursor - first - ledger.held_between(info.logger, first, cursor)
        if missing > 0:
            yield look(looked_at, f"of the {cursor - first} frames that its journal keeps though they were stored, "
                       f"{missing} are not in this ledger", "was an older one put back, is it damaged, or does a "
                       "second host take in beside this one? The logger still has them: pitscribe pull PORT")
        else:
            yield ok(looked_at, "what its journal keeps and takes for stored is in the ledger")


def firmware(scene: Scene) -> Iterator[Finding]:
    """Whether each logger runs the firmware that this Pitscribe has."""
    here = re.search(r'^FIRMWARE = "([^"]+)"', (folder() / "pitlogger" / "__init__.py").read_text(), re.MULTILINE)
    for info in scene.the_ledger().loggers():
        runs = (info.state or {}).get("firmware")
        looked_at = f"firmware of {_name(info)}"
        if here is None or not isinstance(runs, str):
            yield not_looked(looked_at, "it has not told of it, or has gone away since")
        elif runs != here[1]:
            yield look(looked_at, f"{runs}; this Pitscribe has {here[1]}", "bring the logger up to date between cooks: "
                       "pitscribe outfit PORT")
        else:
            yield ok(looked_at, runs)


def wire(scene: Scene) -> Iterator[Finding]:
    """Whether something came lately that another version of firmware or host wrote."""
    ledger = scene.the_ledger()
    since = (scene.clock.now() - LATELY_S) * 1000
    counts = ledger.asides()
    odd = [a for reason in _OTHER_FRAMES if reason in counts for a in ledger.aside_items(reason)]
    messages = ledger.aside_items("message") if "message" in counts else []
    odd += [a for a in messages if _OTHER_MESSAGE.search(a.detail)]
    odd = [a for a in odd if a.received_ms > since]
    if odd:
        senders = Counter(_sender(a) for a in odd)
        whom = ", ".join(f"{who} ({count})" for who, count in sorted(senders.items()))
        yield wrong("wire version", f"not ours (frames {MARK:02x}, messages {VERSION}) came of {whom}", "bring both up "
                    "to date: the logger by pitscribe outfit PORT, or this Pitscribe")
    else:
        yield ok("wire version", f"frames {MARK:02x}, messages {VERSION}; nothing else came lately")


def _sender(one: Aside) -> str:
    parts = one.source.split("/")
    return parts[2] if len(parts) == 4 else one.source


def _ago(seconds: float) -> str:
    return span(max(0.0, seconds)) if seconds < 2 * 86400 else f"{seconds / 86400:.0f} days"


def _name(info: LoggerInfo) -> str:
    return f"logger {info.logger:08x}" + (f" ({info.name})" if info.name else "")
