"""What docs/THREATS.md names as shown by a test is shown by one that there is."""

import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
PAGE = TESTS.parent / "docs" / "THREATS.md"


def test_every_test_that_the_threats_name_is_there():
    files = [file for file in TESTS.rglob("test_*.py") if ".venv" not in file.parts]
    known = {file.stem for file in files}
    known |= {name for file in files for name in re.findall(r"^def (test_\w+)", file.read_text(), re.MULTILINE)}
    named = re.findall(r"`(?:tests/\w+/)?(test_\w+)(?:\.py)?`", PAGE.read_text())
    assert len(named) > 40
    assert [name for name in named if not any(one.startswith(name) for one in known)] == []
