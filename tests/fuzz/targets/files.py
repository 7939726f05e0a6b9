"""Files that somebody brings or has written to: tables, settings, secrets of the broker and of the page, photos."""

import io
import json
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from pitscribe.config import read_config
from pitscribe.errors import BrokerError, ConfigError, PhotoError, TableError
from pitscribe.intake.broker import CREDENTIALS_NAME, read_credentials
from pitscribe.intake.table import read_table
from pitscribe.ledger.photofile import read_photo
from pitscribe.page.door import lock

from . import Target, promise
from .words import each

_ROWS = [f"2026-05-30T20:{m:02}:00Z,{225 + m % 7},{50 + m / 4},{m}" for m in range(40)]
TABLE = "\n".join(["time,grate,flat [F],humidity", *_ROWS, ""])
CONFIG = """
units = "F"
[broker]
port = 1883
[page]
host = "127.0.0.1"
port = 8421
[mirror]
url = "http://127.0.0.1:8428"
bucket = "pit"
"""


def in_a_file(name: str, read: Callable[[Path], Any]) -> Callable[[bytes], None]:
    """Put the bytes into a file for its owner alone, and read that."""

    def run(data: bytes) -> None:
        with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
            path = Path(folder) / name
            path.touch(mode=0o600)
            path.write_bytes(data)
            read(path)

    return run


def check_table(path: Path) -> None:
    table = read_table(path, unit="F", air=["grate"], meat=["flat"])
    promise(bool((np.diff(table.t) > 0).all()), "times go forwards")
    promise(all(one.celsius.shape == table.t.shape for one in table.columns), "a value for each time")
    promise(all(not np.isinf(one.celsius).any() for one in table.columns), "and none of them infinite")


def _photo(data: bytes) -> None:
    picture = read_photo(data)
    promise(picture.jpeg[:2] == b"\xff\xd8", "what is kept was written by us")
    with Image.open(io.BytesIO(picture.jpeg)) as again:
        promise(not again.getexif(), "and tells nothing of where it was taken")


def _lock(path: Path) -> None:
    one = lock.Lock(path.parent)
    promise(not one.opens("a password that nobody has set"), "no file opens the door to another password")
    promise(not one.takes("a word that nobody was given", 0.0), "nor by a link of somebody's own")


def pictures() -> list[bytes]:
    made = []
    for form, size in (("JPEG", (64, 48)), ("PNG", (20, 30))):
        out = io.BytesIO()
        exif = Image.Exif()
        exif[0x0112] = 6  # turned by a quarter
        Image.effect_mandelbrot(size, (-2, -1.5, 1, 1.5), 20).convert("RGB").save(out, form, exif=exif)
        made.append(out.getvalue())
    return made


def _door() -> list[bytes]:
    with tempfile.TemporaryDirectory() as home:
        one = lock.Lock(Path(home))
        one.set_password("ash oak and a slow fire", one.new_link(0.0), 0.0)
        one.new_link(0.0)
        return [(Path(home) / lock.FILE_NAME).read_bytes()]


_BROKER = [json.dumps({"user": "pitscribe", "password": "0123456789abcdef"}).encode()]


def _of(name: str, run: Callable[[bytes], Any], refuses: type[Exception], examples: Sequence[bytes]) -> Target:
    return Target(name, each(run, refuses), examples)


TARGETS = (
    _of("tables", in_a_file("cook.csv", check_table), TableError, [TABLE.encode(), TABLE.replace("Z", "").encode()]),
    _of("settings", in_a_file("pitscribe.toml", lambda path: read_config(path.parent)), ConfigError, [CONFIG.encode()]),
    _of("credentials", in_a_file(CREDENTIALS_NAME, lambda path: read_credentials(path.parent)), BrokerError, _BROKER),
    _of("door", in_a_file(lock.FILE_NAME, _lock), ConfigError, _door()),
    _of("photos", _photo, PhotoError, pictures()),
)
