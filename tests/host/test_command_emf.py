"""``pitscribe emf``: the emf at the plug, what chips report of it, and back.

Sources: SOURCES.md section 1 (cold-junction rule: K at 107.2/25 degC is 3.393411 mV; errors of a sum of temperatures)
and section 2 (registers); the package thermocouple-its90 for what another type or a reversed lead reads.
"""

import json

import pytest
import thermocouple_its90
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cli import main
from pitscribe.commands import emf
from pitscribe.metrology import its90


@pytest.fixture
def command(tmp_path, capsys):
    """Run ``pitscribe emf``; returns (status, output, complaint)."""

    def run(*arguments: str) -> tuple[int, str, str]:
        status = main(["--home", str(tmp_path / "home"), "emf", *arguments])
        said = capsys.readouterr()
        return status, said.out, said.err

    return run


def said(command, *arguments):
    status, out, err = command(*arguments, "--json")
    assert (status, err) == (0, "")
    return json.loads(out)


def test_the_worked_example_of_type_k(command):
    known = said(command, "K", "107.2", "--cold", "25")
    assert known["mv"] == pytest.approx(3.393411, abs=1.1e-6)  # a difference of two rounded figures
    assert known["sensitivity_uv_per_k"] == {"hot": 41.244, "cold": 40.518}


def test_and_back(command):
    known = said(command, "K", "--mv", "3.393411", "--cold", "25")
    assert known["hot_c"] == pytest.approx(107.2, abs=1e-4)


@pytest.mark.parametrize(("hot", "cold"), [("225F", "77F"), ("107.2222222C", "25C"), ("107.2222222", "25")])
def test_bare_temperatures_are_degc_and_others_say_what_they_are(command, hot, cold):
    assert said(command, "k", hot, "--cold", cold)["mv"] == pytest.approx(3.394328, abs=2e-6)


def test_a_negative_temperature_with_its_unit_is_no_option(command):
    known = said(command, "T", "-4F", "--cold", "-5C")
    assert (known["hot_c"], known["cold_c"]) == (-20.0, -5.0)
    assert known["mv"] == pytest.approx(-0.756838 - its90.emf("T", -5.0), abs=1e-6)


def test_without_a_plug_temperature_the_emf_is_that_of_the_tables(command):
    assert said(command, "K", "100")["mv"] == 4.09623


@pytest.mark.parametrize("tc", its90.KINDS)
def test_reversed_leads_and_other_types_read_what_another_package_says(tc):
    loop = emf.Loop.from_hot(tc, 107.2, 25.0)
    others = emf.other_types(loop)
    for kind in its90.KINDS:
        package = thermocouple_its90.get(kind)
        if kind == tc:
            back = emf.reversed_reads(loop)
            if tc in "RS":  # at -50 degC their functions end, with no more than -0.23 mV
                assert back is None
            else:
                assert back == pytest.approx(package.temperature(-loop.mv, reference=25.0), abs=1e-4)
        elif kind in others:
            assert others[kind] == pytest.approx(package.temperature(loop.mv, reference=25.0), abs=1e-4)
        else:
            low, high = package.range
            assert not low <= 400 <= high or package.emf(400.0) - package.emf(25.0) < loop.mv
    assert tc not in others


def test_each_chip_reports_what_its_data_sheets_codes_say(command):
    by_chip = {r["chip"]: r for r in said(command, "K", "107.2", "--cold", "25")["chips"]}
    # SOURCES.md section 2: words and registers of 107.25/25, 107.203125 and 107.1875 degC.
    assert by_chip["max31855"]["registers"] == "06B41900"
    assert by_chip["max31856"]["registers"] == "0Ah 1900, 0Ch 06B340"
    assert by_chip["mcp9600"]["registers"] == "00h 06B3, 02h 0190"
    assert [by_chip[c]["reads"] for c in ("max31855", "max31856", "mcp9600")] == [107.25, 107.203125, 107.1875]
    # 3.393411 mV in steps of 2 uV.
    assert by_chip["mcp9600-adc"]["hot"] == 1697
    # SOURCES.md section 1: a sum of temperatures is 0.85 high; a step of T_H is 0.0625.
    assert by_chip["mcp9600-sum"]["reads"] == pytest.approx(108.05, abs=0.05)
    assert all(r["corrected_c"] == pytest.approx(107.2, abs=0.05) for r in by_chip.values())


def test_a_type_t_probe_looks_wrong_on_the_max31855_and_is_corrected(command):
    (chip,) = (r for r in said(command, "T", "107.2", "--cold", "25")["chips"] if r["chip"] == "max31855")
    assert chip["reads"] == 94.5  # SOURCES.md section 2: the register of T 107.2/25
    assert chip["corrected_c"] == pytest.approx(107.23, abs=0.0051)


def test_a_person_gets_both_units_and_is_told_what_is_beyond_a_chip(command):
    status, out, _ = command("K", "107.2", "--cold", "25")
    assert status == 0
    assert "hot junction 107.20 C (224.96 F), cold junction (the plug) 25.00 C (77.00 F)" in out
    assert "at the plug     3.3934 mV" in out
    assert "leads reversed  -3.3934 mV, which reads as -64.34 C (-83.81 F)" in out
    row = next(line for line in command("K", "-250", "--cold", "25")[1].splitlines() if " max31856 " in line)
    assert "beyond its range" in row
    row = next(line for line in command("K", "900", "--cold", "25")[1].splitlines() if " max31856-gain32 " in line)
    assert "beyond its range" in row


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("Q", "100"), "'Q' has no reference function here: use one of K, J, T, N, E, R, S"),
        (("B", "100"), "'B' has no reference function here"),
        (("K", "5000"), "hot junction: type K: 5000 degC is outside -270 to 1372 degC"),
        (("K", "100", "--cold", "-400"), "cold junction: type K: -400 degC is outside -270 to 1372 degC"),
        (("K", "--mv", "99"), "99 mV: type K with its cold junction at 0.00 C (32.00 F) gives -6.458 to 54.886 mV"),
        (("K", "--mv", "nan"), "--mv nan: must be a number"),
        (("K", "hot"), "temperature 'hot'"),
        (("K",), "say either the hot junction or what the meter reads"),
        (("K", "100", "--mv", "3"), "say either the hot junction or what the meter reads"),
    ],
)
def test_what_cannot_be_is_refused_by_name(command, arguments, words):
    status, out, err = command(*arguments)
    assert (status, out) == (1, "")
    assert words in err
    assert err.count("\n") == 1


@settings(deadline=None)
@given(st.data(), st.sampled_from(its90.KINDS), st.floats(-40.0, 125.0))
def test_any_loop_goes_there_and_back_and_can_be_printed(data, tc, cold):
    hot = data.draw(st.floats(*its90.limits(tc)))
    loop = emf.Loop.from_hot(tc, hot, cold)
    assert emf.Loop.from_mv(tc, loop.mv, cold).hot_c == pytest.approx(hot, abs=2e-6)
    assert emf.text(loop)
    json.dumps(emf.as_json(loop), allow_nan=False)
    by_chip = {r.chip: r for r in emf.reports(loop)}
    table = by_chip["max31856"]
    assert table.clipped or abs(table.reads - hot) <= 2**-8 + 1e-9
