"""Frames + placements + calibrations -> series: every temperature is computed here, when it is read, never stored.

    values.py   Series and CookRecord: what everybody who reads a cook gets
    reader.py   a cook read once (``load``) or again and again while it goes on (``Reader``)
    spans.py    which placements count when, and with what is known of their probes
    known.py    what a probe's own history says of it
    logger.py   one logger's frames, decoded and corrected as they come
    notes.py    notes that loggers journalled, beside the ledger's
    times.py    when a logger's boots were; between.py: those that no anchor places, by their neighbours
"""

from pitscribe.ledger.values import TARGET_C as TARGET_C  # for the analysis, which may not know the ledger
from pitscribe.series.between import Window as Window
from pitscribe.series.between import give_or_take as give_or_take
from pitscribe.series.notes import CookNotes as CookNotes
from pitscribe.series.notes import own as own
from pitscribe.series.reader import Reader as Reader
from pitscribe.series.reader import load as load
from pitscribe.series.spans import Stretch as Stretch
from pitscribe.series.times import BootTimes as BootTimes
from pitscribe.series.times import boot_times as boot_times
from pitscribe.series.times import heard_span as heard_span
from pitscribe.series.times import timebases as timebases
from pitscribe.series.values import SHEET_U_K as SHEET_U_K
from pitscribe.series.values import CookRecord as CookRecord
from pitscribe.series.values import Series as Series
