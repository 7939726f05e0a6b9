"""What the papers of a cook are made of: one self-contained page, tables and lists in which everything is escaped."""

from collections.abc import Iterator, Sequence
from html import escape

STYLE = """
@page { size: auto; margin: 8mm 11mm }
* { box-sizing: border-box }
html { -webkit-text-size-adjust: 100% }
body { font: 15px/1.4 system-ui, "Segoe UI", "Liberation Sans", Arial, sans-serif; color: #1b1815; background: #fff;
  max-width: 1080px; margin: 0 auto; padding: 20px; font-variant-numeric: tabular-nums }
h1 { font-size: 1.6em; line-height: 1.2; margin: 0 0 .2em; overflow-wrap: anywhere }
h2 { font-size: 1.05em; margin: 1.1em 0 .3em; border-bottom: 1px solid #8a8175; break-after: avoid }
p { margin: .35em 0 } ul, ol { margin: .3em 0; padding-left: 1.5em } li { overflow-wrap: anywhere }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1em 1em; margin: .4em 0 }
dt { color: #564f47 } dd { margin: 0; overflow-wrap: anywhere }
table { border-collapse: collapse; width: 100%; margin: .2em 0 } tr { break-inside: avoid }
th { font-weight: 650; color: #3a342d; vertical-align: bottom }
th, td { text-align: left; vertical-align: top; padding: .15em .6em .15em 0; border-bottom: 1px solid #dcd6ca }
.num { text-align: right; white-space: nowrap } th.num { white-space: normal }
figure { margin: .5em 0; break-inside: avoid } svg { width: 100%; height: auto; display: block }
svg text { font-family: inherit; font-size: 11px; paint-order: stroke; stroke: #fff; stroke-width: 2.5px }
svg .mark { stroke: none; font-size: 10px }
.beside { display: grid; grid-template-columns: 1fr 1fr; gap: 0 2em }
.beside > * { min-width: 0 } .narrow { display: none }
.quiet { color: #564f47 } .small { font-size: .88em } .columns { columns: 2; column-gap: 2em }
.answers { display: grid; grid-template-columns: repeat(auto-fit, minmax(130px, 1fr)); gap: .5em; margin: .6em 0 }
.answers div { border: 1px solid #b9b1a5; border-radius: 6px; padding: .35em .6em }
.answers b { display: block; font-size: 1.15em } .answers span { color: #564f47; font-size: .88em }
.photos { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 300px), 1fr)); gap: .8em }
.photos figure { margin: 0 } .photos img { display: block; max-width: 100%; height: auto; max-height: 540px }
figcaption { color: #3a342d; font-size: .92em; margin-top: .2em; overflow-wrap: anywhere }
@media screen and (max-width: 640px) {
  body { padding: 12px } .narrow { display: block } .broad { display: none } .columns { columns: 1 }
  .beside { grid-template-columns: 1fr }
  dl { grid-template-columns: 1fr; gap: 0 } dd { margin-bottom: .4em }
  thead { display: none } table, tbody, tr { display: block }
  tr { padding: .3em 0; border-bottom: 1px solid #dcd6ca }
  th, td { border: 0; padding: 0; display: inline; text-align: left; white-space: normal } td:empty { display: none }
  td.num { white-space: normal }
  td:first-child { font-weight: 650 } td + td::before { content: " · " attr(data-head) " "; color: #564f47 }
}
/* By the pit at night a white page blinds: it is turned over whole, so that a chart's hues keep their roles. */
@media screen and (prefers-color-scheme: dark) {
  html { background: #fff; filter: invert(.92) hue-rotate(180deg) }
  .photos img { filter: invert(1) hue-rotate(180deg) }
}
@media print {
  body { font-size: 7.4pt; line-height: 1.17; padding: 0; max-width: none }
  h1 { font-size: 14pt } h2 { font-size: 9pt; margin: .5em 0 .12em } p, ul, ol, dl { margin: .15em 0 }
  table { font-size: .94em; margin: 0 } th, td { padding: .02em .5em .02em 0 }
  .answers { margin: .25em 0; gap: 3pt } .answers div { padding: 1pt 4pt } figure { margin: .2em 0 }
  .small { font-size: .88em } .columns { columns: 3; column-gap: 1.2em; font-size: .82em }
  .narrow { display: none } .broad { display: block }
  .behind { break-before: page } .photos { grid-template-columns: 1fr 1fr } .photos img { max-height: 75mm }
}
"""


def page(title: str, body: str) -> str:
    """A whole page. ``body`` is HTML, ``title`` is text."""
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{STYLE}</style></head><body><main>{body}</main>'
        "</body></html>\n"
    )


def section(title: str, *parts: str) -> str:
    """A part of the page under a heading; nothing where there is nothing in it."""
    inside = "".join(parts)
    return f"<section><h2>{escape(title)}</h2>{inside}</section>" if inside else ""


def paragraph(text: str, kind: str = "") -> str:
    """Text as a paragraph."""
    return f'<p class="{kind}">{escape(text)}</p>' if kind else f"<p>{escape(text)}</p>"


def listed(lines: Sequence[str], *, numbered: bool = False, kind: str = "") -> str:
    """Lines of text as a list; nothing without any."""
    tag = "ol" if numbered else "ul"
    return f'<{tag} class="{kind}">' + "".join(f"<li>{escape(x)}</li>" for x in lines) + f"</{tag}>" if lines else ""


def facts(pairs: Sequence[tuple[str, str]]) -> str:
    """What is said of a thing, name by name."""
    return f"<dl>{''.join(f'<dt>{escape(name)}</dt><dd>{escape(text)}</dd>' for name, text in pairs)}</dl>"


def answers(some: Sequence[tuple[str, str, str]]) -> str:
    """The answers that are wanted first: (what, the answer, what is to be known besides)."""
    boxes = "".join(f"<div><span>{escape(what)}</span><b>{escape(answer)}</b><span>{escape(besides)}</span></div>"
                    for what, answer, besides in some)
    return f'<div class="answers">{boxes}</div>'


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], *, words: Sequence[int] = (0,)) -> str:
    """A table of text; nothing without rows. On a phone each row is a sentence, with the heads between.

    words : columns that are text, and stand at the left
    """
    if not rows:
        return ""

    def cells(row: Sequence[str], tag: str) -> Iterator[str]:
        for i, cell in enumerate(row):
            kind = "" if i in words else ' class="num"'
            head = f' data-head="{escape(heads[i])}"' if tag == "td" and i and heads[i] else ""
            scope = ' scope="col"' if tag == "th" else ""
            yield f"<{tag}{kind}{head}{scope}>{escape(cell)}</{tag}>"

    lines = "".join(f"<tr>{''.join(cells(row, 'td'))}</tr>" for row in rows)
    head = "".join(cells(heads, "th"))
    return f"<table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"


def figure(broad: str, narrow: str) -> str:
    """A plot drawn twice: for paper and wide screens, and for a phone."""
    return f'<figure><div class="broad">{broad}</div><div class="narrow">{narrow}</div></figure>'
