"""The picture that a phone's camera reads to join the logger's network: a QR code of version 3 or 4, byte mode.

It is made once, in turns: ``encode`` is a generator that yields between them. A row of modules is a whole number, its
column 0 in bit 0, so that the rules for the mask are a few operations on whole rows.

Source: ISO/IEC 18004 (from memory): tables 7 and 9 (capacities), 7.5 (Reed-Solomon over GF(256), 11Dh), 7.7 (placing),
7.8 (masks and their penalties), 7.9 (format). What is in it: the text "WIFI:T:WPA;S:...;P:...;;" that phones take,
with a backslash before what separates (common practice, no source).
"""

# version, error correction bits of the format, data and error correction words: 3-M, 3-L, 4-L, each one block.
_SORTS = ((3, 0, 44, 26), (3, 1, 55, 15), (4, 1, 80, 20))
_UTF8 = ((7, 4), (26, 8))  # ECI 26, in front of a text that is not ASCII


def wifi(ssid, key):
    """Return the text that lets a phone join a WPA2 network."""
    return "WIFI:T:WPA;S:%s;P:%s;;" % (_escaped(ssid), _escaped(key))


def encode(text):
    """Return (yielding None in between) (side, rows) with the dark modules as bits; None if the text is too long."""
    data = text.encode()
    ascii_only = len(data) == len(text)
    for version, level, words, check in _SORTS:
        if len(data) + (2 if ascii_only else 4) <= words:
            break
    else:
        return None
    code = _data(data, words, ascii_only)
    yield
    yield from _add_check(code, check)
    side = 17 + 4 * version
    rows, fixed = _frame(side)
    yield
    yield from _place(code, rows, fixed, side)
    best, least = None, None
    for mask in range(8):
        masked = list(rows)
        for y in range(side):
            flips = 0
            for x in range(side):
                if _flips(mask, y, x):
                    flips |= 1 << x
            masked[y] ^= flips & ~fixed[y]
            yield
        _put_format(masked, side, level << 3 | mask)
        penalty = yield from _penalty(masked, side)
        if least is None or penalty < least:
            best, least = masked, penalty
    return side, best


def _escaped(text):
    return "".join("\\" + c if c in '\\;,:"' else c for c in text)


def _data(data, words, ascii_only):
    """Return the data words: mode 4 and the length, the bytes, four bits 0, padded with ECh and 11h."""
    made, kept, width = bytearray(), 0, 0
    heads = ((4, 4), (len(data), 8))
    for value, bits in (heads if ascii_only else _UTF8 + heads):
        kept, width = kept << bits | value, width + bits
    for value in data:
        kept, width = kept << 8 | value, width + 8
        while width >= 8:
            width -= 8
            made.append(kept >> width & 255)
            kept &= (1 << width) - 1
    made.append(kept << 8 - width & 255)
    pad = 0xEC
    while len(made) < words:
        made.append(pad)
        pad ^= 0xEC ^ 0x11
    return made


def _add_check(code, count):
    """Append so many words of error correction."""
    powers, logs = bytearray(510), bytearray(256)
    value = 1
    for i in range(255):
        powers[i] = powers[i + 255] = value
        logs[value] = i
        value = value << 1 ^ (0x11D if value & 128 else 0)
    yield
    generator = bytearray(count)  # without its leading 1
    generator[-1] = 1
    for i in range(count):
        for j in range(count):
            if generator[j]:
                generator[j] = powers[logs[generator[j]] + i]
            if j + 1 < count:
                generator[j] ^= generator[j + 1]
        yield
    rest = bytearray(count)
    for word in code:
        factor = word ^ rest[0]
        for j in range(count - 1):
            rest[j] = rest[j + 1]
        rest[count - 1] = 0
        if factor:
            for j in range(count):
                if generator[j]:
                    rest[j] ^= powers[logs[generator[j]] + logs[factor]]
        yield
    code.extend(rest)


