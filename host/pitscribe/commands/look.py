"""``pitscribe logger look``: a logger on its cable, how it is and what each channel reads at this moment.

For who has just wired it: every line is something to hold against the build guide's checklist.
"""

import argparse
from contextlib import closing
from typing import Any

import numpy as np

from pitscribe.clock import SystemClock
from pitscribe.commands.tables import counted
from pitscribe.config import Config
from pitscribe.intake.serialport import SerialPort
from pitscribe.intake.usb import Conversation, Met, meet
from pitscribe.metrology import chain, chips
from pitscribe.metrology.bothunits import both_units
from pitscribe.metrology.flags import Flag
from pitscribe.metrology.rules import RULES
from pitscribe.wire.messages import Codes, Now, parse_now

_TICKS = 3  # so many periods a tick is waited for
_LOG_LINES = 5
# What to look at; the first that is set is said.
_HINTS = {
    Flag.NO_ANSWER: "no answer: its supply, its wires to the bus",
    Flag.BAD_WORD: "dead line: the chip's VCC, GND, CS, SCK and SO",
    Flag.OPEN: "open: no probe, or a wire out of its terminal",
    Flag.SHORT_GROUND: "touches ground: a grounded probe, or bare wire on metal",
    Flag.SHORT_SUPPLY: "touches the supply: a wire astray at the chip",
}
_MEANS_NOTHING = Flag.NO_VALUE | Flag.SHORT_GROUND | Flag.SHORT_SUPPLY | Flag.CHIP_FAULT


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Ask, and print it."""
    with closing(SerialPort(arguments.port)) as port:
        talk = Conversation(port, arguments.port)
        clock = SystemClock()
        period_s = meet(talk, clock.now).condition.period_ms / 1000
        now = parse_now(talk.tick(max(5.0, _TICKS * period_s)))
        met = meet(talk, clock.now)  # anew: before its first tick a logger knows of no chip
        log = talk.ask("log").members.get("log", [])
    print("\n".join([*_about(met), *_channels(now, met.said.get("chips", [])), *_log(log)]))


def _about(met: Met) -> list[str]:
    now, said, journal = met.condition, met.said, met.condition.journal
    kept = counted(journal.next - journal.first, "frame")
    time = "not known: pull tells it" if now.anchor is None else f"known to {now.anchor.err_ms / 1000:g} s"
    wrong = said.get("settings") or []
    return [
        f"logger   {met.logger:08x} ({now.name}), firmware {now.firmware}"
        + (", in safe mode: see its log" if said.get("safe") else ""),
        f"runs     boot {met.boot}, up for {now.up_ms // 1000} s; a tick every {now.period_ms / 1000:g} s, "
        f"{now.missed} missed",
        f"journal  {'written' if journal.ok else 'CANNOT BE WRITTEN'}; {kept} kept, {journal.lost} lost",
        f"time     {time}",
        f"board    {_board(said.get('board') or {})}",
        *([f"settings {line}" for line in wrong] or ["settings sound"]),
    ]


def _board(board: dict[str, Any]) -> str:
    chip, supply = board.get("chip_c"), board.get("supply_mv")
    said = [] if chip is None else [f"its chip is at {both_units(float(chip), 0)}"]
    said += [] if supply is None else [f"supply {float(supply) / 1000:.2f} V"]
    return "; ".join(said) or "tells nothing of itself"


def _channels(now: Now, how: list[str]) -> list[str]:
    lines = ["", f"{'channel':8}{'chip':17}{'type':6}{'tip':20}{'terminals':20}{''}".rstrip()]
    for place, (entry, codes) in enumerate(zip(now.table, now.codes, strict=True)):
        row = f"{place:<8}{entry.chip:17}"
        if codes is None:
            lines.append(row + "not used")
            continue
        tip, cold, what = _reading(entry.chip, entry.tc, codes)
        state = how[place] if place < len(how) and how[place] not in ("", "ok") else ""
        lines.append(f"{row}{entry.tc:6}{tip:20}{cold:20}{'; '.join(filter(None, (what, state))) or 'ok'}")
    return lines


def _reading(chip: str, tc: str, codes: Codes) -> tuple[str, str, str]:
    """Tip and terminals in words, and what is wrong ("" for nothing)."""
    hot, cold, fault = (np.array([code], dtype=np.int32) for code in codes)
    made = chain.correct(chip, tc, hot, cold, fault)
    flags, celsius = Flag(int(made.flags[0])), float(made.celsius[0])
    tip = "-" if np.isnan(celsius) or flags & _MEANS_NOTHING else both_units(round(celsius, 1) + 0.0)  # no -0.0
    dumb = flags & (Flag.BAD_WORD | Flag.NO_ANSWER)
    terminals = "-" if dumb else both_units(float(chips.cold_celsius(chip, cold)[0]))
    if (hint := next((text for flag, text in _HINTS.items() if flags & flag), None)) is not None:
        return tip, terminals, hint
    return tip, terminals, ", ".join(rule.name for rule in RULES if flags & rule.flag)


def _log(log: list[list[Any]]) -> list[str]:
    if not log:
        return ["", "log: nothing"]
    return ["", "log, the last lines (seconds of uptime):", *(f"{int(up):7}  {text}" for up, text in log[-_LOG_LINES:])]
