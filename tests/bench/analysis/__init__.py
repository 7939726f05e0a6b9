"""The bench of the analysis: cooks with truth that nothing was tuned on, scores, and what simple rules reach on them.

    cooks.py     cooks(split, n, seed): the cooks, from two physics that share nothing but the textbook
    truth.py     what really happened, by physics
    slab.py      the first physics: tests/host/cook_kitchen.py with wide ranges (splits "tune" and "held")
    ovals.py     cooks of the second physics (split "held" alone): drawn by oval_draw.py;
                 oval.py joints, pits.py cookers, hand.py the person
    pictures.py  six cooks for docs/COOKS.md, each drawn by picture.py with the reports' kit
    sensing.py   what probes, chips and a logger make of it

The split "tune" is there to look at; nothing may be chosen on "held".
"""

from .cooks import cooks as cooks
from .truth import BenchCook as BenchCook
from .truth import Fade as Fade
from .truth import FireTruth as FireTruth
from .truth import Spans as Spans
from .truth import Truth as Truth
