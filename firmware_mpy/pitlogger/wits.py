"""Degrees on the board itself: for page, screen and buzzer, never for the record. Integers only.

The host computes every temperature anew from the codes; what stands here is to be within 1 degC of it. The sampler's
codes are brought to nanovolts, the cold junction's emf is added, and the sum is looked up in a table of the reference
function, one value every 10 degC, with a straight line between: at most 0.04 degC off. All of it stays within the
board's 31-bit small integers and allocates nothing, but for codes near the end of the MAX31856's voltage mode.

Source of the tables: ITS-90 reference functions, NIST Monograph 175, rounded to 1 uV. MAX31855: its own straight
lines, data sheet 19-5793 Rev 5, table 1.
"""

from micropython import const

NO_ANSWER = "no answer"
OUT_OF_RANGE = "out of range"
NO_TABLE = "no table"

_COLDEST = const(-50)  # of every table [degC]
_LINE, _LINEAR, _GAIN8, _GAIN32, _MCP, _MCP_ADC = const(1), const(2), const(3), const(4), const(5), const(6)

# By type nibble (BEJKNRST): emf at -50, -40, ... degC [uV]. None: of this type only a chip that linearises can be read
# here; a table for each would take 2 KB of a heap that has other uses.
# fmt: off
_EMF = (
    None,
    None,
    None,
    (  # K, to 1000 degC
        -1889, -1527, -1156, -778, -392, 0, 397, 798, 1203, 1612, 2023, 2436, 2851, 3267, 3682, 4096, 4509, 4920,
        5328, 5735, 6138, 6540, 6941, 7340, 7739, 8138, 8539, 8940, 9343, 9747, 10153, 10561, 10971, 11382, 11795,
        12209, 12624, 13040, 13457, 13874, 14293, 14713, 15133, 15554, 15975, 16397, 16820, 17243, 17667, 18091,
        18516, 18941, 19366, 19792, 20218, 20644, 21071, 21497, 21924, 22350, 22776, 23203, 23629, 24055, 24480,
        24905, 25330, 25755, 26179, 26602, 27025, 27447, 27869, 28289, 28710, 29129, 29548, 29965, 30382, 30798,
        31213, 31628, 32041, 32453, 32865, 33275, 33685, 34093, 34501, 34908, 35313, 35718, 36121, 36524, 36925,
        37326, 37725, 38124, 38522, 38918, 39314, 39708, 40101, 40494, 40885, 41276,
    ),
    None,
    None,
    None,
    (  # T, to 400 degC
        -1819, -1475, -1121, -757, -383, 0, 391, 790, 1196, 1612, 2036, 2468, 2909, 3358, 3814, 4279, 4750, 5228,
        5714, 6206, 6704, 7209, 7720, 8237, 8759, 9288, 9822, 10362, 10907, 11458, 12013, 12574, 13139, 13709, 14283,
        14862, 15445, 16032, 16624, 17219, 17819, 18422, 19030, 19641, 20255, 20872,
    ),
)
# fmt: on
_SLOPE = {3: 41276, 7: 52180}  # MAX31855's straight line, types K and T [nV/K]

# What a chip says in its fault byte: (bit, word), the first that is set counts.
_SAID = {
    _LINE: ((1, "open"), (2, "short to ground"), (4, "short to supply")),
    _LINEAR: ((0x01, "open"), (0x02, "input fault"), (0x4C, OUT_OF_RANGE)),
    _MCP: ((0x01, "open"), (0x20, "short"), (0x10, OUT_OF_RANGE)),
}
_SAID[_GAIN8] = _SAID[_GAIN32] = _SAID[_LINEAR]
_SAID[_MCP_ADC] = _SAID[_MCP]


def word(entry, hot, cold, fault):
    """Return what is wrong with a sample that so has no value, "" for nothing. ``entry`` is the channel table's byte.

    All zeros are taken for a dead line: the one true reading that would look so is given up, as the host does.
    """
    if fault & 0xFF00:
        return "garbled" if fault & 0x0200 else NO_ANSWER
    for bit, said in _SAID[entry >> 4]:
        if fault & bit:
            return said
    return NO_ANSWER if hot == 0 and cold == 0 else ""


def hundredths(entry, hot, cold):
    """Return the temperature that codes stand for [0.01 degC], None outside the table or where there is none."""
    chip, kind = entry >> 4, entry & 15
    if chip == _LINEAR:
        return hot * 100 >> 7
    if chip == _MCP:
        return hot * 100 >> 4
    table = _EMF[kind]
    if table is None:
        return None
    if chip == _LINE:
        nanovolts = (hot * 4 - cold) * (_SLOPE[kind] >> 1) >> 3  # hot in 1/4, cold in 1/16 degC
        cold = cold * 100 >> 4
    elif chip == _MCP_ADC:
        nanovolts, cold = hot * 2000, cold * 100 >> 4
    else:
        nanovolts = hot * 9537 >> (4 if chip == _GAIN8 else 6)  # 9536.74 nV / 16 and / 64
        cold = cold * 100 >> 6
    at_cold = _emf(table, cold)
    return None if at_cold is None else _temperature(table, nanovolts + at_cold)


def has_table(entry):
    """Return whether codes of this entry can be turned into degrees at all."""
    return entry >> 4 in (_LINEAR, _MCP) or _EMF[entry & 15] is not None


def _emf(table, celsius):
    """Return the emf [nV] at a temperature [0.01 degC]; None outside the table."""
    above = celsius - _COLDEST * 100
    i, part = above // 1000, above % 1000
    if not 0 <= i < len(table) - 1:
        return None
    return table[i] * 1000 + part * (table[i + 1] - table[i])


def _temperature(table, nanovolts):
    """Return the temperature [0.01 degC] at an emf [nV]; None outside the table."""
    low, high = 0, len(table) - 1
    if not table[low] * 1000 <= nanovolts < table[high] * 1000:
        return None
    while high - low > 1:
        middle = (low + high) >> 1
        if table[middle] * 1000 <= nanovolts:
            low = middle
        else:
            high = middle
    return (low * 10 + _COLDEST) * 100 + (nanovolts - table[low] * 1000) // (table[high] - table[low])


def fahrenheit(celsius):
    """Return degF for degC, both in hundredths."""
    return celsius * 9 // 5 + 3200
