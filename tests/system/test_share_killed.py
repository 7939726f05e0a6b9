"""Several real processes take in together, one is killed in the middle: every frame and every point is there once."""

from share_rig import run


def test_a_process_killed_in_the_middle_loses_and_doubles_nothing(tmp_path):
    figures = run(tmp_path, loggers=3, frames=60, kills=1, seed=5, down_s=(0.2, 0.2), whole=False)
    print(figures)
    for name in ("frames lost or twice", "samples lost", "samples doubled", "points lost", "points doubled"):
        assert figures[name] == 0, figures
    assert figures["samples in the store"] == 3 * 59 * 8 * 2
