"""Small pictures of our own, 8 x 8: what the logger's state is, at a glance."""

from framebuf import MONO_HLSB
from micropython import const

GUEST, HOST, CLOCK, JOURNAL, BELL, SNOOZE, ABOVE, BELOW = range(8)

# A row a byte, the left end in the highest bit.
_ROWS = (
    b"\x00\x03\x03\x1b\x1b\xdb\xdb\x00"  # bars: on a known network
    b"\x3c\x42\x99\x24\x00\x18\x18\x00"  # waves from a point: a network of its own
    b"\x3c\x42\x89\x89\x8d\x81\x42\x3c"  # the face of a clock
    b"\x7e\x42\x5a\x42\x5a\x42\x7e\x00"  # a page with lines: the journal
    b"\x18\x3c\x3c\x3c\x7e\xff\x18\x00"  # a bell: an alarm
    b"\xf0\x20\x40\xf0\x0f\x02\x04\x0f"  # two letters z: it sleeps
    b"\x10\x38\x7c\xfe\x38\x38\x38\x00"  # an arrow up: above the limit
    b"\x38\x38\x38\xfe\x7c\x38\x10\x00"  # an arrow down: below it
)
_SIZE = const(8)
_PICTURE = [b"", _SIZE, _SIZE, MONO_HLSB]


def draw(canvas, number, x, y, good=True):
    """Draw a picture; struck through where it is not ``good``."""
    _PICTURE[0] = _ROWS[number * _SIZE : (number + 1) * _SIZE]
    canvas.blit(_PICTURE, x, y)
    if not good:
        canvas.line(x, y, x + 6, y + 6, 0)
        canvas.line(x + 1, y, x + 7, y + 6, 1)
