"""``pitscribe photo``: keep a photo of a cook, list them, erase one."""

import argparse
from pathlib import Path

from pitscribe.commands.ledgers import meant_cook, open_ledger, read_ledger
from pitscribe.commands.when import local, parse_in_cook, past
from pitscribe.config import Config
from pitscribe.errors import ConfigError, PhotoError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photobook import Photo
from pitscribe.ledger.photofile import MOST_BYTES, read_photo
from pitscribe.ledger.values import Cook


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Keep the file that was named, or erase one by its number; without either, list what there is."""
    if arguments.file is None and (arguments.at is not None or arguments.words):
        raise ConfigError("--at and --words go with a file: pitscribe photo COOK bark.jpg")
    if arguments.file is not None and arguments.erase is not None:
        raise ConfigError("give a file to keep, or --erase with the number of one that is to go")
    if arguments.file is None and arguments.erase is None:
        with read_ledger(config) as ledger:
            _list(ledger, meant_cook(ledger, arguments.cook))
        return
    with open_ledger(config) as ledger:
        cook = meant_cook(ledger, arguments.cook)
        if arguments.erase is not None:
            _erase(ledger, cook, arguments.erase)
        else:
            _keep(ledger, cook, arguments)


def _keep(ledger: Ledger, cook: Cook, arguments: argparse.Namespace) -> None:
    now = ledger.now_ms() / 1000
    said = None if arguments.at is None else past(parse_in_cook(arguments.at, cook, now), arguments.at, now)
    try:
        picture = read_photo(_bytes(arguments.file))
    except PhotoError as error:
        raise PhotoError(f"{arguments.file}: {error}") from error
    at, told = ledger.time_of_photo(cook.id, picture)
    photo = ledger.add_photo(cook.id, picture, at=at if said is None else round(said * 1000), words=arguments.words)
    print(f"{cook.name}: photo {_line(photo)}")
    if said is None and not told:
        otherwise = "now" if cook.ended_ms is None else "the end of the cook"
        print(f"it does not say when in this cook it was taken: {otherwise} is taken; another time with --at")


def _bytes(path: Path) -> bytes:
    """The file, and no more of it than is taken. PhotoError."""
    try:
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except OSError as error:
        raise PhotoError(f"{error.strerror or error}; name the file of a photo") from error


def _erase(ledger: Ledger, cook: Cook, number: int) -> None:
    photo = next((photo for photo in ledger.photos(cook.id) if photo.id == number), None)
    if photo is None:
        raise ConfigError(f"{cook.name!r} has no photo {number}; pitscribe photo {cook.id} lists them")
    ledger.erase_photo(photo.id)
    print(f"{cook.name}: erased for good: photo {_line(photo)}")


def _list(ledger: Ledger, cook: Cook) -> None:
    photos = ledger.photos(cook.id)
    print(f"{cook.id}  {cook.name}")
    for photo in photos:
        print(f"  {_line(photo)}")
    print(f"in {ledger.photo_folder}" if photos else "no photo yet; keep one with: pitscribe photo COOK FILE")


def _line(photo: Photo) -> str:
    size = f"{photo.width} x {photo.height}, {photo.size / 1024:.0f} KB"
    return f"{photo.id:<4}{local(photo.at_ms / 1000)}  {size}  {photo.words}".rstrip()