def _frame(side):
    """Return the rows with what is the same in every symbol of this size, and rows of which modules that are."""
    rows, fixed = [0] * side, [0] * side
    last = side - 7
    for x0, y0 in ((0, 0), (last, 0), (0, last)):
        for y in range(max(0, y0 - 1), min(side, y0 + 8)):
            for x in range(max(0, x0 - 1), min(side, x0 + 8)):
                ring = max(abs(x - x0 - 3), abs(y - y0 - 3))
                _put(rows, fixed, x, y, ring in (0, 1, 3))
    for i in range(8, side - 8):
        _put(rows, fixed, i, 6, not i & 1)
        _put(rows, fixed, 6, i, not i & 1)
    for y in range(last - 2, last + 3):
        for x in range(last - 2, last + 3):
            _put(rows, fixed, x, y, max(abs(x - last), abs(y - last)) != 1)
    for i in range(9):  # room for the format
        fixed[i] |= 1 << 8
        fixed[8] |= 1 << i
    for i in range(side - 8, side):
        fixed[i] |= 1 << 8
        fixed[8] |= 1 << i
    return rows, fixed


def _put(rows, fixed, x, y, dark):
    fixed[y] |= 1 << x
    if dark:
        rows[y] |= 1 << x


def _place(code, rows, fixed, side):
    """Put the words' bits where nothing is: in pairs of columns from the right, up and down in turn."""
    at, right, up = 0, side - 1, True
    while right > 0:
        if right == 6:  # the column of the timing pattern is in no pair
            right = 5
        for i in range(side):
            y = side - 1 - i if up else i
            for x in (right, right - 1):
                if not fixed[y] >> x & 1:
                    if at < 8 * len(code) and code[at >> 3] >> (7 - (at & 7)) & 1:
                        rows[y] |= 1 << x
                    at += 1
            if i & 7 == 7:
                yield
        up = not up
        right -= 2


def _flips(mask, y, x):
    """Return whether a mask turns this module over: table 10."""
    if mask == 0:
        return not (y + x) % 2
    if mask == 1:
        return not y % 2
    if mask == 2:
        return not x % 3
    if mask == 3:
        return not (y + x) % 3
    if mask == 4:
        return not (y // 2 + x // 3) % 2
    product = y * x
    if mask == 5:
        return not product % 2 + product % 3
    if mask == 6:
        return not (product % 2 + product % 3) % 2
    return not ((y + x) % 2 + product % 3) % 2


def _put_format(rows, side, five):
    """Put level and mask, with their ten check bits (polynomial 537h, mask 5412h), into both of their places."""
    rest = five << 10
    for i in range(4, -1, -1):
        if rest >> (10 + i) & 1:
            rest ^= 0x537 << i
    bits = (five << 10 | rest) ^ 0x5412
    for i in range(15):
        if bits >> i & 1:
            if i < 8:
                rows[i if i < 6 else i + 1] |= 1 << 8
                rows[8] |= 1 << (side - 1 - i)
            else:
                rows[8] |= 1 << (7 if i == 8 else 14 - i)
                rows[side - 15 + i] |= 1 << 8
    rows[side - 8] |= 1 << 8  # always dark


def _penalty(rows, side):
    """Return how hard these rows would be to read: the four rules of table 11."""
    full = (1 << side) - 1
    columns = [0] * side
    dark = penalty = 0
    for y in range(side):
        dark += _count(rows[y])
        for x in range(side):
            if rows[y] >> x & 1:
                columns[x] |= 1 << y
        if y:  # blocks of two by two
            a, b = rows[y - 1], rows[y]
            penalty += 3 * _count(~(a ^ b | a ^ a >> 1 | b ^ b >> 1) & full >> 1)
        yield
    for lines in (rows, columns):
        for line in lines:
            for same in (line, line ^ full):  # runs of five and more
                five = same & same >> 1 & same >> 2 & same >> 3 & same >> 4
                if five:
                    penalty += _count(five) + 2 * _count(five & ~(five << 1))
            for x in range(side - 10):  # what looks like a corner
                if line >> x & 2047 in (0b10111010000, 0b00001011101):
                    penalty += 40
            yield
    return penalty + abs(100 * dark // (side * side) - 50) // 5 * 10


def _count(bits):
    """Return how many bits are 1."""
    number = 0
    while bits:
        bits &= bits - 1
        number += 1
    return number
