"""Photos for tests, made here: a picture that shows which way is up, and what cameras and attackers put around it."""

import io
import struct
import zlib
from datetime import datetime

import numpy as np
from PIL import Image

WIDE, HIGH = 120, 80
CORNERS = {(0, 0): (200, 30, 30), (1, 0): (30, 160, 30), (0, 1): (30, 30, 200), (1, 1): (230, 200, 40)}
GPS = "GPSLatitude of a home"


def upright(wide=WIDE, high=HIGH):
    """A picture whose four quarters have the colours of ``CORNERS``."""
    image = Image.new("RGB", (wide, high))
    for (x, y), colour in CORNERS.items():
        image.paste(colour, (x * wide // 2, y * high // 2, (x + 1) * wide // 2, (y + 1) * high // 2))
    return image


def noisy(wide=WIDE, high=HIGH):
    """A picture that cannot be packed: the same in every run."""
    rng = np.random.default_rng(3)
    return Image.fromarray(rng.integers(0, 256, (high, wide, 3), dtype=np.uint8))


def exif(taken=None, offset=None, orientation=None, position=True):
    """EXIF as a phone writes it; ``taken``: a datetime, or a text as it is to stand there."""
    out = Image.Exif()
    out[0x010E] = GPS  # a description
    out[0x010F] = "maker of the phone"
    if orientation is not None:
        out[0x0112] = orientation
    inside = out.get_ifd(0x8769)
    if taken is not None:
        inside[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S") if isinstance(taken, datetime) else taken
    if offset is not None:
        inside[0x9011] = offset
    if position:
        where = out.get_ifd(0x8825)
        where[1], where[2], where[3], where[4] = "N", (41.0, 52.0, 41.2), "W", (87.0, 37.0, 47.9)
    return out


def jpeg(image=None, **more):
    """A JPEG; ``more`` goes to Pillow: exif, comment, icc_profile, progressive."""
    file = io.BytesIO()
    (image or upright()).save(file, "JPEG", quality=92, **more)
    return file.getvalue()


def png(image=None, **more):
    """A PNG."""
    file = io.BytesIO()
    (image or upright()).save(file, "PNG", **more)
    return file.getvalue()


def other(kind):
    """The same picture in another format that Pillow writes: GIF, WEBP, TIFF, BMP."""
    file = io.BytesIO()
    upright().save(file, kind)
    return file.getvalue()


def chunk(kind, body):
    """One chunk of a PNG (ISO/IEC 15948, 5.3)."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_bomb(wide, high):
    """A PNG of so many pixels that has some kB: all of them are black."""
    packer = zlib.compressobj(9)
    rows = b"".join(packer.compress(bytes(1 + (wide + 7) // 8)) for _ in range(min(high, 2000))) + packer.flush()
    head = struct.pack(">IIBBBBB", wide, high, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def jpeg_saying(wide, high, **more):
    """A small JPEG whose frame header says that it is so large (ITU-T T.81, B.2.2)."""
    data = bytearray(jpeg(**more))
    at = data.index(b"\xff\xc2" if more.get("progressive") else b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", high, wide)
    return bytes(data)


def segments(data):
    """The marker segments of a JPEG as (marker, body), and what stands behind its end (ITU-T T.81, annex B)."""
    assert data[:2] == b"\xff\xd8"
    at, found = 2, []
    while data[at + 1] != 0xD9:
        assert data[at] == 0xFF
        length = struct.unpack(">H", data[at + 2 : at + 4])[0]
        found.append((data[at + 1], data[at + 4 : at + 2 + length]))
        at += 2 + length
        if found[-1][0] == 0xDA:  # coded data until the next marker that is none of RST0 to RST7
            while not (data[at] == 0xFF and data[at + 1] != 0 and not 0xD0 <= data[at + 1] <= 0xD7):
                at += 1
    return found, data[at + 2 :]
