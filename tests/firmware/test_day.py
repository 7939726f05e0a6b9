"""Half a day of the whole firmware in simulated time: the short form of tests/bench/test_week_bench.py."""

from long_rig import LongRun, told


def test_half_a_day_of_sampling_rotating_and_answering_needs_no_more_memory_than_its_first_hours(tmp_path):
    config = {"hotspot": {"when": "never"}, "journal_kb": 48, "keep": "newest"}
    run = LongRun(tmp_path / "flash", config, every_s=3600, look_s=1800)

    def asked() -> None:
        if run.answers() == run.asked:
            run.ask(("state", "log", "settings")[run.asked % 3])

    try:
        rows = run.until(12, 60, asked)
    finally:
        run.close()
    print(told(rows))
    files = sorted((run.flash / "journal").glob("*.seg"))
    assert int(files[0].stem, 16) > 0, "the oldest segment has made room"
    assert run.answers() > 5
    assert rows[-1].missed == rows[-1].dropped == 0
    # Of the last hours the one with least: at an hour an answer may be on its way out, and is in memory.
    assert min(row.used for row in rows[-3:]) <= max(row.used for row in rows[1:4]) + 1024
