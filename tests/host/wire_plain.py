"""WIRE.md section 2 read bit by bit, as plainly as it is written: the decoder that the fast one is compared with."""

WIDE = (2, 3, 4, 6)  # chip nibbles whose hot codes have W = 24


class RefusedError(Exception):
    """The body is not what section 2 says."""


class Bits:
    """A bit stream, most significant bit first."""

    def __init__(self, data):
        self.bits = "".join(f"{byte:08b}" for byte in data)
        self.at = 0

    def take(self, count):
        if self.at + count > len(self.bits):
            raise RefusedError("past the end")
        self.at += count
        return int(self.bits[self.at - count : self.at] or "0", 2)

    def number(self, k, width):
        ones = 0
        while ones < 12 and self.take(1):
            ones += 1
        return self.take(width) if ones == 12 else ones << k | self.take(k)

    def pair(self, width):
        ones = 0
        while ones < 12 and self.take(1):
            ones += 1
        if ones == 12:
            return [self.take(width), self.take(width)]
        pairs = [[a, b] for a in range(12) for b in range(12)]
        return next([a, b] for a, b in pairs if (a + b) * (a + b + 1) // 2 + b == ones)

    def block(self, count, width, head=False):
        """Return whether the mean is meant, and the differences."""
        k = self.take(4)
        mean = k == 12
        if mean:
            k = self.take(4)
        if k == 12 or (mean and head):
            raise RefusedError("parameter")
        if k == 13:
            numbers = [z for _ in range((count + 1) // 2) for z in self.pair(width)][:count]
        elif k == 14:
            numbers = [self.take(width) for _ in range(count)]
        else:
            numbers = [0 if k == 15 else self.number(k, width) for _ in range(count)]
        return mean, [z // 2 if z % 2 == 0 else -(z + 1) // 2 for z in numbers]


def signed(value, width):
    value %= 1 << width
    return value - (1 << width) if value >> (width - 1) else value


def read_body(body):
    """Return period, table, missed places, and by tick present hot, cold and fault of each channel (0 if no chip)."""
    if len(body) < 4:
        raise RefusedError("short")
    period, ticks, shape = int.from_bytes(body[:2], "little"), body[2], body[3]
    entries = shape & 15
    table = list(body[4 : 4 + entries])
    size = (ticks + 7) // 8 if shape & 128 else 0
    behind = len(body) - size
    bitmap = "".join(f"{byte:08b}" for byte in body[behind:])
    if not (250 <= period <= 60000 and ticks and not shape & 0x70 and 1 <= entries <= 8 and len(table) == entries):
        raise RefusedError("header")
    if any(code >> 4 > 6 or code & 15 > 7 for code in table) or behind < 4 + entries:
        raise RefusedError("header")
    missed = [place for place, bit in enumerate(bitmap) if bit == "1"]
    if missed and (missed[0] == 0 or missed[-1] >= ticks):
        raise RefusedError("bitmap")
    stream = Bits(body[4 + entries : behind])
    columns = _columns(stream, table, ticks - len(missed))
    rest = stream.bits[stream.at :]
    if len(rest) >= 8 or "1" in rest:
        raise RefusedError("padding")
    rows = [[list(row) for row in zip(*kind, strict=True)] for kind in columns]
    return period, table, missed, *rows


def any_columns(random, table, present):
    """Return the bytes of columns that hold, their parameters and numbers drawn from a NumPy generator: also such as no
    good writer would write, as an escape for a number that needs none."""
    wide = [code >> 4 in WIDE for code in table if code >> 4]
    sizes = [min(64, present - at) - (at == 0) for at in range(0, present if present > 1 else 0, 64)]
    blocks = [(len(wide), 24), (len(wide), 16), (len(wide), 16)]
    blocks += [(size, width) for size in sizes for one in wide for width in (24 if one else 16, 16, 16)]
    bits = ""
    for place, (count, width) in enumerate(blocks):
        k = int(random.choice([0, 0, 1, 2, 5, 8, 11, 13, 13, 14, 15, 15, 15]))
        bits += "1100" * int(place > 2 and random.random() < 0.3) + f"{k:04b}"
        symbols = {13: (count + 1) // 2, 14: count, 15: 0}.get(k, count)
        for _ in range(symbols):
            ones = 0 if k == 14 else min(int(random.geometric(0.4)) - 1, 12)
            if k == 14:
                bits += f"{random.integers(0, 1 << width):0{width}b}"
                continue
            low = 2 * width if k == 13 else width
            low = low if ones == 12 else 0 if k == 13 else k
            bits += "1" * ones + "0" * (ones < 12) + (f"{random.integers(0, 1 << low):0{low}b}" if low else "")
    bits += "0" * (-len(bits) % 8)
    return int("1" + bits, 2).to_bytes(len(bits) // 8 + 1, "big")[1:]


def _columns(stream, table, present):
    real = [place for place, code in enumerate(table) if code >> 4]
    columns = [[[0] * present for _ in table] for _ in range(3)]
    for kind, width in enumerate((24, 16, 16)):
        value = 0
        for place, step in zip(real, stream.block(len(real), width, head=True)[1], strict=True):
            value = signed(value + step, width)
            columns[kind][place] = [value]
    done = 1
    while done < present:
        stretch = min(64 - done % 64, present - done)
        for place in real:
            for kind, width in enumerate((24 if table[place] >> 4 in WIDE else 16, 16, 16)):
                column = columns[kind][place]
                mean, steps = stream.block(stretch, width)
                for step in steps:
                    four = ([column[0]] * 3 + column)[-4:]
                    before = (sum(four) + 2) // 4 if mean else column[-1]
                    column.append(signed(before + step, width))
        done += stretch
    return columns
