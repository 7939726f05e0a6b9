"""One photo from whatever was sent: decoded, set upright, and written anew as a JPEG that holds the picture alone.

Nothing of the file that came in is kept: no position, camera or name that its EXIF has, no profile, no comment, and
nothing that stands behind the picture. When it was taken is read first (CIPA DC-008, EXIF 2.32).
"""

import io
import threading
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from pitscribe.errors import PhotoError

if TYPE_CHECKING:
    from PIL.Image import Image

MOST_BYTES = 20_000_000  # of what is sent: a phone's photo has 2 to 15 MB (common practice, no source)
# Before anything is decoded. A JPEG is decoded at a half, a quarter or an eighth of its size, but a progressive one is
# held whole for that, and a PNG can only be decoded whole: each takes 130 MB at most, a phone's 48 million pixels 30.
MOST_PIXELS = {"JPEG": 64_000_000, "progressive JPEG": 25_000_000, "PNG": 10_000_000}
MOST_SCANS = 100  # of a JPEG: a camera makes 1, a progressive one some 10; each costs a pass over the whole picture
LONGEST_PX, LEAST_PX, SMALL_PX = 2048, 1536, 320  # LEAST: not made smaller than that, if it was larger
QUALITY = 85
_READ = ("JPEG", "PNG")
_MODES = {"1", "L", "LA", "La", "P", "PA", "RGB", "RGBA", "RGBX", "CMYK", "YCbCr"}
_SCAN = b"\xff\xda"  # start of scan, ITU-T T.81 table B.1; in the coded data FF is always followed by 00
_ORIENTATION, _EXIF, _TAKEN, _OFFSET = 0x0112, 0x8769, 0x9003, 0x9011  # tags: EXIF 2.32
# What other files begin with, from which byte on: for a refusal that says what it is.
_OTHERS = (
    (0, b"GIF8", "a GIF"), (8, b"WEBP", "a WebP"), (4, b"ftypavi", "an AVIF"), (4, b"ftyphe", "a HEIC"),
    (4, b"ftypmif1", "a HEIC"), (4, b"ftypmsf1", "a HEIC"), (0, b"II*\0", "a TIFF"), (0, b"MM\0*", "a TIFF"),
    (0, b"BM", "a BMP"), (0, b"%PDF", "a PDF"), (4, b"ftyp", "a film"),
)
_TURN = threading.Lock()  # one picture is decoded at a time: see MOST_PIXELS


@dataclass(frozen=True, slots=True)
class Taken:
    """When a photo was taken: what the camera's clock showed, and its offset from UTC if the camera wrote that."""

    wall: datetime
    offset: timezone | None

    def utc(self, zone: tzinfo | None) -> float:
        """UTC s. ``zone``: by which clock, if the photo does not say; None: this machine's. ValueError out of range."""
        zone = self.offset or zone
        return (self.wall.replace(tzinfo=zone) if zone else self.wall).timestamp()


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo as it can be kept: only ``read_photo`` makes one."""

    jpeg: bytes
    width: int
    height: int
    taken: Taken | None

    @property
    def sha256(self) -> str:
        """The digest of the JPEG, in hex."""
        return sha256(self.jpeg).hexdigest()


def read_photo(data: bytes) -> Picture:
    """The picture in a JPEG or PNG file, at most ``LONGEST_PX`` long.

    Raises PhotoError, in plain words: too large, of another kind, cut off, damaged.
    """
    if not data:
        raise PhotoError("the photo is empty: nothing of it has come")
    if len(data) > MOST_BYTES:
        raise PhotoError(too_large())
    with _TURN:
        image = _opened(data)
        _refuse_bombs(image, data)
        taken, turn = _exif_of(image)  # of a PNG this decodes it
        upright = _turned(_decoded(image, LEAST_PX, LONGEST_PX), turn)
        return Picture(_jpeg(upright, QUALITY), *upright.size, taken)


def smaller(jpeg: bytes, longest: int = SMALL_PX, quality: int = 75) -> bytes:
    """The same picture, for a list or a page of paper. PhotoError if it cannot be read."""
    with _TURN:
        return _jpeg(_decoded(_opened(jpeg), longest, longest), quality)


def too_large() -> str:
    """What is said of a file with too many bytes."""
    return f"the photo has more than {MOST_BYTES // 1_000_000} MB, the most that is taken; send a smaller one"


def _opened(data: bytes) -> "Image":
    """The file's head, read: nothing is decoded yet."""
    from PIL import Image  # memory that a host without photos need not have

    warnings.filterwarnings("ignore", module=r"PIL\.")  # it warns of files that are odd; what matters is refused here
    try:
        return Image.open(io.BytesIO(data), formats=_READ)
    except Image.DecompressionBombError:
        raise PhotoError("the photo has far too many pixels to be a camera's: it is not taken") from None
    except Exception as error:  # Pillow's parsers raise whatever they stumble on
        what = next((name for at, magic, name in _OTHERS if data.startswith(magic, at)), None)
        if what is not None:
            raise PhotoError(f"this is {what} file, which is not read here: send the photo as a JPEG or PNG") from error
        if data.startswith((b"\xff\xd8", b"\x89PNG")):
            raise PhotoError(_DAMAGED) from error
        raise PhotoError("this is no photo that can be read here: send a JPEG or PNG") from error


