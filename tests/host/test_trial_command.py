"""``pitscribe trial`` and ``pitscribe score`` as a person uses them, and what bad input gets."""

import json
import re

import pytest

START = 1_780_142_400  # 2026-05-30 12:00 UTC
NEW = ["trial", "new", "wrap", "--question", "Does paper keep it moister?", "--factor", "wrap",
       "--levels", "foil,paper", "--main", "moisture", "--matters", "1", "--pieces", "8", "--seed", "three dice: 4 1 6"]


@pytest.fixture
def kitchen(command):
    """Eight cooks and a trial of eight pieces."""
    for i in range(8):
        assert command("cook", "start", f"Night {i}", "--at", f"2026-0{i + 1}-03T18:00")[0] == 0
    status, out, err = command(*NEW)
    assert (status, err) == (0, [])
    assert any(re.search(r"seal [0-9a-f]{5}-[0-9a-f]{5}", line) for line in out)
    return command


def told(command, *words):
    status, out, err = command(*words)
    assert (status, err) == (0, []), err
    return "\n".join(out)


def refused(command, *words):
    status, out, err = command(*words)
    assert (status, out, len(err)) == (1, [], 1), (status, out, err)
    return err[0]


def test_a_trial_is_drawn_scored_and_concluded(kitchen):
    levels = [told(kitchen, "trial", "assign", "wrap", f"Night {i}").split()[3] for i in range(8)]
    assert sorted(levels) == ["foil"] * 4 + ["paper"] * 4
    for i, level in enumerate(levels):
        told(kitchen, "score", f"Night {i}", "--moisture", 7 + 0.1 * i if level == "paper" else 4 + 0.1 * i, "--blind",
             "--taster", "Ute")
    text = told(kitchen, "trial", "show", "wrap")
    assert "paper against foil: a difference that the draw alone seldom makes" in text
    assert "p 0.029 by all 70 draws" in text
    assert "its seed was given by a person" in text
    found = json.loads(told(kitchen, "trial", "show", "wrap", "--json"))
    assert [p["level"] for p in found["pieces"]] == levels
    assert found["comparisons"][0]["state"] == "told"
    assert found["comparisons"][0]["effect"]["test"] == {"p": 0.0286, "ways": 70, "exact": True, "least_p": 0.0286}
    assert "8 of 8 drawn" in told(kitchen, "trial", "list")
    assert json.loads(told(kitchen, "trial", "list", "--json"))[0]["pieces"] == 8


def test_a_plan_says_beforehand_what_it_can_tell(command):
    small = told(command, *[{"wrap": "few", "8": "6"}.get(word, word) for word in NEW])
    assert "with 3 of each level in such blocks no outcome at all could be told from chance" in small
    big = told(command, *["many" if word == "wrap" and i == 2 else "34" if word == "8" else word
                          for i, word in enumerate(NEW)])
    assert "would be told 80 times in 100" in big or "would be told 81 times in 100" in big
    assert "about 17 of each level" in big


def test_differences_that_matter_are_taken_in_the_outcomes_own_unit(command):
    cases = (("evenness", "9F", 5.0), ("duration", "90m", 1.5), ("yield", "3%", 3.0), ("bark", "2", 2.0))
    for main, matters, kept in cases:
        words = [{"moisture": main, "1": matters}.get(word, word) for word in NEW]
        told(command, *words[:2], main, *words[3:])
        assert json.loads(told(command, "trial", "show", main, "--json"))["matters"] == pytest.approx(kept)


@pytest.mark.parametrize(("swap", "word"), [
    ({"foil,paper": "foil"}, "2 to 4"), ({"moisture": "colour"}, "main outcome 'colour'"),
    ({"1": "much"}, "--matters much"), ({"8": "7"}, "equally often"), ({"1": "-1"}, "matter"),
    ({"three dice: 4 1 6": ""}, "seed"),
])
def test_a_plan_that_cannot_be_is_refused_with_the_reason(command, swap, word):
    assert word in refused(command, *[swap.get(part, part) for part in NEW])
    assert "no trial yet" in told(command, "trial", "list")


