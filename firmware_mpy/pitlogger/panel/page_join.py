"""The screen's page with the code that lets a phone join our network: dark modules on lit glass."""

from pitlogger import forget
from pitlogger.panel.pages import LOAD_MS, plain, wrapped


def draw(pages):
    """Draw in turns. The code is made once, and what made it is let go of."""
    canvas, spot = pages.canvas, pages.app.hotspot
    if spot is None:
        yield from pages.lines(["own network:", "closed"])
        return
    if pages.kept is None or pages.kept[0] != (spot.ssid, spot.key):
        yield LOAD_MS
        from pitlogger.panel import qr

        made = yield from qr.encode(qr.wifi(spot.ssid, spot.key))
        qr = None  # type: ignore[assignment]
        forget(("panel.qr",))
        pages.kept = ((spot.ssid, spot.key), made)
    made = pages.kept[1]
    if made is None:
        yield from pages.lines(["name and key are", "too long for a", "code"])
        return
    y = 0
    for line in ["join"] + wrapped(spot.ssid, 6):
        canvas.text(plain(line), 0, y)
        y += 9
    yield
    side, rows = made
    size = 64 // side  # the version that has room for a key of 12 letters is shown at twice its size
    x0, y0 = 50 + (78 - side * size) // 2, (64 - side * size) // 2
    canvas.fill_rect(50, 0, 78, 64, 1)
    for y in range(side):
        row = rows[y]
        for x in range(side):
            if row >> x & 1:
                canvas.fill_rect(x0 + x * size, y0 + y * size, size, size, 0)
        yield