_DAMAGED = "the photo is cut off or damaged: part of it did not come, or it was stored badly; send it again"


def _refuse_bombs(image: "Image", data: bytes) -> None:
    """Refuse what would take more memory or time than any camera's picture."""
    pixels = image.width * image.height
    kind = "PNG" if image.format == "PNG" else "progressive JPEG" if "progressive" in image.info else "JPEG"
    if pixels > MOST_PIXELS[kind]:
        raise PhotoError(f"the photo has {pixels / 1e6:.0f} million pixels; of a {kind} {MOST_PIXELS[kind] / 1e6:.0f} "
                         "are the most that is taken: send a smaller one")
    if image.format != "PNG" and data.count(_SCAN) > MOST_SCANS:
        raise PhotoError("the photo is made of more passes than any camera makes: it is not taken")
    if image.mode not in _MODES:
        raise PhotoError(f"the photo is of a kind that no camera makes ({image.mode}): send a JPEG")


def _decoded(image: "Image", least: int, longest: int) -> "Image":
    """The picture in red, green and blue, its longer side at most ``longest`` and, if it had that, at least ``least``.

    Transparent is white.
    """
    from PIL import Image

    try:
        share = least / max(image.size)
        image.draft("RGB", (max(1, int(image.width * share)), max(1, int(image.height * share))))  # of a JPEG
        image.load()
        if image.mode in ("1", "P", "PA", "La"):  # cannot be made smaller as they are
            image = image.convert("RGBA" if image.mode != "1" else "L")
        image.thumbnail((longest, longest), Image.Resampling.LANCZOS)
        if image.mode in ("LA", "RGBA"):
            image = image.convert("RGBA")
            image = Image.alpha_composite(Image.new("RGBA", image.size, "white"), image)
        return image if image.mode == "RGB" else image.convert("RGB")
    except Exception as error:  # as in _opened; a MemoryError as well
        raise PhotoError(_DAMAGED) from error


def _jpeg(image: "Image", quality: int) -> bytes:
    image.info = {}  # Pillow would write a comment that it found
    file = io.BytesIO()
    image.save(file, "JPEG", quality=quality, optimize=True)
    return file.getvalue()


def _turned(image: "Image", orientation: int) -> "Image":
    """Upright, as the EXIF tag 0112h says how the camera was held (EXIF 2.32, 4.6.4)."""
    from PIL.Image import Transpose

    turns = {
        2: Transpose.FLIP_LEFT_RIGHT, 3: Transpose.ROTATE_180, 4: Transpose.FLIP_TOP_BOTTOM, 5: Transpose.TRANSPOSE,
        6: Transpose.ROTATE_270, 7: Transpose.TRANSVERSE, 8: Transpose.ROTATE_90,
    }
    return image.transpose(turns[orientation]) if orientation in turns else image


def _exif_of(image: "Image") -> tuple[Taken | None, int]:
    """When it was taken, and how it is to be turned: nothing, and 1, where that cannot be read."""
    try:
        exif = image.getexif()
        turn = exif.get(_ORIENTATION)
        more = exif.get_ifd(_EXIF)
        return _taken(more.get(_TAKEN), more.get(_OFFSET)), turn if isinstance(turn, int) else 1
    except Exception:  # a picture with a damaged EXIF is a picture
        return None, 1


def _taken(wall: Any, offset: Any) -> Taken | None:
    """From EXIF's "2026:05:30 22:14:05" and "-05:00"; clocks that were never set write zeros or blanks."""
    try:
        at = datetime.strptime(str(wall).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    try:
        sign, hours, minutes = str(offset)[0], int(str(offset)[1:3]), int(str(offset)[4:6])
        apart = timedelta(hours=hours, minutes=minutes) * {"+": 1, "-": -1}[sign]
        return Taken(at, timezone(apart) if apart else UTC)
    except (ValueError, KeyError, IndexError):
        return Taken(at, None)