def test_what_cannot_be_entered_is_refused_with_the_reason(kitchen):
    told(kitchen, "trial", "assign", "wrap", "Night 0")
    assert "stays so" in refused(kitchen, "trial", "assign", "wrap", "Night 0")
    assert "there is no cook" in refused(kitchen, "trial", "assign", "wrap", "Night 99")
    assert "there is no trial 'salt'" in refused(kitchen, "trial", "assign", "salt", "Night 1")
    told(kitchen, "cook", "end", "Night 1")
    assert "was not drawn" in refused(kitchen, "trial", "assign", "wrap", "Night 1")
    assert "not a level" in refused(kitchen, "trial", "add", "wrap", "Night 1", "--level", "straw")
    assert "chosen" in told(kitchen, "trial", "add", "wrap", "Night 1", "--level", "foil")
    assert "is not in trial" in refused(kitchen, "trial", "drop", "wrap", "Night 2", "--why", "rain")
    assert "why it is taken out" in refused(kitchen, "trial", "drop", "wrap", "Night 0", "--why", " ")
    assert "taken out" in told(kitchen, "trial", "drop", "wrap", "Night 0", "--why", "the fire went out")
    assert "the fire went out" in told(kitchen, "trial", "show", "wrap")
    assert "say which place" in refused(kitchen, "trial", "assign", "wrap", "Night 2:")
    assert "ended early" in told(kitchen, "trial", "close", "wrap", "--why", "winter")
    assert "was ended" in refused(kitchen, "trial", "assign", "wrap", "Night 3")


def test_two_cuts_of_one_cook_are_a_pair(command):
    told(command, "cook", "start", "Saturday: both", "--at", "2026-05-02T18:00")
    told(command, *NEW[:-4], "--pieces", "12", "--block", "2")
    pair = [told(command, "trial", "assign", "wrap", f"Saturday: both:{side}") for side in ("left", "right")]
    assert sorted(re.search("foil|paper", line)[0] for line in pair) == ["foil", "paper"]
    told(command, "score", "Saturday: both:left", "--moisture", "6")
    told(command, "score", "Saturday: both:right", "--moisture", "8")
    assert "Saturday: both, right" in told(command, "trial", "show", "wrap")


def test_scores_and_weights_are_shown_with_the_yield_and_taken_back(kitchen):
    assert "What 0, 5 and 10 mean" in told(kitchen, "score", "Night 0")
    text = told(kitchen, "score", "Night 0:flat", "--tenderness", "7.5", "--bark", "6", "--raw", "6.4kg",
                "--trimmed", "5kg", "--cooked", "6.6lb", "--remark", "fine")
    assert "yield 60 %" in text
    assert "tenderness   7.5" in text
    assert "bark" not in told(kitchen, "score", "Night 0:flat", "--take-back", "bark")
    found = json.loads(told(kitchen, "score", "Night 0", "--json"))
    assert [(s["place"], s["aspect"], s["value"], s["remark"]) for s in found["scores"]] == [
        ("flat", "tenderness", 7.5, "fine")]
    assert found["weights"][0]["cooked_share"] == pytest.approx(0.5987, abs=1e-4)


@pytest.mark.parametrize(("words", "reason"), [
    (["--tenderness", "11"], "give 0"), (["--tenderness", "nan"], "give 0"), (["--raw", "6"], "has no unit"),
    (["--trimmed", "5kg", "--cooked", "6kg"], "weigh again"), (["--blind"], "--blind goes with a score"),
    (["--taster", "Ute"], "--taster goes with"), (["--take-back", "bark"], "no score of bark"),
    (["--bark", "5", "--raw", "5000kg"], "mind the unit"),
])
def test_scores_and_weights_that_cannot_be_are_refused_and_leave_nothing(kitchen, words, reason):
    assert reason in refused(kitchen, "score", "Night 0", *words)
    assert "nothing yet" in told(kitchen, "score", "Night 0")


def test_evenness_duration_and_pit_come_from_the_readings_of_the_cooks(command, tmp_path):
    """Two cooks of a table: the flat 4 and 10 F behind the point for 5 hours, the pit at 250 and 259 F."""
    for name, behind, pit in (("A", 4, 250), ("B", 10, 259)):
        rows = [f"{START + 60 * i},{pit},{40 + i * 0.5},{40 + i * 0.5 + behind}" for i in range(300)]
        path = tmp_path / f"{name}.csv"
        path.write_text("time,grate,flat,point\n" + "\n".join(rows) + "\n")
        told(command, "import", path, "--unit", "F", "--air", "grate", "--meat", "flat,point", "--name", name)
        told(command, "cook", "end", name, "--at", "2026-05-30T17:00+00:00")
    told(command, *["evenness" if word == "moisture" else "5F" if word == "1" else word for word in NEW])
    for name, level in (("A", "foil"), ("B", "paper")):
        told(command, "trial", "add", "wrap", name, "--level", level)
    found = json.loads(told(command, "trial", "show", "wrap", "--json"))
    facts = [piece["facts"] for piece in found["pieces"]]
    assert [f["evenness"] for f in facts] == pytest.approx([4 / 1.8, 10 / 1.8], abs=0.02)
    assert [f["pit mean"] for f in facts] == pytest.approx([(250 - 32) / 1.8, (259 - 32) / 1.8], abs=0.02)
    assert [f["duration"] for f in facts] == pytest.approx([5.0, 5.0])
    text = told(command, "trial", "show", "wrap", "--unit", "F")
    assert "one cook a level: nothing can be inferred. evenness +6.0 F" in text
    assert "pit mean +9.0 F  (may be a consequence)" in text


