"""Cooks for the tests of report and comparison, and what the pages made of them hold."""

import re
from dataclasses import replace
from html.parser import HTMLParser

from cook_kitchen import T0, Spec, cook_all, record, sense

VOID = {"meta", "line", "circle", "polygon", "path", "rect"}
NAMES = ("flat", "point", "tip")
NOTES = ((2.0, "fuel"), (3.0, "fuel"), (4.0, "spritz"), (6.5, "wrap"), (6.5, "fuel"), (13.0, "pull"))


def cook(*, number=1, name="Night", names=NAMES, hours=13.6, notes=NOTES, target_c=88.0, pit_c=121.0, start_c=4.0,
         late_h=0.0):
    """A cook as ``series.load`` would hand it over, begun ``late_h`` later; all its notes have a text."""
    wraps = tuple(h for h, kind in notes if kind == "wrap")
    specs = [Spec(hours=hours, half_mm=30 + 4 * i if n != "tip" else 22, juice=0.8, crust_kg=5.0, film=18, seed=number,
                  pit_c=pit_c, start_c=start_c, wraps=wraps) for i, n in enumerate(names)]
    truth = cook_all(specs)
    how = {"every_s": 20.0, "quantum": 0.25, "noise": 0.08}
    places = [sense(truth.t, truth.meat[:, i], place=n, kind="meat", seed=i, **how) for i, n in enumerate(names)]
    places.append(sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=99, **how))
    places = [replace(s, t=s.t + 3600 * late_h) for s in places]
    made = record(places, tuple((h + late_h, kind) for h, kind in notes))
    began = int((T0 + 3600 * late_h) * 1000)
    about = replace(made.cook, id=number, name=name, started_ms=began, ended_ms=began + int(3600_000 * hours),
                    target_c=target_c, meats=("packer, 6.4 kg",), band_c=(107.2, 135.0))
    return replace(made, cook=about, notes=tuple(replace(n, text=f"the {n.kind} of it") for n in made.notes))


class Page(HTMLParser):
    """A page taken apart: the words of each section, and its tables as rows of cells. Every tag must be closed."""

    def __init__(self, html):
        super().__init__()
        self.open, self.words, self.heads, self.tables, self.attributes = [], [], [], {}, []
        self.tags, self.style = set(), ""
        self._cell = self._head = None
        self.feed(html)
        self.close()
        assert self.open == [], self.open

    def handle_starttag(self, tag, attrs):
        self.attributes += attrs
        self.tags.add(tag)
        if tag not in VOID:
            self.open.append(tag)
        if tag == "h2":
            self._head = []
        if tag == "tr":
            self.tables.setdefault(self.heads[-1] if self.heads else "", []).append([])
        if tag in ("td", "th"):
            self._cell = []

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag
        if tag == "h2":
            self.heads.append("".join(self._head))
            self._head = None
        if tag in ("td", "th"):
            self.tables[self.heads[-1]][-1].append("".join(self._cell))
            self._cell = None

    def handle_data(self, data):
        if "style" in self.open:
            self.style += data
            return
        self.words.append(data)
        for some in (self._cell, self._head):
            if some is not None:
                some.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def rows(self, head):
        """The rows of a section's table, each by the names of its columns."""
        names, *rows = self.tables[head]
        return [dict(zip(names, row, strict=True)) for row in rows]


def numbers(text):
    """The numbers in a text, in their order."""
    return [float(x) for x in re.findall(r"[-+]?\d+(?:\.\d+)?", text)]


def needs_nothing_else(html):
    """Whether nothing is fetched, and nothing runs."""
    page = Page(html)
    names = {name for name, _ in page.attributes}
    fetches = names & {"src", "href", "srcset", "action", "data"} or page.tags & {"script", "link", "iframe", "object"}
    runs = any(name.startswith("on") for name in names)
    styles = page.style + " ".join(value for name, value in page.attributes if name == "style")
    return not fetches and not runs and not re.search(r"url\(|@import|https?:", styles)
