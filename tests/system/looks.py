"""What a page is looked at for: nothing over the edge, nothing too small for a finger, nothing that axe finds serious.

With ``PITSCRIBE_TEST_PICTURES`` set to a folder the tests leave there what they looked at.
"""

import os
from collections.abc import Sequence
from pathlib import Path

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

WIDTHS = (320, 390, 768, 1440)
_PICTURES = os.environ.get("PITSCRIBE_TEST_PICTURES")


def over_the_edge(page: Page, *, rolls: str) -> list[str]:
    """What reaches beyond the page's right edge, but for what lies in ``rolls`` (a selector); and whether the page
    itself can be moved sideways."""
    found: list[str] = page.evaluate(f"""
        [...document.querySelectorAll('body *')]
            .filter(e => e.offsetParent && !e.closest('{rolls}'))
            .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5)
            .map(e => e.outerHTML.slice(0, 80))""")
    beyond = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return found + ([f"the whole page, by {beyond} px"] if beyond else [])


def too_small(page: Page, selector: str, least: int = 38) -> list[str]:
    """Those of ``selector`` that are too low for a finger: less than so many CSS pixels."""
    found: list[str] = page.evaluate(f"""
        [...document.querySelectorAll('{selector}')]
            .filter(e => e.offsetParent && e.getBoundingClientRect().height < {least} - 0.5).map(e => e.outerHTML)""")
    return found


def grave(page: Page) -> list[tuple[str, str]]:
    """What axe finds serious or critical on the page as it is: the rule, and the first element that breaks it."""
    found = Axe().run(page).response["violations"]
    return [(v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in ("serious", "critical")]


def take_picture(page: Page, name: str, *, whole: bool = True) -> None:
    """Keep the page as it is, for who wants to look."""
    if _PICTURES:
        page.screenshot(path=Path(_PICTURES) / f"{name}.png", full_page=whole)


def look_at(
    page: Page, name: str, *, rolls: str, fingers: str | None = None, schemes: Sequence[str] = ("light", "dark")
) -> None:
    """The page as it is now, in every width and the given lights. ``fingers``: what must be large enough to tap."""
    before = page.viewport_size
    assert before is not None
    for scheme in schemes:
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            where = f"{name} at {width}, {scheme}"
            assert over_the_edge(page, rolls=rolls) == [], where
            if fingers:
                assert too_small(page, fingers) == [], where
            take_picture(page, f"{name}_{width}_{scheme}")
        assert grave(page) == [], f"{name}, {scheme}"
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(before)
