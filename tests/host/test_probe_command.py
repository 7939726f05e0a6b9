"""``pitscribe probe`` as a person uses it: write down, list, show, budget, place by name; and what bad input gets."""

import re
import shutil

import pytest
from probe_world import LOGGER, T0, Kitchen, constant

from pitscribe.cli import main
from pitscribe.clock import SetClock
from pitscribe.commands.quantities import parse_altitude, parse_difference, parse_pressure
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import load


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    """A home whose ledger has 40 min of ice on every channel, and a calibrated probe ``green`` (0.8 K high)."""
    made = tmp_path_factory.mktemp("calibrated") / "home"
    kitchen = Kitchen(made, [constant(0.0)] * 3, [(0.8, 0.0)] * 3)
    kitchen.ledger.add_probe("green", "K", "iec-1")
    kitchen.wait(1200.0)
    kitchen.probe("calibrate", "green", "--ice", "--channel", "0", "--remark", "fine ice")
    kitchen.wait(600.0)
    kitchen.ledger.close()
    return made


@pytest.fixture
def home(calibrated, tmp_path):
    """A copy of that home."""
    return shutil.copytree(calibrated, tmp_path / "home")


@pytest.fixture
def command(home, capsys):
    def run(*arguments):
        capsys.readouterr()
        status = main(["--home", str(home), *map(str, arguments)])
        said = capsys.readouterr()
        return status, said.out, said.err

    return run


def test_a_probe_is_written_down_listed_and_shown(command):
    assert command("probe", "add", "red", "--type", "t", "--tolerance", "iec-1")[0] == 0
    status, out, _ = command("probe", "list")
    assert status == 0
    green, red = out.splitlines()
    assert re.match(r"green +K +iec-1 +2023-11-14 +-1\.4\d F \+/-0\.\d\d F at 32 F, -\d\.\d\d F", green)
    assert re.search(r"-\d\.\d\d F \+/-\d\.\d\d F at 203 F", green)
    assert re.match(r"red +T +iec-1 +not calibrated", red)
    status, out, _ = command("probe", "show", "green")
    assert "calibration counts now  ice bath, channel 0 of 1a2b3c4d, 'fine ice'" in out
    assert re.search(r"203\.00 F +-0\.\d\d F +2\.\d\d F", out)
    assert "nothing measured of it yet" in command("probe", "show", "red")[1]


def test_an_old_calibration_is_to_be_made_again(command):
    # T0 is in 2023, and the command asks this machine's clock
    assert "calibrate it again: it is over a year" in command("probe", "list")[1]


def test_a_superseded_calibration_stays_in_the_history(command):
    assert command("probe", "calibrate", "green", "--point", "32F=33F")[0] == 0
    lines = [line for line in command("probe", "show", "green")[1].splitlines() if " calibration " in line]
    assert [("superseded" in line, "counts now" in line) for line in lines] == [(True, False), (False, True)]


def test_a_wrong_calibration_is_withdrawn_and_restored_and_nothing_is_lost(command):
    assert command("probe", "calibrate", "green", "--point", "32F=35F")[0] == 0
    status, out, _ = command("probe", "withdraw", "green", "2")
    assert status == 0
    assert "record 2 (calibration, measured" in out
    assert "record 1 (calibration, measured 2023-11-14" in out.splitlines()[1]
    shown = command("probe", "show", "green")[1]
    marks = [line.split("calibration ")[1][:10].strip() for line in shown.splitlines() if " calibration " in line]
    assert marks == ["counts now", "withdrawn"]
    assert re.search(r"32\.00 F +-1\.4\d F", shown)
    assert re.search(r"-1\.4\d F \+/-0\.\d\d F at 32 F", command("probe", "list")[1])
    assert "is withdrawn already" in command("probe", "withdraw", "green", "2")[2]
    assert "it has 1, 2" in command("probe", "withdraw", "green", "7")[2]
    assert "not withdrawn" in command("probe", "restore", "green", "1")[2]
    assert "record 2 (calibration" in command("probe", "restore", "green", "2")[1].splitlines()[1]
    assert re.search(r"-(3\.0|2\.9)\d F \+/-\d\.\d\d F at 32 F", command("probe", "list")[1])
    command("probe", "withdraw", "green", "1")
    assert "none counts now" in command("probe", "withdraw", "green", "2")[1]
    assert "not calibrated" in command("probe", "list")[1]
    assert "no calibration to certify" in command("probe", "show", "green", "--certificate", "x.html")[2]


def test_a_record_of_another_probe_is_not_withdrawn_by_this_ones_name(command):
    command("probe", "add", "red", "--type", "K")
    assert "no record 1 of this probe; it has none" in command("probe", "withdraw", "red", "1")[2]


