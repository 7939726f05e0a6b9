"""Long and many, in short: runs of ``python -m chaos.month`` and ``python -m chaos.crowd`` that take seconds.

How fast something was is not asked here: that is theirs, on a machine with nothing beside it.
"""

import pytest
from chaos.crowd import Place
from chaos.month import run, slope
from servers import wait_until


def test_many_loggers_at_once_are_stored_and_each_known(tmp_path):
    place = Place(tmp_path, "mosquitto", 7)
    try:
        place.come(40)
        place.cook()
        wait_until("all are known, and some have sent a frame", lambda: enough(place.host.ask()), 120)
        step = place.measure(0.5)
    finally:
        place.close()
    assert step.dropped == 0
    assert step.heard == 40


def enough(told):
    """Whether all 40 have spoken and 4 frames are stored."""
    return told["heard"] == 40 and told["stored"] >= 4


def test_days_of_loggers_with_cooks_are_in_the_ledger_once(tmp_path, capsys):
    assert run(tmp_path, days=1, loggers=2, period_s=40.0, seed=7) == 0
    assert " 0 frames missing or twice" in capsys.readouterr().out


def test_a_slope_is_found_with_what_is_known_of_it():
    """A line through 4, 6, 9: slope 2.5; residuals 1/6, -1/3, 1/6, so s = sqrt(1/6), u = s / sqrt(2), by hand."""
    by, u = slope([4.0, 6.0, 9.0])
    assert by == pytest.approx(2.5)
    assert u == pytest.approx((1 / 6) ** 0.5 / 2**0.5)
