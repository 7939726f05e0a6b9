"""What ``explain`` found, as a person reads it."""

import textwrap
from collections.abc import Iterator
from math import inf
from typing import Any

from pitscribe.commands.sample import to_the_second
from pitscribe.cook.plain import span
from pitscribe.report.figures import dof_words, k_words

_WIDTH = 112
_DIGITS = {"degC": 3, "K": 3, "mV": 5}


def text(told: dict[str, Any], unit: str) -> str:
    """The derivation as lines; ``unit``: "F" or "C"."""
    parts = (_head(told), _steps(told, unit), _budget(told, unit), [*_flags(told), *_end(told, unit)])
    return "\n\n".join("\n".join(lines) for part in parts if (lines := list(part)))


def _head(told: dict[str, Any]) -> Iterator[str]:
    cook = told["cook"]
    into = span(told["time"] - cook["started"])
    yield f"{told['place']} ({told['kind']}) of cook {cook['id']}, {cook['name']}"
    when = f"{to_the_second(told['time'])}, {into} into the cook"
    if "frame" not in told:
        yield when
        return
    yield f"{when}; that time is good to {told['time_u_s']:.2g} s (one standard uncertainty)"
    probe, channel, frame = told["probe"], told["channel"], told["frame"]
    yield (
        f"probe {probe['name']!r}, type {probe['type']}, class {probe['class']}; "
        f"channel {channel['number']} of logger {told['logger']}: {channel['chip']} for type {channel['type']}"
    )
    yield (
        f"boot {frame['boot']}, frame {frame['sequence']}, tick {frame['tick'] + 1} of {frame['ticks']}, "
        f"uptime {frame['uptime_ms'] / 1000:.3f} s"
    )


def _steps(told: dict[str, Any], unit: str) -> Iterator[str]:
    yield f"{'step':<25}{'number':>14}   {'std. unc.':>12}   from"
    for step in told["steps"]:
        if step["value"] is None:
            yield f"{step['name']:<25}{step['said']}"
            yield from _row("", 57, step["source"])
            continue
        value = _value(step["value"], step["unit"], unit)
        # None of a number's own, and none either where a calibration has taken it all away.
        u = "" if not step["u"] else _value(step["u"], "K" if step["unit"] == "degC" else step["unit"], unit)
        yield from _row(f"{step['name']:<25}{value:>14}   {u:>12}   ", 57, step["source"])


def _budget(told: dict[str, Any], unit: str) -> Iterator[str]:
    budget = told["budget"]
    if budget is None:
        return
    yield f"{'what makes it uncertain':<36}{'std. unc.':>10}{'share':>8}   from"
    for line in budget["lines"]:
        dof = "" if line["dof"] is None else f"; {line['dof']:.0f} degrees of freedom"
        share = f"{100 * line['share']:.1f} %"
        first = f"{line['name']:<36}{_value(line['u_k'], 'K', unit):>10}{share:>8}   "
        yield from _row(first, 57, line["source"] + dof)
    dof = dof_words(inf if budget["dof"] is None else budget["dof"])
    first = f"{'combined':<36}{_value(budget['u_k'], 'K', unit):>10}{'100 %':>8}   "
    yield from _row(first, 57, f"GUM 5.1.2; {dof} effective degrees of freedom (G.4)")


def _row(first: str, width: int, source: str) -> Iterator[str]:
    """A line whose last column goes on below itself."""
    lines = textwrap.wrap(source, _WIDTH - width) or [""]
    yield f"{first:<{width}}{lines[0]}".rstrip()
    for line in lines[1:]:
        yield " " * width + line


def _flags(told: dict[str, Any]) -> Iterator[str]:
    for flag in told["flags"]:
        use = "may be used" if flag["usable"] else "is not used"
        yield f"flag: {flag['flag']} (the value {use})"
        for what in ("rule", "reason", "source"):
            yield from _row(f"    {what}", 12, flag[what])
    if not told["flags"]:
        yield "no flag"


def _end(told: dict[str, Any], unit: str) -> Iterator[str]:
    result = told["result"]
    if result is None:
        yield "no value: nothing can be said of the temperature"
        return
    value, half = _value(result["celsius"], "degC", unit), _value(result["expanded_k"], "K", unit)
    yield f"{told['place']}: {value} +/- {half} (95 %, {k_words(result['k'])})"


def _value(x: float, of: str, unit: str) -> str:
    """A number with its unit; ``of``: "degC", "K" or "mV"."""
    digits = _DIGITS[of]
    if of == "mV":
        return f"{x:.{digits}f} mV"
    if unit == "F":
        x = x * 1.8 + (32 if of == "degC" else 0)
    return f"{round(x, digits) + 0.0:.{digits}f} {unit}"  # + 0.0: nothing has no sign
