"""A hint when a place runs away from the others: in the trade's words, and never without the numbers behind it.

A place runs away when it leads the others by more than the limit, beyond what the probes' uncertainty allows for, and
its lead grows, beyond what noise and steps allow for, for long enough. Its lead is over the median of the others (of
one other: over that), so that one place that lags does not make the rest run away.

What to do about it is common practice, no source. Where the leader's own probe is in doubt (flags, a jump) the hint is
to check the probe instead. After something was done it waits until that can show. One hint at a time: the sweep runs
forward over the minutes of the cook and opens, keeps and closes it, so what is said of a time never depends on later
data.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pitscribe.cook.evenness import LIMIT_K
from pitscribe.cook.grid import Cells, Grid
from pitscribe.cook.leads import Lead, leads
from pitscribe.cook.lines import BoolArray
from pitscribe.cook.noted import Told
from pitscribe.cook.phases import covered, off_at
from pitscribe.cook.plain import degrees, difference, iso, number
from pitscribe.cook.table import Table

PERSIST_MIN = 15  # so many minutes must speak for it, or against it
SURE = 1.645  # standard uncertainties: 95 %, one-sided
# A lead that grows by the limit during a stall of usual length (2 to 6 h, common practice) is worth turning the meat.
STALL_H = 4.0
KEEPS_SHARE = 0.8  # of the limit: a hint lasts until the lead is below (hysteresis)
# Collagen in muscle shrinks at 53 to 65 degC (SOURCES.md section 10) and presses out water: colder, an end that is
# ahead does not dry yet (our allowance).
FROM_C = 60.0
UNTIL_C = 96.0  # above, it is as hot as meat is pulled (195 to 205 degF, common practice, no source): nothing to slow
WAIT_MIN = 45  # after an act, or a hint that is over: what was done outside is felt inside about then
UNKNOWN_MIN = 30  # without a lead for so long nothing is known of it any more
TRIED_MIN = 120  # what was done within so long is advised last
RECHECK = ("check the probe: push it in again, or set another beside it",)
TO_THE_MEAT = ("rotate", "wrap", "unwrap", "spritz", "ice", "boat", "pan")
CAUTION = (
    "Hot metal, steam and open fire: gloves and long tongs, sleeves tight, nobody small beside it. Water or ice on hot"
    " fat or coals spits; keep the lid open no longer than it takes."
)


@dataclass(frozen=True, slots=True)
class Hint:
    """One hint; times in UTC s. The figures are those of its last minute, ``at``."""

    kind: str  # "runs away" or "check probe"
    place: str
    said: float  # when it was first said
    at: float
    over: float | None  # when it no longer held; None: it holds
    why_over: str | None
    celsius: float  # of the place [degC]
    lead_k: float  # over the median of the others
    lead_u_k: float  # standard uncertainty
    slope_k_h: float  # by which the lead grows
    slope_u_k_h: float
    limit_k: float
    others: tuple[str, ...]
    advice: tuple[str, ...]  # most wanted first; common practice, no source
    doubt: str | None  # why the probe is in doubt
    caution: str = CAUTION

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "kind": self.kind, "place": self.place, "said": iso(self.said), "at": iso(self.at), "over": iso(self.over),
            "why_over": self.why_over, "celsius": number(self.celsius), "lead_k": number(self.lead_k),
            "lead_u_k": number(self.lead_u_k), "slope_k_h": number(self.slope_k_h),
            "slope_u_k_h": number(self.slope_u_k_h), "limit_k": number(self.limit_k), "others": list(self.others),
            "advice": list(self.advice), "source": "common practice, no source", "doubt": self.doubt,
            "caution": self.caution,
        }


def hints_of(
    places: Mapping[str, Cells], notes: Sequence[Told], grid: Grid, flags: Mapping[str, BoolArray] | None = None, *,
    limit_k: float = LIMIT_K, common_k: float = 0.0,
) -> tuple[Hint, ...]:
    """Every hint so far in order of time; the last may hold still.

    places : cells of each meat place, by name;  flags : of each, see ``doubt.flagged``
    limit_k, common_k : see ``evenness``
    """
    if len(places) < 2 or not grid.n:
        return ()
    return tuple(_Sweep(Table.of(places, grid, common_k), places, notes, flags or {}, limit_k).walk())


def hint_of(
    places: Mapping[str, Cells], notes: Sequence[Told], grid: Grid, flags: Mapping[str, BoolArray] | None = None, *,
    limit_k: float = LIMIT_K, common_k: float = 0.0,
) -> Hint | None:
    """The hint that holds now, if any. Arguments as in ``hints_of``."""
    hints = hints_of(places, notes, grid, flags, limit_k=limit_k, common_k=common_k)
    return hints[-1] if hints and hints[-1].over is None else None


def hint_line(hint: Hint, unit: str, when: Callable[[float], str | None] = iso) -> str:
    """A hint in words, with its numbers and its caution. unit : "F" or "C";  when : how a time [UTC s] is written"""
    others = hint.others[0] if len(hint.others) == 1 else "the middle of the others"
    moves = "growing" if hint.slope_k_h > 0 else "shrinking"
    lead, lead_u, limit, slope, slope_u = (
        difference(k, unit)
        for k in (hint.lead_k, 2 * hint.lead_u_k, hint.limit_k, abs(hint.slope_k_h), 2 * hint.slope_u_k_h)
    )
    numbers = (
        f"{hint.place} at {degrees(hint.celsius, unit)} is {lead} ahead of {others} (± {lead_u}; limit {limit}),"
        f" {moves} by {slope} an hour (± {slope_u}), first said at {when(hint.said)}"
    )
    if hint.kind == "check probe":
        return f"check the probe at {hint.place}: {hint.doubt}. {numbers}. {hint.caution}"
    return f"{hint.place} runs away: {', or '.join(hint.advice)}. {numbers}. {hint.caution}"


def _advice(place: str, at: float, notes: Sequence[Told]) -> tuple[str, ...]:
    """What the trade does about a leading end, what was not tried yet first."""
    under = any(a <= at and (b is None or at < b) for a, b in covered(notes))
    ways = [("rotate", f"turn {place} away from the fire")]
    if not under:
        ways.append(("spritz", f"spritz {place}"))
    ways += [("shade", f"shade {place} from the fire with foil"), ("ice", f"lay ice on {place}")]
    tried = {n.kind for n in notes if at - 60 * TRIED_MIN <= n.at_ms / 1000 <= at}
    return tuple(words for kind, words in sorted(ways, key=lambda way: way[0] in tried))


class _Sweep:
    """The sweep over the minutes of a cook."""

    def __init__(
        self, table: Table, places: Mapping[str, Cells], notes: Sequence[Told], flags: Mapping[str, BoolArray],
        limit_k: float,
    ) -> None:
        self.table, self.notes, self.limit_k = table, notes, limit_k
        grid = table.grid
        self.leads = leads(table, places, flags)
        self.unknown_min = max([UNKNOWN_MIN, *(c.minutes(UNKNOWN_MIN) for c in places.values())])
        off = off_at(notes)
        self.off = grid.n if off is None else grid.cell(off)
        self.acts = {grid.cell(n.at_ms / 1000): n.kind for n in notes if n.kind in TO_THE_MEAT}
        self.hints: list[Hint] = []
        self.run = self.unknown = 0
        self.row = -1  # of the place that minutes are counted for
        self.quiet_until = -1

    def walk(self) -> list[Hint]:
        """Every minute; the hints so far."""
        for k in range(min(self.table.grid.n, max(self.off, 0))):
            kind = self.acts.get(k)
            if kind is not None:
                self.quiet_until = k + WAIT_MIN
                self._close(k, f"{kind} noted")
            if not self.table.known[k]:
                self._not_known(k)
            elif self._open():
                self._look_for_end(k)
            else:
                self._look_for_begin(k)
        if 0 <= self.off < self.table.grid.n:
            self._close(self.off, "pull or hold noted")
        return self.hints

    def _open(self) -> bool:
        return bool(self.hints) and self.hints[-1].over is None

    def _not_known(self, k: int) -> None:
        self.unknown += 1
        if self.unknown > self.unknown_min:
            self.run = 0
            self._close(k, "no longer known")

    def _close(self, k: int, why: str) -> None:
        self.run = 0
        if self._open():
            self.hints[-1] = replace(self.hints[-1], over=self.table.grid.end(k), why_over=why)

    def _look_for_begin(self, k: int) -> None:
        self.unknown = 0
        row = int(self.table.top[k])
        if row != self.row:
            self.row, self.run = row, 0
        if k <= self.quiet_until:
            return
        self.run = self.run + 1 if self._runs_away(row, k) else max(0, self.run - 2)
        if self.run >= PERSIST_MIN:
            self._say(row, k)

    def _runs_away(self, row: int, k: int) -> bool:
        lead = self.leads[row]
        grows = lead.line.slope[k] > max(SURE * lead.line.u_slope[k], self.limit_k / STALL_H)
        far = lead.line.level[k] > self.limit_k + SURE * lead.u[k]
        fit = lead.like_with_like[k] and lead.heats[k] and FROM_C <= self.table.celsius[row, k] <= UNTIL_C
        return bool(grows and far and fit)

    def _say(self, row: int, k: int) -> None:
        name, at, lead = self.table.names[row], self.table.grid.end(k), self.leads[row]
        doubt = lead.doubt(k)
        others = tuple(n for i, n in enumerate(self.table.names) if i != row and np.isfinite(self.table.celsius[i, k]))
        kind, advice = ("check probe", RECHECK) if doubt else ("runs away", _advice(name, at, self.notes))
        figures = float(self.table.celsius[row, k]), *_figures(lead, k)
        self.hints.append(Hint(kind, name, at, at, None, None, *figures, self.limit_k, others, advice, doubt))
        self.run = 0

    def _look_for_end(self, k: int) -> None:
        held = self.hints[-1]
        row = self.table.names.index(held.place)
        lead = self.leads[row]
        if not np.isfinite(lead.line.slope[k]) or not np.isfinite(self.table.celsius[row, k]):
            self._not_known(k)
            return
        self.unknown = 0
        if (lead.doubt(k) is None) != (held.doubt is None):
            self._close(k, "its probe is in doubt" if held.doubt is None else "its probe is no longer in doubt")
            return
        level, u, slope, slope_u = _figures(lead, k)
        self.hints[-1] = replace(held, at=self.table.grid.end(k), celsius=float(self.table.celsius[row, k]),
                                 lead_k=level, lead_u_k=u, slope_k_h=slope, slope_u_k_h=slope_u)
        keeps = level > KEEPS_SHARE * self.limit_k and slope > 0
        self.run = max(0, self.run - 2) if keeps else self.run + 1
        if self.run >= PERSIST_MIN:
            self._close(k, "the others catch up" if slope <= 0 else "its lead is small again")
            self.quiet_until = k + WAIT_MIN
        elif self.table.celsius[row, k] > UNTIL_C:
            self._close(k, "it is as hot as meat is pulled")


def _figures(lead: Lead, k: int) -> tuple[float, float, float, float]:
    """(lead, its u, its slope, its u) of minute ``k``."""
    line = lead.line
    return float(line.level[k]), float(lead.u[k]), float(line.slope[k]), float(line.u_slope[k])
