"""The screen's page of the network: of our own, with all that a guest needs to know, or that of others."""

from pitlogger.panel.pages import wrapped


def draw(pages):
    """Draw in turns."""
    app = pages.app
    spot, net = app.hotspot, app.net
    if spot is not None:
        lines = ["own network"] + wrapped(spot.ssid) + wrapped("key " + spot.key)
        lines += wrapped(spot.where or "opening") + ["PIN " + spot.pin]
    elif net is None:
        lines = ["no network"]
    elif not net.wifi.up.is_set():
        lines = ["no network", "in reach"] + wrapped(net.wifi.trouble)
    else:
        lines = ["known network"]
        if app.uplink is not None:
            lines += ["waiting: %d" % (app.journal.next - app.journal.cursor)] + wrapped(app.uplink.trouble)
    yield
    yield from pages.lines(lines)
