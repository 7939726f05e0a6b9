"""What the documents say is so: commands exist, dependencies are explained, files are there."""

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from pitscribe.cli import parser
from pitscribe.config import read_config

ROOT = Path(__file__).parents[2]
DOCUMENTS = ["README.md", "DEVELOPERS.md", "firmware_mpy/README.md", "firmware_mpy/WIRE.md", "docs/SOURCES.md",
             "docs/METROLOGY.md", "docs/TRIALS.md", "docs/COOKS.md", "docs/SAFETY.md", "docs/NEIGHBOURS.md",
             "docs/SCALE.md"]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def commands() -> list[str]:
    """Every ``./host/run ...`` in the documents for users that is written out whole."""
    others = "".join((ROOT / f"docs/{name}.md").read_text(encoding="utf-8") for name in ("METROLOGY", "TRIALS"))
    found = re.findall(r"^ {4,8}(\./host/run .*)$|`(\./host/run [^`]+)`", README + others, re.M)
    return [one or other for one, other in found]


@pytest.mark.parametrize("line", commands())
def test_every_command_in_the_documents_is_one_that_the_program_takes(line):
    words = shlex.split(line)[1:]
    if words == ["--help"]:
        return
    parser().parse_args(words)


def test_the_readme_has_the_commands_at_all():
    assert len(commands()) >= 8
    first_code = re.findall(r"^    (.*)$", README, re.M)[:2]
    assert first_code == ["./host/run demo", "./tests/run"]


def test_every_dependency_is_explained_in_the_contributors_guide():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = project["dependencies"] + [d for extra in project["optional-dependencies"].values() for d in extra]
    table = (ROOT / "DEVELOPERS.md").read_text().split("## Dependencies")[1].split("## ")[0].lower()
    for requirement in wanted:
        name = re.match(r"[A-Za-z0-9-]+", requirement)[0].lower()
        assert name == "pitscribe" or name in table, f"{name} is not explained in DEVELOPERS.md"
        assert name == "pitscribe" or ("<" in requirement and ">=" in requirement), f"{requirement}: pin a range"


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_file_that_a_document_names_is_there(document):
    path = ROOT / document
    text = path.read_text(encoding="utf-8")
    named = re.findall(r"\]\(([^)#:]+)\)", text) + re.findall(r"`((?:tests|host|docs|firmware_mpy)/[\w./-]+)`", text)
    for name in named:
        assert (path.parent / name).exists() or (ROOT / name).exists(), f"{document} names {name}"


@pytest.mark.parametrize("document", DOCUMENTS)
def test_no_table_has_two_rows_for_the_same_thing(document):
    before = ""
    for line in (ROOT / document).read_text(encoding="utf-8").splitlines():
        if not (line.startswith("|") and before.startswith("|")):
            known = set()
        if line.startswith("| `"):
            cell = line.split("|")[1]
            assert cell not in known, line
            known.add(cell)
        before = line


def test_the_settings_file_that_the_source_shows_is_taken(tmp_path):
    shown = (ROOT / "host/pitscribe/config.py").read_text().split("::\n")[1].split('"""')[0]
    text = "\n".join(line[4:] for line in shown.splitlines())
    (tmp_path / "pitscribe.toml").touch(0o600)  # it holds passwords
    (tmp_path / "pitscribe.toml").write_text(text)
    config = read_config(tmp_path)
    assert config.broker.host == "192.168.1.10"
