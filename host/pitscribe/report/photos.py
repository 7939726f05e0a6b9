"""The photos on a cook's page: a few, scaled down and inside the file, behind everything else."""

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from pitscribe.errors import PhotoError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photobook import Photo
from pitscribe.ledger.photofile import smaller
from pitscribe.report import html

MOST = 6  # on one page of paper, two beside each other
LONGEST_PX, QUALITY = 720, 72


@dataclass(frozen=True, slots=True)
class Shown:
    """A photo as it is shown: ``at`` in UTC s, ``jpeg`` scaled down."""

    at: float
    words: str
    jpeg: bytes


@dataclass(frozen=True, slots=True)
class Photos:
    """Those of a cook that are shown, of ``total``; the files of ``lost`` of them cannot be read."""

    shown: tuple[Shown, ...] = ()
    total: int = 0
    lost: int = 0


def photos_of(ledger: Ledger, cook_id: int) -> Photos:
    """A few photos of a cook, from its whole length."""
    photos, shown, lost = ledger.photos(cook_id), [], 0
    for photo in spread_out(photos):
        try:
            jpeg = smaller(ledger.photo_jpeg(photo), LONGEST_PX, QUALITY)
        except (StoreError, PhotoError):  # a page without one is better than none
            lost += 1
        else:
            shown.append(Shown(photo.at_ms / 1000, photo.words, jpeg))
    return Photos(tuple(shown), len(photos), lost)


def spread_out(photos: Sequence[Photo]) -> list[Photo]:
    """At most ``MOST`` of them, the first and the last, and those between at even steps."""
    if len(photos) <= MOST:
        return list(photos)
    return [photos[round(i * (len(photos) - 1) / (MOST - 1))] for i in range(MOST)]


def section(photos: Photos, when: Callable[[float], str]) -> str:
    """The part of the page; nothing without photos. ``when``: UTC s -> date and time of day."""
    if not photos.total:
        return ""
    told = []
    if photos.total > MOST:
        told.append(f"{MOST} of {photos.total} photos, at even steps; the cook's own page has all")
    if photos.lost:
        told.append(f"of {photos.lost} the file cannot be read: put the folder of photos back beside the ledger")
    figures = "".join(_figure(one, when(one.at)) for one in photos.shown)
    inside = html.section("Photos", f'<div class="photos">{figures}</div>', html.listed(told))
    return f'<div class="behind">{inside}</div>'


def _figure(one: Shown, at: str) -> str:
    inside = base64.b64encode(one.jpeg).decode()
    alt, words = escape(one.words or f"photo of {at}"), escape(f"{at}  {one.words}".rstrip())
    return f'<figure><img src="data:image/jpeg;base64,{inside}" alt="{alt}"><figcaption>{words}</figcaption></figure>'
