"""Blocks of small numbers in a bit stream, as WIRE.md section 2.1 has them: which form is shortest, and writing it."""

from array import array

from micropython import const

MEAN, ALL_ZERO = const(12), const(15)
MOST = const(64)  # numbers in a block

_ESCAPE = const(12)  # so many 1 bits say that the number follows as it is
_TOP_K = const(11)
_PAIRS, _PLAIN = const(13), const(14)


class Bits:
    """A bit stream that is written into ``buf`` from the byte ``pos`` on. ``steps`` and ``strays`` are memory for the
    numbers of a block; ``cost`` is how many bits the symbols take in the form found last. Nothing is allocated."""

    def __init__(self, buf):
        self.buf = buf
        self.steps = array("i", bytes(4 * (MOST + 1)))
        self.strays = array("i", bytes(4 * (MOST + 1)))
        self.cost = 0
        self.begin(0)
        self.keep()

    def begin(self, pos):
        """Begin a stream at a byte."""
        self.pos = pos
        self._acc = self._bits = 0

    def keep(self):
        """Keep in mind where the stream stands."""
        self._kept_pos, self._kept_acc, self._kept_bits = self.pos, self._acc, self._bits

    def back(self):
        """Go back to where it stood when that was kept."""
        self.pos, self._acc, self._bits = self._kept_pos, self._kept_acc, self._kept_bits

    def end(self):
        """Fill the last byte up with 0 bits; return the place behind it. More can still be put in its stead."""
        if not self._bits:
            return self.pos
        self.buf[self.pos] = self._acc << 8 - self._bits
        return self.pos + 1

    def form(self, z, n, width):
        """Return the parameter that makes n numbers shortest, of several the least, or 15 for all 0."""
        top = 0
        for i in range(n):
            if z[i] > top:
                top = z[i]
        self.cost = 0
        if not top:
            return ALL_ZERO
        best, least = _PLAIN, n * width
        pairs = self._pairs(z, n, width)
        if pairs <= least:
            best, least = _PAIRS, pairs
        k = _TOP_K
        while k and not top >> k - 1:
            k -= 1  # no less than the bits of the greatest one
        while k >= 0:
            bits = n * (k + 1)
            for i in range(n):
                q = z[i] >> k
                bits += q if q < _ESCAPE else width + _ESCAPE - 1 - k
            if bits <= least:
                best, least = k, bits
            k -= 1
        self.cost = least
        return best

    def block(self, z, n, width, k):
        """Write a block of n numbers with the parameter ``k``."""
        self.put(k, 4)
        if k == _PLAIN:
            for i in range(n):
                self._whole(z[i], width)
        elif k == _PAIRS:
            for i in range(0, n, 2):
                ones = _ones(z[i], z[i + 1])
                if ones < _ESCAPE:
                    self.put((2 << ones) - 2, ones + 1)
                else:
                    self.put(0xFFF, _ESCAPE)
                    self._whole(z[i], width)
                    self._whole(z[i + 1], width)
        elif k != ALL_ZERO:
            low = (1 << k) - 1
            for i in range(n):
                v = z[i]
                q = v >> k
                if q < _ESCAPE:
                    self.put((2 << q) - 2, q + 1)
                    if k:
                        self.put(v & low, k)
                else:
                    self.put(0xFFF, _ESCAPE)
                    self._whole(v, width)

    def put(self, value, count):
        """Append ``count`` bits (13 at most: then all stays a small integer on the board)."""
        acc = self._acc << count | value
        bits = self._bits + count
        while bits >= 8:
            bits -= 8
            self.buf[self.pos] = acc >> bits
            self.pos += 1
            acc &= (1 << bits) - 1
        self._acc = acc
        self._bits = bits

    def _pairs(self, z, n, width):
        """Return how many bits n numbers take in pairs."""
        z[n] = 0  # the partner of an odd last one
        bits = 0
        for i in range(0, n, 2):
            ones = _ones(z[i], z[i + 1])
            bits += ones + 1 if ones < _ESCAPE else _ESCAPE + 2 * width
        return bits

    def _whole(self, v, width):
        """Append a number as it is."""
        self.put(v >> 12, width - 12)
        self.put(v & 0xFFF, 12)


def zigzag(difference, width):
    """Return the number that stands for a difference of values that are so many bits wide."""
    span = 1 << width
    d = difference & (span - 1)
    return ((span - d) << 1) - 1 if d & (span >> 1) else d << 1


def _ones(a, b):
    """Return the place of a pair among all pairs, by their sum and then by the second; 12 where it is 12 or more."""
    total = a + b
    if total > 4:
        return _ESCAPE
    ones = (total * (total + 1) >> 1) + b
    return ones if ones < _ESCAPE else _ESCAPE
