"""A short night of ``python -m chaos.nights``: real firmware, broker, host and store, a few faults of the same seed."""

from chaos.nights import night
from chaos.nights_faults import KINDS
from chaos.nights_stage import zone_that_changes


def test_a_short_night_loses_and_doubles_no_frame(tmp_path):
    figures = night(
        tmp_path, seed=5, hours=0.25, speed=400, times=5, ours=False, pause_s=(0.1, 0.4), mirror=False
    )
    assert figures["faults"] == 5
    assert figures["journalled"] >= 0.25 * 3600 // 64
    assert figures["lost"] == 0


def test_each_kind_of_fault_can_be_drawn():
    assert all(weight > 0 and least <= most for _, weight, least, most, _ in KINDS.values())


def test_the_zone_of_a_night_changes_its_clocks_at_the_hour_that_was_asked_for():
    # POSIX, Base Definitions 8.3: std offset dst, then start/time and end/time; a day n counts from 0, leap days too.
    assert zone_that_changes(1_781_344_800.0) == "SET0SUM,163/10:00:00,163/12:00:00"  # 2026-06-13 10:00 UTC
