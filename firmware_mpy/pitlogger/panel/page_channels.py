"""The screen's page of all channels, in the order of a person who cooks."""


def draw(pages):
    """Draw in turns."""
    canvas, local = pages.canvas, pages.app.local
    order = local.order()
    y = 0
    if len(order) < 8:
        canvas.text("all", 0, 0)
        pages.icons()
        y = 9
    pitch = min(10, (64 - y) // max(1, len(order)))
    yield
    for number in order:
        channel = local.channels[number]
        value = pages.value(channel)
        canvas.text(pages.name(number)[:8], 0, y)
        if value is None:
            said = pages.word(channel)[:7]
        else:
            tenths = (value + 5) // 10
            said = "%s%d.%d" % ("-" if tenths < 0 else "", abs(tenths) // 10, abs(tenths) % 10)
            pages.alarm(channel, 120, y)
        canvas.text(said, 118 - 8 * len(said), y)
        y += pitch
        yield