def codes(page: str) -> list[list[str]]:
    """The codes of each slip."""
    return [re.findall(r">(\d{3})</li>", slip) for slip in page.split("<section")[1:]]


def plates(page: str) -> dict[str, str]:
    """Which sample each code of the plating list is."""
    return dict(re.findall(r"<b>(\d{3})</b> &nbsp; ([AB])", page))


def tasting(kitchen, tmp_path, *words):
    for i in range(8):
        kitchen("trial", "assign", "wrap", f"Night {i}")
    pieces = json.loads(told(kitchen, "trial", "show", "wrap", "--json"))["pieces"]
    a, b = (next(p["cook_name"] for p in pieces if p["level"] == level) for level in ("foil", "paper"))
    told(kitchen, "trial", "taste", "wrap", "--of", a, "--against", b, *[{"A": a, "B": b}.get(w, w) for w in words])
    slips, plating = tmp_path / "slips.html", tmp_path / "plating.html"
    told(kitchen, "trial", "sheet", "wrap", "--out", slips, "--plating", plating)
    return slips.read_text(), plating.read_text(), (a, b)


def test_a_triangle_is_tasted_blind_and_judged_when_all_answers_are_in(kitchen, tmp_path):
    slips, plating, _ = tasting(kitchen, tmp_path, "--kind", "triangle", "--tasters", "6")
    shown, key = codes(slips), plates(plating)
    assert len(shown) == 6
    assert sorted(code for slip in shown for code in slip) == sorted(key)
    for taster, slip in enumerate(shown, 1):
        assert "no conclusion before all are" in told(kitchen, "trial", "show", "wrap")
        samples = [key[code] for code in slip]
        told(kitchen, "trial", "answer", "wrap", taster, next(c for c in slip if samples.count(key[c]) == 1))
    text = told(kitchen, "trial", "show", "wrap")
    assert "6 of 6 named the odd one; guessing does as well with p 0.001. People tell them apart." in text
    assert "many tasters are not many cooks" in text
    assert "has answered" in refused(kitchen, "trial", "answer", "wrap", 1, shown[0][0])
    wrong = next(c for c in shown[0] if [key[x] for x in shown[0]].count(key[c]) == 2)
    told(kitchen, "trial", "answer", "wrap", 1, wrong, "--instead")
    assert "5 of 6 named the odd one" in told(kitchen, "trial", "show", "wrap")


def test_a_pair_counts_for_the_one_that_was_expected(kitchen, tmp_path):
    asked = ("--kind", "paired", "--tasters", "7", "--asks", "moisture", "--expects", "B")
    slips, plating, _ = tasting(kitchen, tmp_path, *asked)
    assert "Mark the one that is moister." in slips
    shown, key = codes(slips), plates(plating)
    for taster, slip in enumerate(shown, 1):
        named = "A" if taster == 4 else "B"
        told(kitchen, "trial", "answer", "wrap", taster, next(c for c in slip if key[c] == named))
    assert "6 of 7 named the one that was expected to have more moisture; guessing does as well with p 0.062" in told(
        kitchen, "trial", "show", "wrap")


def test_a_rating_becomes_blind_scores_of_the_pieces_it_was_of(kitchen, tmp_path):
    slips, plating, (_, b) = tasting(kitchen, tmp_path, "--kind", "rating", "--tasters", "2")
    key = plates(plating)
    code = next(c for c in re.findall(r'<th scope="col">(\d{3})', slips.split("<section")[1]) if key[c] == "B")
    assert "answered by scores" in refused(kitchen, "trial", "answer", "wrap", 1, code)
    told(kitchen, "trial", "answer", "wrap", 1, code, "--moisture", "8", "--bark", "5")
    found = json.loads(told(kitchen, "score", b, "--json"))["scores"]
    assert [(s["aspect"], s["value"], s["blind"], s["taster"]) for s in found] == [
        ("moisture", 8.0, True, "taster 1 of tasting 1"), ("bark", 5.0, True, "taster 1 of tasting 1")]


