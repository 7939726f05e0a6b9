"""The screen's page of the logger itself."""


def draw(pages):
    """Draw in turns."""
    app, journal = pages.app, pages.app.journal
    hours, anchor, minutes = app.hours(), app.anchors.best, pages.up_s // 60
    yield
    left = "fails" if not journal.ok else "?" if hours is None else "%d h" % min(hours, 9999)
    lines = ["up %dd%02d:%02d" % (minutes // 1440, minutes // 60 % 24, minutes % 60), "journal " + left]
    lines += ["clock " + ("unknown" if anchor is None else anchor["from"])]
    yield
    lines += ["lost %d" % app.lost, "missed %d" % app.sampler.missed, "boot %d" % journal.boot]
    yield from pages.lines(lines)  # in safe mode there is no screen
