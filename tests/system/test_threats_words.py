"""Words that are markup, a script or a path, wherever somebody may write: shown as words, whatever reads them.

A real browser whose Content Security Policy is taken away for the test: what holds here is that nothing becomes markup,
not that it would be kept from running. With the policy, it would be both.
"""

import os
import re
import string
from dataclasses import replace
from pathlib import Path

import page_world
import pytest
from browser import chromium, new_context, new_page, site, visit
from hypothesis import given
from hypothesis import strategies as st
from photos_made import jpeg

from pitscribe.cli import main
from pitscribe.commands.papers import file_name
from pitscribe.ledger.photofile import read_photo

LONG = '"><script>owned()</script><img src=x onerror=owned()><svg onload=owned()>\' onfocus=owned() </title></select>'
SHORT = ("<img src=x onerror=owned()>", '"><script>owned()</script>', '<a href="javascript:owned()">f</a>',
         "<svg/onload=owned()>", "'-owned()-'", "${owned()}{{owned()}}")  # at most 40 signs: names of places
COUNTED = "window.__owned = 0; window.owned = () => { window.__owned += 1; };"
MADE = """() => [...document.querySelectorAll('img[src="x"], script:not([src]), [onerror], [onload], [onfocus], '
    + 'a[href^="javascript"], svg a')].map(e => e.outerHTML)"""


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A cook and all that belongs to it, named so."""
    patch = pytest.MonkeyPatch()
    named = [replace(place, name=word) for place, word in zip(page_world.PLACES, SHORT, strict=True)]
    patch.setattr(page_world, "PLACES", tuple(named))
    with site(tmp_path_factory.mktemp("words"), hours=0.3, name=LONG) as made:
        world = made.world
        world.state(name=LONG[:40])
        for kind in ("text", "wrap"):
            world.ledger.add_note(1, None, kind, LONG)
        world.ledger.set_cook(1, meats=[LONG])
        world.ledger.score(1, "tenderness", 7, taster=LONG[:60], remark=LONG)
        probe = world.ledger.add_probe(LONG[:60], "T")
        assert probe.name
        world.ledger.add_photo(1, read_photo(jpeg()), at=world.ledger.cook(1).started_ms + 1000, words=LONG)
        world.ledger.new_trial(
            LONG[:200], question=LONG, factor=LONG[:200], levels=[LONG[:150], LONG[:150] + "b"], main="tenderness",
            matters=1.0, planned=4, block=2, seed="s",
        )
        second = world.ledger.start_cook(LONG[:80] + " again")
        world.ledger.end_cook(second.id)
        yield made
    patch.undo()


@pytest.fixture(scope="module")
def context():
    with chromium() as browser:
        made = new_context(browser, bypass_csp=True)
        made.add_init_script(COUNTED)
        yield made


@pytest.mark.parametrize(
    ("path", "sees"),
    [("/", SHORT[2]), ("/cooks", "<script>owned()"), ("/trials", "<script>owned()"),
     ("/trial/1", "<script>owned()"), ("/cook/1/report", SHORT[2]), ("/compare?cooks=1,2", "<script>owned()"),
     ("/cook/%3Cimg%20src=x%20onerror=owned()%3E", ""), ("/compare?cooks=1,2&align=%3Cimg%20src=x%3E", ""),
     ("/taste#%22%3E%3Cimg%20src=x%20onerror=owned()%3E", "")],
)
def test_words_that_are_markup_are_words_on_every_page(written, context, path, sees):
    page, _ = new_page(context)
    try:
        visit(page, written.url + path)
        if sees:
            page.wait_for_function("w => document.body.textContent.includes(w)", arg=sees)
        page.wait_for_load_state("load")
        if path == "/":
            page.wait_for_selector("#chart[data-drawn]")
        assert page.evaluate(MADE) == []
        assert page.evaluate("window.__owned") == 0
    finally:
        page.close()


def test_a_saved_report_opened_from_the_disk_runs_nothing(written, context, tmp_path, capsys):
    home = str(written.world.ledger.path.parent)
    file = tmp_path / "r.html"
    assert main(["--home", home, "report", "1", "-o", str(file)]) == 0
    capsys.readouterr()
    page, seen = new_page(context)
    page.goto(file.as_uri())
    assert "<script>owned()" in page.inner_text("body")
    assert page.evaluate(MADE) == []
    assert page.evaluate("window.__owned") == 0
    assert [url for url in seen.requests if not url.startswith(("file:", "data:"))] == []
    # These would have seen it:
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=owned()>')")
    page.wait_for_function("window.__owned === 1")
    assert page.evaluate(MADE) != []
    page.close()


@given(st.text(st.sampled_from(string.printable + "ä\\/.\0\n\u202e\U00020000"), min_size=1, max_size=300))
def test_no_name_of_a_cook_leads_its_report_out_of_the_folder(name):
    made = file_name(name) + ".html"
    assert os.sep not in made
    assert "\0" not in made
    assert made not in (".html", "..html")
    assert not made.startswith((".", "-", "~"))
    assert Path("/a/b", made).resolve().parent == Path("/a/b")
    assert len(made.encode()) <= 255  # what ext4 takes: NAME_MAX
    assert not re.search(r"[\x00-\x1f]", made)