def test_answers_and_tastings_that_cannot_be_are_refused_with_the_reason(kitchen, tmp_path):
    assert "no tasting yet" in refused(kitchen, "trial", "sheet", "wrap", "--out", tmp_path / "x.html")
    slips, _, (a, b) = tasting(kitchen, tmp_path, "--kind", "triangle", "--tasters", "3")
    code, other = codes(slips)[0][0], codes(slips)[1][0]
    assert "has no sample" in refused(kitchen, "trial", "answer", "wrap", 1, other)
    assert "this tasting has 1 to 3" in refused(kitchen, "trial", "answer", "wrap", 4, code)
    assert "no tasting 9" in refused(kitchen, "trial", "answer", "wrap", 1, code, "--tasting", 9)
    assert "by a code alone" in refused(kitchen, "trial", "answer", "wrap", 1, code, "--bark", 5)
    pair = ["trial", "taste", "wrap", "--kind", "paired", "--of", a, "--against"]
    assert "say which" in refused(kitchen, *pair, b, "--tasters", 5)
    assert "two different" in refused(kitchen, *pair, a, "--tasters", 5, "--asks", "bark")
    third = next(f"Night {i}" for i in range(8) if f"Night {i}" not in (a, b))
    assert "one of the two" in refused(kitchen, *pair, b, "--tasters", 5, "--asks", "bark", "--expects", third)
    assert "No such file or directory; name another place" in refused(
        kitchen, "trial", "sheet", "wrap", "--out", tmp_path / "none" / "x.html")


def test_a_tasting_to_which_not_all_came_is_judged_when_it_is_closed_and_nothing_is_changed_after(kitchen, tmp_path):
    slips, plating, _ = tasting(kitchen, tmp_path, "--kind", "triangle", "--tasters", "6")
    shown, key = codes(slips), plates(plating)
    odd = [next(c for c in slip if [key[x] for x in slip].count(key[c]) == 1) for slip in shown]
    like = [next(c for c in slip if c != odd[i]) for i, slip in enumerate(shown)]
    told(kitchen, "trial", "answer", "wrap", 5, like[4])
    told(kitchen, "trial", "take-back", "wrap", 5)
    assert "nothing yet" in refused(kitchen, "trial", "take-back", "wrap", 5)
    for taster in (1, 2, 3, 4):
        told(kitchen, "trial", "answer", "wrap", taster, odd[taster - 1])
    assert "4 of 6 answers are in: no conclusion" in told(kitchen, "trial", "show", "wrap")
    told(kitchen, "trial", "close-tasting", "wrap")
    text = told(kitchen, "trial", "show", "wrap")
    # guessing: (1/3)^4 = 0.012
    assert "Closed with 4 of 6 answers. 4 of 4 named the odd one; guessing does as well with p 0.012." in text
    assert f"Taken back or said anew: taster 5, {like[4]}." in text
    for words in (("answer", "wrap", 6, odd[5]), ("take-back", "wrap", 1), ("close-tasting", "wrap")):
        assert "was closed" in refused(kitchen, "trial", *words)


def test_a_closed_rating_says_in_what_the_two_are_told_apart_by_an_exact_test(kitchen, tmp_path):
    slips, plating, (a, b) = tasting(kitchen, tmp_path, "--kind", "rating", "--tasters", "6")
    key = plates(plating)
    for taster, slip in enumerate(slips.split("<section")[1:], 1):
        for code in re.findall(r'<th scope="col">(\d{3})', slip):
            # B is juicier to everybody by 1.5 to 2 points, and both are as tender
            more = 1.5 + 0.1 * taster if key[code] == "B" else 0
            told(kitchen, "trial", "answer", "wrap", taster, code, "--moisture", 5 + more, "--tenderness", 6)
    told(kitchen, "trial", "close-tasting", "wrap")
    text = told(kitchen, "trial", "show", "wrap")
    # six tasters who all prefer one: in 2 of 64 orders chance alone does so
    assert f"{b} less {a}, what decides first: moisture +1.9 points by 6 tasters, p 0.031;" in text
    assert "tenderness +0.0 points by 6 tasters, p 1.000, with the others together 1.000." in text
    assert "People tell them apart in moisture." in text
