"""The screen's first page: the coldest meat and the pit, as large as they can be."""

from pitlogger.panel import digits
from pitlogger.wits import fahrenheit


def draw(pages):
    """Draw in turns."""
    pages.icons()
    yield
    meat, pit = pages.two()
    yield
    _large(pages, meat, 0)
    yield
    _large(pages, pit, 33)
    channels = pages.app.local.channels
    missing = sum(c is not None and c.kind == "meat" and pages.value(c) is None for c in channels)
    if missing and pages.value(channels[meat]) is not None:  # the coldest of those that are left: not of all
        pages.canvas.text("%d lost" % missing, 80, 33)


def _large(pages, number, y):
    if number is None:
        return
    canvas, channel = pages.canvas, pages.app.local.channels[number]
    value = pages.value(channel)
    canvas.text(pages.name(number)[:9], 0, y)
    y += 9
    digits.draw(canvas, None if value is None else (value + 50) // 100, 58, y)
    if value is None:
        canvas.text(pages.word(channel), 64, y)
        canvas.text(_age(pages.up_s, channel.seen_s), 64, y + 14)
        return
    canvas.rect(62, y, 3, 3, 1)
    canvas.text("F" if pages.in_f else "C", 67, y)
    pages.alarm(channel, 80, y)
    canvas.text(_limits(channel, pages.in_f), 64, y + 14)


def _age(up_s, seen_s):
    """Return how long ago the last reading was."""
    if seen_s is None:
        return "never"
    age = up_s - seen_s
    return "%d s" % age if age < 100 else "%d min" % (age // 60) if age < 6000 else "%d h" % (age // 3600)


def _limits(channel, in_f):
    low, high = (
        "" if c is None else "%d" % (((fahrenheit(c) if in_f else c) + 50) // 100) for c in (channel.low, channel.high)
    )
    if channel.kind == "meat" and high and not low:
        return "to " + high
    return "%s-%s" % (low, high) if low or high else ""
