"""The table of rules names every flag once, with the figures that the code uses, and the command prints it."""

import json
import re

from pitscribe.cli import main
from pitscribe.cook.analysis import flag_words
from pitscribe.metrology import contact, lone, stuck, swapped, together
from pitscribe.metrology.flags import COLD_GOOD_C, RATE_RULES, WIRE_RANGE_C, Flag
from pitscribe.metrology.rules import RULES
from pitscribe.watch.facts import DOUBTS, REMEDIES

SINGLE = [flag for flag in Flag if flag.value.bit_count() == 1]


def figures(flag):
    """The numbers in a rule's words."""
    (rule,) = (rule for rule in RULES if rule.flag == flag)
    return {float(x) for x in re.findall(r"-?\d+(?:\.\d+)?", rule.rule)}


def test_every_flag_has_one_rule_in_the_order_of_use_and_says_whether_its_value_may_be_used():
    assert sorted(rule.flag for rule in RULES) == SINGLE
    for rule in RULES:
        assert rule.bad == bool(rule.flag & Flag.BAD)
        assert (rule.name,) == flag_words(int(rule.flag))
        assert all((rule.rule, rule.reason, rule.source))


def test_the_words_hold_the_constants_that_the_code_uses():
    for rule in RATE_RULES.values():
        assert {rule.k_per_s, rule.taken_s, rule.most(60.0)} <= figures(Flag.RATE)
    assert set(COLD_GOOD_C) == figures(Flag.COLD_JUNCTION)
    assert {end for ends in WIRE_RANGE_C.values() for end in ends} <= figures(Flag.OUT_OF_RANGE)
    assert {lone.REVERSED_BELOW_C, together.SINKING_BELOW_C, together.SINKING_PIT_K} <= figures(Flag.REVERSED)
    assert {stuck.STUCK_MIN, stuck.STUCK_SAMPLES, stuck.STUCK_SHEET_SAMPLES} <= figures(Flag.STUCK)
    assert {swapped.CROSSED_MIN, swapped.HOTTER_K, swapped.NOTED_FALL_K} <= figures(Flag.SWAPPED)
    assert {contact.ROUGH_K, contact.NEAR_AIR_K, contact.PULLED_K_PER_MIN} <= figures(Flag.NO_CONTACT)


def test_bits_that_were_given_out_keep_their_meaning():
    """Exports and kept analyses name them."""
    named = "OPEN SHORT_GROUND SHORT_SUPPLY CHIP_FAULT NO_ANSWER BAD_WORD OUT_OF_RANGE RATE COLD_JUNCTION NO_FUNCTION"
    named += " REVERSED STUCK SWAPPED COLD_FAST NOISY NO_CONTACT"
    assert {flag.name: int(flag) for flag in SINGLE} == {name: 1 << i for i, name in enumerate(named.split())}


def test_a_flag_of_minutes_that_a_person_can_act_on_has_words_on_the_page():
    """A box in the sun is nobody's fault, and the uncertainty holds it."""
    assert set(flag_words(int(Flag.SWAPPED | Flag.NOISY))) == set(DOUBTS)
    assert set(flag_words(int(Flag.STUCK | Flag.REVERSED | Flag.NO_CONTACT))) <= set(REMEDIES)


def test_the_command_prints_every_rule(capsys, tmp_path):
    assert main(["--home", str(tmp_path), "flags"]) == 0
    text = capsys.readouterr().out
    assert all(f"{rule.name}: " in text for rule in RULES)
    assert max(map(len, text.splitlines())) <= 100
    assert main(["--home", str(tmp_path), "flags", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["flag"] for row in rows] == [rule.name for rule in RULES]
    assert [row["usable"] for row in rows] == [not rule.bad for rule in RULES]
