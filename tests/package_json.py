"""Makes ``firmware_mpy/package.json``, by which MicroPython's `mip` puts the firmware on a board without the host.

    .venv/bin/python tests/package_json.py
"""

import json
import re
from pathlib import Path

FIRMWARE = Path(__file__).parents[1] / "firmware_mpy"
FILE = FIRMWARE / "package.json"


def text() -> str:
    """What is to be in the file: every file that runs, beside each other as they lie here, and the version."""
    files = [FIRMWARE / "main.py", *FIRMWARE.glob("page/*"), *FIRMWARE.glob("pitlogger/**/*.py")]
    names = sorted(file.relative_to(FIRMWARE).as_posix() for file in files)
    version = re.search(r'^FIRMWARE = "([^"]+)"', (FIRMWARE / "pitlogger" / "__init__.py").read_text(), re.MULTILINE)
    if version is None:
        raise SystemExit("pitlogger/__init__.py says no version")
    urls = ",\n".join(f"  {json.dumps([name, name])}" for name in names)
    return f'{{\n "version": {json.dumps(version[1])},\n "urls": [\n{urls}\n ],\n "deps": []\n}}\n'


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8")
