"""The published lines and times that ``safety`` measures a cook against, each with its source and caution.

Not advice, and no substitute for the rules where you are. Where a source prints both degF and degC and they differ by
rounding, the value here is the stricter one. Three lines are easily mixed up: 130 degF (where lethality begins to
count), 135 degF (hot holding in retail) and 140 degF (what consumers are told); every check says which one it uses.
"""

from dataclasses import dataclass

import numpy as np

from pitscribe.cook.grid import FloatArray

KINDS = {
    "beef": "an intact cut of beef, neither injected nor pierced by blades nor rolled: what grew on the outside stayed "
    "there, and the inside counts as the slowest part",
    "injected": "beef that was injected, tenderised with blades, pierced or rolled: what was outside may be inside",
    "ground": "ground meat: what was outside is everywhere",
    "poultry": "poultry: the tables for beef do not hold for it",
    "other": "an intact cut of another meat, neither injected nor pierced: the tables for beef are not used for it",
}
DEFER = "Defer to your local code; where it is stricter, it counts. A logger alone does not make food safe."
SEES = "A probe sees the place where its tip is; another place may be colder."


@dataclass(frozen=True, slots=True)
class Source:
    """Where a line comes from, with its edition, and what to mind with it."""

    name: str
    caution: str


LETHALITY = Source(
    "USDA FSIS Appendix A, Compliance Guidelines for Meeting Lethality Performance Standards, 1999 (9 CFR 318.17)",
    "For cooked beef, in all parts. Since 14 December 2022 FSIS expects its guideline of December 2021, which adds"
    " humidity and come-up time. The row of 130 degF may be optimistic: at 54.4 degC a kill of 6.5 log was not reached"
    f" in the table's time (McMinn et al., Meat and Muscle Biology). {SEES}",
)
COME_UP = Source(
    "USDA FSIS Cooking Guideline for Meat and Poultry Products (Revised Appendix A), December 2021 (limit from memory)",
    "From memory: open the guideline before you rely on it. It was written for processors.",
)
CONSUMER = Source(
    "USDA FSIS to consumers, safe minimum internal temperatures (no edition)",
    f"Measure in the thickest part, away from bone and fat, at several places. {SEES}",
)
ZONE = Source(
    "USDA FSIS to consumers, danger zone of 40 to 140 degF (no edition)",
    "Bacteria may double there in as little as 20 minutes. That rule means food out of refrigeration; for the inside of"
    " an intact cut in a hot pit it has no limit of hours.",
)
ZONE_4H = Source(
    f"{ZONE.name}; 4 h: common practice for ground, injected or pierced meat, no source",
    "No text of FSIS was found that says 4 h: a hobby's rule. Bacteria may double there in as little as 20 minutes.",
)
HOT = Source(
    "FDA Food Code 3-501.16, as states adopted it (editions of about 2009 to 2017)",
    "For retail and restaurants; consumers are told 140 degF (60 degC). Check the edition that holds where you are.",
)
COOL = Source(
    "FDA Food Code 3-501.14, as states adopted it (editions of about 2009 to 2017)",
    "For retail and restaurants. A whole joint seldom cools so fast: cut it up, spread it out, use ice.",
)
COUNTER = Source(
    "USDA FSIS to consumers: out of refrigeration no more than 2 h, 1 h above 90 degF (no edition)",
    "Never thaw or temper on the counter beyond that. What happened before the record began is not in it.",
)

# FSIS Appendix A, 1999: (degF, 6.5-log s, 7-log s); SOURCES.md section 7. The rows of 158 to 160 degF are instant; a
# minute's mean there counts by the row of 157, which is fulfilled within it all the same.
ROWS: tuple[tuple[int, int, int], ...] = (
    (130, 6720, 7260), (131, 5340, 5820), (132, 4260, 4620), (133, 3360, 3720), (134, 2700, 2820), (135, 2160, 2220),
    (136, 1680, 1920), (137, 1380, 1440), (138, 1080, 1140), (139, 900, 900), (140, 720, 720), (141, 540, 600),
    (142, 480, 480), (143, 360, 360), (144, 300, 300), (145, 240, 240), (146, 169, 182), (147, 134, 144),
    (148, 107, 115), (149, 85, 91), (150, 67, 72), (151, 54, 58), (152, 43, 46), (153, 34, 37), (154, 27, 29),
    (155, 22, 23), (156, 17, 19), (157, 14, 15),
)
LOGS = (6.5, 7.0)

LEAST_C = (130 - 32) / 1.8  # below it nothing counts
ZONE_C = (4.4, 60.0)  # 40 degF (4.44) and 140 degF
ZONE_LIMIT_H = {"ground": 4.0, "injected": 4.0}
COME_UP_C = (10.0, LEAST_C)  # 50 and 130 degF
COME_UP_H = 6.0
CONSUMER_C = {"beef": 62.8, "injected": 62.8, "other": 62.8, "ground": (160 - 32) / 1.8, "poultry": 73.9}
CONSUMER_MIN = {"beef": 3, "injected": 3, "other": 3}  # minutes of rest at it
HOT_C = (135 - 32) / 1.8  # printed as 57 degC, which is less
HOT_ROAST_C = LEAST_C  # printed as 54 degC: roasts cooked or reheated by the table of 3-401.11(B)
REHEAT_C = 73.9  # 3-403.11: 165 degF for 15 s, printed as 74 degC
COOL_C = ((21.0, 2.0), (5.0, 6.0))  # degC, hours in all since it left 135 degF
COUNTER_H = 2.0
COUNTER_HOT_C = 32.2  # air above it (90 degF): half of the time
LIT_C = 60.0  # a pit whose air is surely above it cooks


def required_s(celsius: FloatArray, log: float = 6.5) -> FloatArray:
    """Time that FSIS asks at a temperature [s]: that of the row at or below it; infinite below 130 degF and for NaN.

    celsius : float64, any shape, degC;  log : 6.5 or 7, the column. Raises KeyError for another. The rows do not follow
    one D and z; to go by the row below never credits more than the table.
    """
    column = np.array([row[1 + {6.5: 0, 7.0: 1}[log]] for row in ROWS], dtype=np.float64)
    row = np.floor(celsius * 1.8 + 32 - ROWS[0][0] + 1e-9)
    counts = np.isfinite(row) & (row >= 0)
    at = np.where(counts, np.minimum(row, len(ROWS) - 1), 0).astype(np.intp)
    return np.where(counts, column[at], np.inf)
