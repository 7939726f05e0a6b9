"""The screen's page of the last hours: the pit dotted, the coldest meat solid, on one scale that is written beside."""

from micropython import const

from pitlogger.wits import fahrenheit

_LEFT, _TOP, _WIDE, _HIGH = const(32), const(9), const(96), const(45)
_HOURS = (3, 6, 12, 24)
_STEPS = (10, 20, 50, 100, 200, 500)
_NOTHING = const(-32768)


def draw(pages):
    """Draw in turns."""
    canvas, trend, in_f = pages.canvas, pages.app.local.trend, pages.in_f
    two = pages.two()  # the coldest meat, the pit
    kept_s = (trend.slot - trend.first()) * trend.step_s
    hours = next((h for h in _HOURS if kept_s <= h * 3600), _HOURS[-1])
    yield
    ends = []
    for i in two:
        if i is not None:
            ends.append(trend.extremes(i))
            yield
    low, high = _scale(ends, in_f)
    for place, number in enumerate(two):
        if number is not None:
            canvas.text(pages.name(number)[:5], 64 * place, 0)
            for x in range(64 * place + 42, 64 * place + 60):
                _mark(canvas, place, x, 3, 3)
    yield
    canvas.text(str(high), 0, _TOP)
    canvas.text(str(low), 0, _TOP + _HIGH - 7)
    canvas.vline(_LEFT - 2, _TOP, _HIGH + 1, 1)
    canvas.hline(_LEFT - 2, _TOP + _HIGH, _WIDE + 2, 1)
    canvas.text("-%d h" % hours, _LEFT - 2, 56)
    canvas.text("now", 100, 56)
    yield
    bottom, top = _tenths(low, in_f), _tenths(high, in_f)
    count = hours * 3600 // trend.step_s
    begin = trend.slot - count
    for place, number in enumerate(two):
        if number is None:
            continue
        before = None
        for column in range(_WIDE):
            at = begin + count * column // _WIDE
            mean = _mean(trend, number, at, max(at + 1, begin + count * (column + 1) // _WIDE))
            if mean is None:
                before = None
            else:
                y = _TOP + _HIGH - (mean - bottom) * _HIGH // (top - bottom)
                _mark(canvas, place, _LEFT + column, y if before is None else before, y)
                before = y
            if column & 3 == 3:
                yield


def _mark(canvas, place, x, y0, y1):
    """Put a column of a line: solid and two thick for meat, every third one for the pit."""
    if place == 0:
        canvas.vline(x, min(y0, y1), abs(y1 - y0) + 2, 1)
    elif x % 3 == 0:
        canvas.vline(x, min(y0, y1), max(1, abs(y1 - y0)), 1)


def _mean(trend, number, first, end):
    """Return the mean of the points that there are [0.1 degC], or None."""
    total = count = 0
    first = max(first, trend.first())
    if end <= first:
        return None
    piece = trend.piece(number, first, end - first)
    for i in range(0, len(piece), 2):
        value = piece[i] | piece[i + 1] << 8
        if value & 0x8000:
            value -= 0x10000
        if value != _NOTHING:
            total += value
            count += 1
    return total // count if count else None


def _scale(ends, in_f):
    """Return round limits [degree of the user's] of what there is."""
    lows = [e[0] for e in ends if e is not None]
    highs = [e[1] for e in ends if e is not None]
    low, high = (min(lows), max(highs)) if lows else (0, 1000)
    if in_f:
        low, high = fahrenheit(low * 10) // 10, fahrenheit(high * 10) // 10
    low, high = low // 10, -(-high // 10)
    step = next((s for s in _STEPS if high - low <= 8 * s), _STEPS[-1])
    low = low // step * step
    return low, max(-(-high // step) * step, low + step)


def _tenths(degrees, in_f):
    return (degrees - 32) * 50 // 9 if in_f else degrees * 10

