"""What docs/METROLOGY.md shows is what the commands print now; ``tests/system/papers.py`` makes it anew."""

import json
import re

import numpy as np
import papers
import pytest

DOCUMENT = papers.DOCUMENT.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A home whose ledger has an ice bath, boiling water and a cook, and two probes that were calibrated in them."""
    made = papers.bench_home(tmp_path_factory.mktemp("papers"))
    papers.calibrate(made)
    return made


@pytest.fixture(scope="module")
def explained(home):
    return papers.explained(home)


def form(block: str) -> list[str]:
    """The lines of a block without its numbers, in no order: shares decide which comes first."""
    return sorted(re.sub(r"\s+", " ", re.sub(r"\b[0-9A-F]*\d[0-9A-F]*\b", "#", line)) for line in block.splitlines())


def test_the_explanation_in_the_document_has_the_form_of_what_the_command_prints(explained):
    assert form(papers.block_of(DOCUMENT, "explain").strip()) == form(explained), "run tests/system/papers.py"


def test_the_budgets_in_the_document_are_those_of_now():
    assert papers.block_of(DOCUMENT, "budgets").strip() == papers.budgets(), "run tests/system/papers.py"


def test_what_is_explained_holds_what_the_bench_had_there(home, explained):
    """Calibrated in ice and boiling water, the reading is within what it states for 95 % (seed 7: no luck is asked)."""
    result = json.loads(papers.pitscribe(home, "explain", *papers.EXPLAINED, "--json"))["result"]
    with np.load(home.parent / papers.COOK / "bench" / "truth.npz") as truth:
        true = truth["true"][papers.EXPLAINED_S, truth["place"].tolist().index("flat")]
    assert abs(result["celsius"] - true) < result["expanded_k"] < 1.0


def test_a_certificate_can_be_written_for_each_of_the_probes(home, tmp_path):
    for name in ("bead", "needle"):
        papers.pitscribe(home, "probe", "show", name, "--certificate", tmp_path / f"{name}.html")
        page = (tmp_path / f"{name}.html").read_text(encoding="utf-8")
        assert f"{name}: type" in page
        assert "boiling water" in page