def test_a_comparison_with_a_probe_is_told_when_what_it_rests_on_is_withdrawn(command):
    command("probe", "add", "red", "--type", "K", "--tolerance", "iec-1")
    span = ["--from", "2023-11-14T22:20Z", "--to", "2023-11-14T22:35Z"]
    beside = ["--against", "green", "--channel", "1", "--against-channel", "0"]
    assert command("probe", "calibrate", "red", *beside, *span)[0] == 0
    assert "record 2 of 'red' was compared by it" in command("probe", "withdraw", "green", "1")[1]
    assert "compared by it" not in command("probe", "restore", "green", "1")[1]


def test_a_record_that_does_not_count_says_which_does_and_what_to_do(command):
    command("probe", "calibrate", "green", "--point", "32F=33F")  # measured today, and T0 is in 2023
    span = ["--from", "2023-11-14T22:38Z", "--to", "2023-11-14T22:46Z"]
    status, out, _ = command("probe", "calibrate", "green", "--ice", "--channel", "0", *span)
    assert status == 0
    last = out.splitlines()[-1]
    assert re.match(r"record 3 of 'green', measured 2023-11-14 .* is written down, but record 2, measured later", last)
    assert last.endswith("still counts; if that one is wrong: pitscribe probe withdraw green 2")
    command("probe", "withdraw", "green", "2")
    marks = [line for line in command("probe", "show", "green")[1].splitlines() if "counts now" in line]
    assert [line.split()[0] for line in marks] == ["3"]


def test_a_certificate_without_a_file_name_is_refused(command, capsys):
    with pytest.raises(SystemExit):
        command("probe", "show", "green", "--certificate", "")
    assert "must name a file" in capsys.readouterr().err


def test_a_budget_tells_every_component_with_its_source_and_k(command):
    status, out, _ = command("probe", "budget", "green", "203F")
    assert status == 0
    assert re.search(r"^calibration +\d\.\d+ F +\d+\.\d % +points and fit", out, re.M)
    shares = [float(x) for x in re.findall(r" (\d+\.\d) %", out)]
    assert shares[-1] == 100.0
    assert sum(shares[:-1]) == pytest.approx(100.0, abs=0.6)
    assert re.search(r"^95 %: \+/-\d\.\d\d F \(k = 1\.\d\d", out, re.M)
    assert "probe tolerance" not in out
    other = command("probe", "budget", "green", "203F", "--channel", "1")[1]
    assert "chip gain and offset" in other  # another channel: its own chip counts, and of the points the wire's part
    assert "calibration" in other
    command("probe", "add", "red", "--type", "K", "--tolerance", "iec-1")
    new = command("probe", "budget", "red", "203F", "--channel", "0")[1]
    # 1.5 K of class 1, rectangular, for a plug at 0 degC; with the plug at 25 degC eight tenths of it
    assert re.search(r"^probe tolerance +1\.247 F", new, re.M)


def test_a_budget_is_headed_in_the_persons_unit_and_not_at_all_if_there_is_none(command):
    assert command("probe", "budget", "green", "203")[1].startswith("green at 203.0 F: channel 0 of logger 1a2b3c4d")
    assert command("probe", "budget", "green", "95C")[1].startswith("green at 203.0 F: ")
    for wrong in (["9000F"], ["203F", "--cold", "500F"]):
        assert command("probe", "budget", "green", *wrong)[:2] == (1, "")


def test_when_no_cook_has_a_probe_its_calibrations_channel_is_meant(command):
    span = ["--from", "2023-11-14T22:20Z", "--to", "2023-11-14T22:40Z"]
    status, out, _ = command("probe", "check", "green", *span)
    assert status == 0
    assert out.startswith("green: channel 0 of logger 1a2b3c4d\n")
    assert "agrees" in out
    command("probe", "add", "red", "--type", "K")
    assert "which channel is 'red' on" in command("probe", "check", "red", *span)[2]
    command("probe", "calibrate", "red", "--point", "32F=33F")  # through no channel
    assert "which channel is 'red' on" in command("probe", "check", "red", *span)[2]


def test_a_probe_on_a_chip_that_is_set_for_another_type_is_warned_of(command):
    command("probe", "add", "needle", "--type", "T", "--tolerance", "iec-1")
    span = ["--from", "2023-11-14T22:20Z", "--to", "2023-11-14T22:40Z"]
    doubt = "channel 0: the logger's chip is set for type K, and you say T; if the wire is not really T, this will be"
    for asked in (["calibrate", "needle", "--ice"], ["check", "needle"]):
        assert doubt in command("probe", *asked, "--channel", "0", *span)[2]
    beside = ["--against", "needle", "--channel", "1", "--against-channel", "0"]
    command("probe", "add", "red", "--type", "K")
    assert doubt in command("probe", "calibrate", "red", *beside, *span)[2]
    assert "is set for" not in command("probe", "check", "green", "--channel", "0", *span)[2]


