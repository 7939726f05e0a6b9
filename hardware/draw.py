"""Makes what follows from ``pinmap.toml``: schematic, wiring picture, netlist, parts list, tables of the guide.

    .venv/bin/python hardware/draw.py           writes them, SVG and PDF (PDF wants chromium)
    .venv/bin/python hardware/draw.py --check   says what is out of date, and writes nothing
"""

import argparse
import hashlib
import re
import sys
from pathlib import Path

import figures
import netlist
import pinmap
import power
import schematic
import tables
import wiring

HERE = Path(__file__).parent
_BLOCK = r"(<!-- {} -->\n).*?(<!-- end -->)"


def texts(made: pinmap.PinMap) -> dict[str, str]:
    """File name -> content of everything that is made, PDFs aside. Raises PinMapError if the netlist is not sound."""
    build = netlist.Build.standard(made)
    nets = netlist.nets_of(made, build)
    if wrong := netlist.complaints(nets):
        raise pinmap.PinMapError("\n".join(wrong))
    found = {"schematic.svg": schematic.draw(made, build), "wiring.svg": wiring.draw(made, build),
             "netlist.csv": netlist.as_csv(nets)}
    guide = (HERE / "BUILD.md").read_text(encoding="utf-8")
    for name, block in blocks(made, build).items():
        found_at = list(re.finditer(_BLOCK.format(name), guide, flags=re.DOTALL))
        if len(found_at) != 1:
            raise pinmap.PinMapError(f"BUILD.md: has {len(found_at)} places for {name!r}, not one")
        place = found_at[0]
        guide = guide[: place.end(1)] + block + guide[place.start(2) :]
    return {**found, "BUILD.md": guide}


def blocks(made: pinmap.PinMap, build: netlist.Build) -> dict[str, str]:
    """The tables that stand in the guide between marks, by mark."""
    return {"parts": tables.parts(made), "pins": tables.pins(made), "settings": tables.settings(made),
            "immersion": figures.immersion(), "resistance": figures.resistance(), "budget": power.table(build.chips),
            "power-sources": power.sources()}


def mark_of(svg: str) -> str:
    """What a PDF's title carries of the drawing that it was printed from."""
    return hashlib.sha256(svg.encode()).hexdigest()[:12]


def print_pdf(svg: str, name: str) -> bytes:
    """Print a drawing as one PDF page of its own size, by chromium."""
    from playwright.sync_api import sync_playwright

    width, height = (float(found) for found in re.findall(r'viewBox="\S+ \S+ (\S+) (\S+)"', svg)[0])
    style = f"@page {{ size: {width}px {height}px; margin: 0 }} body {{ margin: 0 }} svg {{ width: {width}px; " \
            f"height: {height - 1}px; display: block }}"
    page_text = f"<title>{name} {mark_of(svg)}</title><style>{style}</style>{svg}"
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page()
        page.set_content(page_text)
        made = page.pdf(prefer_css_page_size=True, print_background=True)
        browser.close()
    return made


def stale(made: pinmap.PinMap) -> list[str]:
    """The files that are not what the pin map makes now."""
    wanted = texts(made)
    old = [name for name, text in wanted.items() if _read(HERE / name) != text.encode()]
    for name in ("schematic", "wiring"):
        if mark_of(wanted[f"{name}.svg"]).encode() not in _read(HERE / f"{name}.pdf"):
            old.append(f"{name}.pdf")
    return old


def _read(file: Path) -> bytes:
    return file.read_bytes() if file.exists() else b""


def main() -> int:
    """Write or check; the exit status is 1 if something is out of date or wrong."""
    options = argparse.ArgumentParser(description="Makes drawings and tables of hardware/pinmap.toml.")
    options.add_argument("--check", action="store_true", help="say what is out of date, write nothing")
    check = options.parse_args().check
    try:
        made = pinmap.load()
        old = stale(made)
    except pinmap.PinMapError as error:
        print(error, file=sys.stderr)
        return 1
    for name in old:
        print(f"{name}: {'out of date' if check else 'written'}")
    if not check:
        for name, text in texts(made).items():
            (HERE / name).write_text(text, encoding="utf-8")
        for name in {"schematic.pdf", "wiring.pdf"} & set(old):
            svg = texts(made)[name.replace("pdf", "svg")]
            (HERE / name).write_bytes(print_pdf(svg, name.removesuffix(".pdf")))
    return 1 if check and old else 0


if __name__ == "__main__":
    sys.exit(main())
