"""``pitscribe cook start`` and ``place``: where probes are, what is corrected, and whose place ends with it."""


from pitscribe.clock import SystemClock
from pitscribe.config import Config
from pitscribe.ledger.ledger import Ledger

START = 1_780_142_400  # 2026-05-30 12:00 UTC


def test_placements_can_be_given_before_the_logger_was_ever_seen(command):
    status, out, _ = command(
        "cook", "start", "Sunday", "--logger", "aabb0001", "--air", "grate=0:K", "--meat", "flat=2:T"
    )
    assert status == 0
    assert "(grate, flat)" in out[0]


def test_a_probe_that_is_moved_is_at_the_new_place_from_then_on(command, tmp_path):
    began = ["--at", "2026-05-30T12:00Z", "--logger", "aabb0001", "--meat", "flat=2:T"]
    command("cook", "start", "Sunday", *began)
    assert command("cook", "place", "Sunday", "--meat", "point=2:T", "--since", "2026-05-30T14:00Z")[0] == 0
    ledger = Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())
    spans = [(p.place, p.since_ms, p.until_ms) for p in ledger.placements(1)]
    ledger.close()
    moved_ms = (START + 2 * 3600) * 1000
    assert spans == [("flat", None, moved_ms), ("point", moved_ms, None)]


def test_a_cook_that_takes_a_channel_over_says_whose(command):
    where = ["--logger", "aabb0001", "--meat"]
    command("cook", "start", "A", "--at", "2026-05-30T08:00", *where, "flat=2:T", "--meat", "point=3:T")
    status, out, err = command("cook", "start", "B", "--at", "2026-05-30T09:00", *where, "tip=2:T")
    assert (status, err) == (0, [])
    assert out[1:] == ["flat of 'A' on channel 2 ends 2026-05-30 09:00: its channel goes to tip of 'B'"]
    # One that began before both loses its place to them as soon as it has it.
    out = command("cook", "start", "C", "--at", "2026-05-30T07:00", *where, "rib=3:T")[1]
    assert out[1:] == ["rib of 'C' on channel 3 ends 2026-05-30 08:00: its channel goes to point of 'A'"]
    command("cook", "end", "A")  # and what has ended loses nothing
    assert len(command("cook", "start", "D", "--at", "2026-05-30T10:00", *where, "loin=3:T")[1]) == 1


def test_a_place_that_is_moved_within_a_cook_says_what_ends(command):
    command("cook", "start", "A", "--at", "2026-05-30T08:00", "--logger", "aabb0001", "--meat", "flat=2:T")
    out = command("cook", "place", "A", "--since", "+1:00", "--logger", "aabb0001", "--meat", "flat=3:T")[1]
    assert out[1:] == ["flat of 'A' on channel 2 ends 2026-05-30 09:00: it is on channel 3 from then on"]
    again = command("cook", "place", "A", "--since", "+0:50", "--logger", "aabb0001", "--meat", "flat=3:T")[1]
    assert out[1:] != again[1:] == ["flat of 'A' on channel 2 ends 2026-05-30 08:50: it is on channel 3 from then on"]
    out = command("cook", "place", "A", "--logger", "aabb0001", "--meat", "point=3:T")[1]
    assert "flat of 'A' on channel 3 is taken back: its channel goes to point" in out
    command("probe", "add", "red", "--type", "T")
    out = command("cook", "place", "A", "--since", "+2:00", "--logger", "aabb0001", "--meat", "point=3:red")[1]
    assert out[1:] == ["point of 'A' on channel 3 ends 2026-05-30 10:00: its probe is 'red' from then on"]


def test_a_second_open_cook_of_one_name_is_told(command):
    assert command("cook", "start", "Sunday")[2] == []
    status, _, err = command("cook", "start", "Sunday")
    assert (status, len(err)) == (0, 1)
    assert "cook 1, begun" in err[0]
    assert "pitscribe cook end 1" in err[0]
    command("cook", "end", "1")
    command("cook", "end", "2")
    assert command("cook", "start", "Sunday")[2] == []


def test_a_place_is_given_for_a_time_of_its_cook_alone(command, tmp_path):
    where = ["--logger", "aabb0001", "--meat", "flat=2:T"]
    command("cook", "start", "A", "--at", "2026-05-30T08:00", *where)
    command("cook", "start", "going on", "--at", "2026-05-30T07:00", "--logger", "aabb0001", "--meat", "flat=5:T")
    command("cook", "end", "A", "--at", "2026-05-30T20:00")
    for cook, since, words in (
        ("A", "2026-05-30T21:00", "after the end of 'A', 2026-05-30 20:00"), ("A", "+12:00", "after the end"),
        ("going on", "2099-01-01T00:00", "in the future"), ("A", "+1:75", "write +3:10"),
        ("A", "2026-05-30T07:30", "is before the start of 'A', 2026-05-30 08:00"),
    ):
        status, out, err = command("cook", "place", cook, "--since", since, *where)
        assert (status, out, len(err)) == (1, [], 1)
        assert words in err[0]
    assert command("cook", "place", "A", "--since", "+11:59", *where)[0] == 0


def test_a_place_that_was_given_for_later_is_taken_back_by_one_from_before(command, tmp_path):
    """A ledger may have one of a time to come: nothing else of its cook could be placed any more."""
    command("cook", "start", "A", "--at", "2026-05-30T08:00", "--logger", "aabb0001")
    ledger = Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())
    ledger.place(1, "T", 0xAABB0001, 2, "flat", "meat", since=4_000_000_000_000)
    ledger.close()
    where = ["--logger", "aabb0001", "--meat"]
    for since, place in (("+1:00", "flat=2:T"), ("+0:30", "point=2:T"), ("+0:10", "point=3:T")):
        status, out, err = command("cook", "place", "A", "--since", since, *where, place)
        assert (status, err) == (0, [])
    assert out[0].endswith("(point)")
    ledger = Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())
    counting = [p for p in ledger.placements(1) if p.until_ms is None]
    ledger.close()
    assert [(p.place, p.channel) for p in counting] == [("point", 3)]


def test_what_was_said_wrongly_is_corrected_for_the_past_as_well(command, tmp_path):
    began = ["--at", "2026-05-30T12:00Z", "--logger", "aabb0001"]
    command("cook", "start", "Sunday", *began, "--meat", "flat=2:T", "--meat", "point=3:T")
    status, out, _ = command("cook", "place", "Sunday", "--meat", "flat=3:T", "--meat", "point=2:T")
    assert status == 0
    assert "(point, flat)" in out[0] or "(flat, point)" in out[0]
    ledger = Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())
    start_ms = START * 1000
    now = {(p.place, p.channel) for p in ledger.placements(1) if p.until_ms is None or p.until_ms > start_ms}
    ledger.close()
    assert now == {("flat", 3), ("point", 2)}


def test_a_type_that_the_logger_contradicts_is_taken_with_a_warning(command, tmp_path):
    ledger = Ledger(Config(home=tmp_path / "home").folder() / "ledger.sqlite", SystemClock())
    ledger.saw_now(0xAABB0001, {"v": 1, "boot": 1, "up": 5, "table": [0x13, 0x17], "codes": [[0, 0, 0], [0, 0, 0]]})
    ledger.close()
    status, _, err = command("cook", "start", "Sunday", "--meat", "flat=1:J")
    assert status == 0
    assert len(err) == 1
    assert "set for type T" in err[0]