def test_a_place_in_a_cook_names_its_probe_and_is_read_with_its_calibration(command, home):
    at = ["--at", "2023-11-14T22:13:20Z"]
    assert command("cook", "start", "Sunday", *at, "--meat", "flat=0:green", "--meat", "point=1")[0] == 0
    ledger = Ledger(home / "ledger.sqlite", SetClock(T0 + 1e6))
    try:
        cook = ledger.cook("Sunday")
        flat, point = ledger.placements(cook.id)
        assert (flat.probe.name, point.probe.name) == ("green", f"K on {LOGGER:08x}/1")
        series = load(ledger, cook.id).places[0]
        assert float(series.celsius.mean()) == pytest.approx(0.0, abs=0.05)
    finally:
        ledger.close()


def test_a_probe_that_is_placed_anew_leaves_its_old_place(command, home):
    at = "2023-11-14T22:13:20Z"
    command("cook", "start", "Sunday", "--at", at, "--meat", "flat=0:green")
    assert command("cook", "place", "Sunday", "--since", "2023-11-14T22:20Z", "--meat", "point=1:green")[0] == 0
    ledger = Ledger(home / "ledger.sqlite", SetClock(T0 + 1e6))
    try:
        flat, point = ledger.placements(ledger.cook("Sunday").id)
        assert flat.until_ms == point.since_ms
    finally:
        ledger.close()


@pytest.mark.parametrize(("arguments", "words"), [
    (["probe", "add", "green", "--type", "K"], "there is a probe 'green' already"),
    (["probe", "add", "K", "--type", "K"], "that is a type"),
    (["probe", "add", "red", "--type", "X"], "type 'X' is not one of"),
    (["probe", "add", "red", "--type", "b"], "type B: pitscribe has no reference function"),
    (["probe", "add", "red", "--type", "K", "--tolerance", "gold"], "tolerance 'gold'"),
    (["probe", "show", "nobody"], "there is no probe 'nobody'"),
    (["probe", "budget", "green", "hot"], "write 195F"),
    (["probe", "budget", "green", "9000F"], "9000F: type K is known from -270.0 C (-454.0 F) to 1372.0 C (2501.6 F)"),
    (["probe", "budget", "green", "203F", "--cold", "500F"], "--cold 500F: a max31856 in the logger's box works from"),
    (["probe", "budget", "green", "203F", "--cold", "500F"], "-55.0 C (-67.0 F) to 125.0 C (257.0 F)"),
    (["probe", "budget", "green", "203F", "--channel", "6"], "has not said what chip is there"),
    (["probe", "calibrate", "green", "--ice", "--channel", "0", "--logger", "zz"], "8 hex digits"),
    (["probe", "calibrate", "green", "--ice", "--boil", "--altitude", "0m", "--channel", "0"], "at the keyboard"),
    (["cook", "start", "x", "--meat", "flat=0:nobody"], "there is no probe 'nobody'"),
    (["cook", "start", "x", "--meat", "flat=0:green", "--meat", "tip=1:green"], "probe green is given twice"),
    (["cook", "start", "x", "--meat", "flat=9"], "write PLACE=CHANNEL"),
])
def test_bad_input_is_one_line_and_status_1(command, arguments, words):
    status, _, err = command(*arguments)
    assert status == 1
    assert words in err
    assert len(err.splitlines()) == 1


def test_an_empty_home_says_how_to_begin(tmp_path, capsys):
    Ledger(tmp_path / "ledger.sqlite", SetClock(T0)).close()
    assert main(["--home", str(tmp_path), "probe", "list"]) == 0
    assert "pitscribe probe add NAME" in capsys.readouterr().out


@pytest.mark.parametrize(("text", "pascal"), [
    ("834hPa", 83400.0), ("834 mbar", 83400.0), ("83.4kPa", 83400.0), ("83400Pa", 83400.0),
    # NIST SP 811 (from memory): 1 inHg = 3386.389 Pa, 1 mmHg = 133.3224 Pa; 29.92 inHg and 760 mmHg are one atmosphere
    ("29.92inHg", 101320.8), ("760mmHg", 101325.0)])
def test_pressures_are_read_in_their_units(text, pascal):
    assert parse_pressure(text) == pytest.approx(pascal, abs=0.1)


@pytest.mark.parametrize(
    ("text", "metres"), [("1609m", 1609.0), ("5280ft", 1609.344), ("1.5 km", 1500.0), ("-20m", -20.0)]
)
def test_altitudes_are_read_in_their_units(text, metres):
    assert parse_altitude(text) == pytest.approx(metres)


def test_a_difference_is_no_temperature():
    assert parse_difference("0.9F", "C") == pytest.approx(0.5)
    assert parse_difference("0.9", "F") == pytest.approx(0.5)
    assert parse_difference("0.5 C", "F") == 0.5
    for text in ("-1C", "1X", "", "C"):
        with pytest.raises(ConfigError):
            parse_difference(text, "F")
