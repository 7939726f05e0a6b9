"""Pulling a logger's journal over USB: what the ledger does not hold, stored as it comes."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pitscribe.errors import SourceError
from pitscribe.intake.gate import Arrived, Sifted, sift
from pitscribe.intake.usb import TRIES, Answer, Conversation, Met
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire import mac, messages
from pitscribe.wire.messages import Range

FRAMES_A_QUESTION = 16
RANGES_A_QUESTION = 20
LOST_IN_A_ROW = 12  # answers with lines missing: the last eight of them to a question for a single frame

Told = Callable[[int, int], None]  # how far of how much: frames of the journal


@dataclass(slots=True)
class Pulled:
    """What a pull brought, counted up over all its tries."""

    frames: int = 0
    new: int = 0
    known: int = 0
    skipped: int = 0  # not asked for, because the ledger holds them
    clashes: int = 0
    asides: int = 0
    again: int = 0  # answers in which lines were missing, so that they were asked for again
    unread: int = 0  # places that the logger's flash could not give
    boots: set[tuple[int, int]] = field(default_factory=set)
    held: list[Range] = field(default_factory=list)  # what the ledger has for sure, of the journal


def pull(ledger: Ledger, talk: Conversation, met: Met, out: Pulled, *, all_: bool, told: Told) -> None:
    """Store the journal's frames; where the ledger holds them, go on behind, unless ``all_``. Counts into ``out``.

    Raises SourceError if the logger stops answering, PortError if it is unplugged; what came is stored.
    """
    journal = met.condition.journal
    at, end, unread, lost, most = journal.first, journal.next, 0, 0, FRAMES_A_QUESTION
    while at < end:
        answer = talk.ask("frames", **{"from": at, "most": most, "past": int(unread >= TRIES)})
        if answer.refused == "flash":
            unread += 1
            if unread > TRIES:
                raise SourceError(f"{talk.name}: the logger cannot read its journal from frame {at} on")
            continue
        if answer.refused is not None:
            raise SourceError(f"{talk.name}: the logger does not give frames: {answer.refused}")
        if len(answer.frames) != answer.whole("sent"):
            out.again, lost, most = out.again + 1, lost + 1, max(1, most // 2)
            if lost > LOST_IN_A_ROW:
                raise SourceError(f"{talk.name}: lines get lost on their way again and again; try another cable")
            continue
        lost, most = 0, min(2 * most, FRAMES_A_QUESTION)
        out.unread += unread > 0
        unread = 0
        at = _take(ledger, talk.name, met.logger, answer, out, all_)
        told(min(at, end) - journal.first, end - journal.first)


def _take(ledger: Ledger, name: str, logger: int, answer: Answer, out: Pulled, all_: bool) -> int:
    """Store one answer's frames; return the sequence number from which to go on."""
    following = answer.whole("next")
    sifted = sift([Arrived(frame, f"{name}, {logger:08x}", logger) for frame in answer.frames])
    clashed = _store(ledger, sifted, out)
    out.held += messages.ranges_of(sifted.keys)
    if all_ or clashed or not sifted.good:
        return following
    # This frame is in the ledger, byte for byte: so what the ledger holds behind it is of this journal too.
    last = sifted.good[-1][0].key
    beyond = ledger.first_missing(last)
    if beyond <= following or last.sequence != following - 1:
        return following
    out.skipped += beyond - following
    out.held.append((last.boot, following, beyond - 1))
    return beyond


def _store(ledger: Ledger, sifted: Sifted, out: Pulled) -> int:
    """Store what the gate lets through; return how many the ledger knew with other bytes."""
    with ledger.together():
        count = ledger.store_frames(sifted.good, "usb")
        ledger.set_aside([*sifted.held, *sifted.refused], must_keep=True)
    out.frames += len(sifted.good) + len(sifted.held) + len(sifted.refused)
    out.new, out.known, out.clashes = out.new + count.new, out.known + count.known, out.clashes + count.clash
    out.asides += len(sifted.held) + len(sifted.refused)
    out.boots.update((head.key.logger, head.key.boot) for head, _ in sifted.good)
    return count.clash


def tell_stored(talk: Conversation, met: Met, held: list[Range], secret: str | None) -> bool:
    """Tell the logger what is in the ledger, on disk, so that it may let go of it when it needs the space.

    Returns False if it does not believe us: then it keeps its frames. Raises SourceError.
    """
    ranges = _joined(held)
    for at in range(0, len(ranges), RANGES_A_QUESTION):
        some = [list(one) for one in ranges[at : at + RANGES_A_QUESTION]]
        moved = True
        while moved:
            answer = talk.ask("stored", **_authenticated(secret, met.logger, some))
            if answer.refused is not None:
                return False
            moved = answer.members.get("moved") is True
    return True


def _authenticated(secret: str | None, logger: int, ranges: list[list[int]]) -> dict[str, Any]:
    said: dict[str, Any] = {"stored": ranges}
    if secret is not None:
        said["mac"] = mac.mac_of(secret, messages.stored_topic(logger), said)
    return said


def _joined(ranges: list[Range]) -> list[Range]:
    """The fewest ranges that say the same, in the journal's order."""
    out: list[Range] = []
    for boot, first, last in sorted(set(ranges), key=lambda one: (one[1], one[2])):
        if out and out[-1][0] == boot and first <= out[-1][2] + 1:
            out[-1] = (boot, out[-1][1], max(last, out[-1][2]))
        else:
            out.append((boot, first, last))
    return out
