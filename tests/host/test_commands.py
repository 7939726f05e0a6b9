"""The command as a person uses it: cooks, notes, tables in and out, replay; and what bad input gets."""

import json
import math
import os
import subprocess
import sys
import threading
import zlib
from pathlib import Path

import pytest
from intake_rig import LOGGER, ticks

from pitscribe.cli import main

START = 1_780_142_400  # 2026-05-30 12:00 UTC


def table(path: Path, rows: int = 600, step_s: float = 30.0) -> Path:
    """A CSV of a cook in deg F: a pit at 250, two meat places that approach it, one of them with a gap."""
    lines = ["time,grate,flat,point,weather"]
    for i in range(rows):
        t = START + i * step_s
        flat, point = (250 - (250 - 40) * math.exp(-i * step_s / tau) for tau in (30_000, 40_000))
        gap = "" if 100 <= i < 110 else f"{point:.2f}"
        lines.append(f"{t:.0f},{250 + 8 * math.sin(i / 20):.2f},{flat:.2f},{gap},fine")
    path.write_text("\n".join(lines) + "\n")
    return path


def test_an_empty_home_says_how_to_begin(command):
    status, out, err = command("cooks")
    assert (status, err) == (0, [])
    assert "pitscribe cook start" in out[0]


@pytest.mark.parametrize("arguments", [
    ["cooks"], ["cooks", "--json"], ["cook", "show"], ["cook", "end"], ["cook", "place", "x", "--meat", "flat=1"],
    ["export"], ["replay", "Sunday"], ["explain", "Sunday", "flat", "+1:00"], ["note", "wrap"], ["probe", "list"],
    ["probe", "show", "green"], ["probe", "budget", "green", "203F"], ["probe", "withdraw", "green", "1"],
    ["probe", "calibrate", "green", "--ice"], ["probe", "check", "green"],
])
def test_a_home_that_is_not_there_is_told_and_not_made_unless_something_begins_in_it(tmp_path, capsys, arguments):
    home = tmp_path / "hmoe"
    assert main(["--home", str(home), *arguments]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert f"there is no ledger in {home}; name another home with --home or PITSCRIBE_HOME" in said.err
    assert "cook start" in said.err
    assert not home.exists()
    assert main(["--home", str(home), "cook", "start", "Sunday"]) == 0
    assert main(["--home", str(home), "cooks"]) == 0


def test_a_home_that_cannot_be_written_is_read_and_nothing_in_it_changes(tmp_path, capsys):
    home = ["--home", str(tmp_path / "home")]
    csv = table(tmp_path / "a.csv")
    assert main([*home, "import", str(csv), "--unit", "F", "--air", "grate", "--meat", "flat", "--name", "S"]) == 0
    assert main([*home, "probe", "add", "green", "--type", "K"]) == 0
    bound = ["mount", "--bind", tmp_path / "home", tmp_path / "home"]
    if subprocess.run(bound, check=False, capture_output=True).returncode:
        pytest.skip("making a read-only mount needs root")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", tmp_path / "home"], check=True)
        capsys.readouterr()
        for words in (["cooks"], ["cook", "show", "S"], ["export", "S"], ["replay", "S"], ["probe", "list"],
                      ["explain", "S", "flat", "+1:00"], ["probe", "show", "green"]):
            assert main([*home, *words]) == 0, words
        said = capsys.readouterr()
        assert said.err == ""
        assert main([*home, "cook", "start", "T"]) == 1
        assert "written" in capsys.readouterr().err
    finally:
        subprocess.run(["umount", "-l", tmp_path / "home"], check=True)
    assert [one.name for one in (tmp_path / "home").iterdir()] == ["ledger.sqlite"]


def test_a_cook_begins_ends_and_is_reopened(command):
    assert command("cook", "start", "Sunday", "--target", "203F")[0] == 0
    assert "not ended" in command("cooks")[1][0]
    assert command("cook", "end")[0] == 0
    assert json.loads("\n".join(command("cooks", "--json")[1]))[0]["ended"] is not None
    assert command("cook", "reopen", "Sunday")[0] == 0
    said = json.loads("\n".join(command("cooks", "--json")[1]))[0]
    assert said["ended"] is None
    assert said["target_c"] == pytest.approx(95.0)


def test_ending_and_noting_mean_the_cook_that_is_going_on_and_not_one_that_has_ended(command):
    command("cook", "start", "A")
    command("cook", "start", "B")
    command("cook", "end", "B")
    assert "A:" in command("note", "fuel")[1][0]
    assert "A" in command("cook", "end")[1][0]
    status, _, err = command("cook", "end")
    assert status == 1
    assert "going on" in err[0]


def test_a_note_can_be_made_late_and_is_shown(command):
    command("cook", "start", "Sunday")
    assert command("note", "wrap", "in paper", "--ago", "15m")[0] == 0
    status, out, _ = command("cook", "show")
    assert status == 0
    assert out[-1].endswith("wrap  in paper")


def test_an_imported_table_is_a_cook_that_can_be_shown_exported_and_replayed(command, tmp_path):
    csv = table(tmp_path / "saturday.csv")
    assert command("import", csv, "--unit", "F", "--air", "grate", "--meat", "flat,point")[0] == 0
    status, out, _ = command("cook", "show", "--unit", "F")
    assert status == 0
    assert any(line.startswith("coldest meat place: point") for line in out)

    assert command("export", "--unit", "F", "--out", tmp_path / "out.csv")[0] == 0
    exported = (tmp_path / "out.csv").read_text().splitlines()
    assert len(exported) == 601
    assert exported[0].startswith("time,grate [F],grate u [F],grate flags,flat [F],flat u [F],flat flags,")
    assert float(exported[1].split(",")[1]) == pytest.approx(250, abs=0.001)

    status, out, _ = command("replay", "saturday", "--every", "30min", "--json")
    assert status == 0
    said = json.loads("\n".join(out))
    assert {"stalls", "evenness", "flags"} <= said.keys()
    assert len(said["looks"]) == 10
    assert [look["coldest"] for look in said["looks"][1:]] == ["point"] * 9
    status, out, _ = command("replay", "saturday", "--every", "30min", "--unit", "F")
    assert status == 0
    assert sum("coldest point" in line for line in out[:10]) >= 9


def test_what_was_exported_can_be_imported_and_is_the_same_cook(command, tmp_path):
    command("import", table(tmp_path / "a.csv"), "--unit", "F", "--air", "grate", "--meat", "flat,point")
    command("export", "1", "--unit", "C", "--out", tmp_path / "b.csv")
    assert command("import", tmp_path / "b.csv", "--air", "grate", "--meat", "flat,point")[0] == 0  # it says its unit
    command("export", "2", "--unit", "C", "--out", tmp_path / "c.csv")
    assert (tmp_path / "b.csv").read_text() == (tmp_path / "c.csv").read_text()


def test_an_imported_journal_says_what_it_holds_and_how_to_make_a_cook_of_it(command, tmp_path):
    journal = tmp_path / "journal"
    journal.mkdir()
    frames = b"".join(ticks(n) for n in range(1, 20))
    head = b"PSJ1" + LOGGER.to_bytes(4, "little") + (1).to_bytes(4, "little")
    (journal / "00000001.seg").write_bytes(head + zlib.crc32(head).to_bytes(4, "little") + frames)
    status, out, _ = command("import", journal)
    assert status == 0
    assert out[0] == "19 frames in 1 file: 19 new, 0 known already"
    assert "--started-at" in out[-1]
    status, out, _ = command("import", journal, "--started-at", "2026-05-30T06:10:00+00:00")
    assert status == 0
    assert "is taken to have started at" in out[1]
    assert "cook start NAME --at" in out[2]
    started = out[2].split("--at ")[1].split()[0]
    assert command("cook", "start", "S", "--at", started, "--meat", "flat=1")[0] == 0
    assert any("flat (meat)" in line for line in command("cook", "show")[1])


def test_a_csv_is_replayed_without_leaving_a_cook_behind(command, tmp_path):
    csv = table(tmp_path / "a.csv")
    assert command("replay", csv, "--unit", "F", "--air", "grate", "--meat", "flat", "--json")[0] == 0
    assert "no cook yet" in command("cooks")[1][0]


def swapped(text: str) -> str:
    lines = text.splitlines()
    lines[5], lines[6] = lines[6], lines[5]
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("spoil", "arguments", "named"),
    [
        (None, ["--unit", "F", "--meat", "brisket"], "brisket"),
        (None, ["--unit", "K", "--meat", "flat"], "K"),
        (lambda text: f"time,flat\n{START},33\n", ["--meat", "flat"], "unit"),  # in either unit a cold piece
        (None, ["--unit", "F"], "places"),
        (swapped, ["--unit", "F", "--meat", "flat"], "line 7"),
        (lambda text: text.replace("40.00", "warm", 1), ["--unit", "F", "--meat", "flat"], "warm"),
        (lambda text: text.replace("time", "when", 1), ["--unit", "F", "--meat", "flat"], "time"),
        (lambda text: text.splitlines()[0], ["--unit", "F", "--meat", "flat"], "no row"),
        (lambda text: "", ["--unit", "F", "--meat", "flat"], "header"),
    ],
)
@pytest.mark.parametrize("verb", ["import", "replay"])
def test_a_csv_that_cannot_be_read_is_refused_in_one_line_and_leaves_nothing(
    command, tmp_path, verb, spoil, arguments, named
):
    csv = table(tmp_path / "a.csv")
    if spoil:
        csv.write_text(spoil(csv.read_text()))
    status, out, err = command(verb, csv, *arguments)
    assert (status, out, len(err)) == (1, [], 1)
    assert named in err[0]
    assert "a.csv" in err[0]
    assert "no cook yet" in command("cooks")[1][0]


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["cook", "show"], "cook start"),
        (["cook", "show", "Monday"], "Monday"),
        (["cook", "show", "99999999999999999999"], "99999999999999999999"),
        (["import", "/dev/null"], "/dev/null"),
        (["cook", "end", "7"], "7"),
        (["cook", "start", "S", "--target", "hot"], "hot"),
        (["cook", "start", "S", "--target", "250F"], "121 degC (250 F)"),
        (["cook", "start", "S", "--at", "soon"], "soon"),
        (["cook", "start", "S", "--at", "2099-01-01T00:00"], "future"),
        (["note", "wrap", "--ago", "99999999h"], "99999999h"),
        (["demo", "--headless", "--seed", "-1"], "--seed"),
        (["cook", "start", "S", "--meat", "flat"], "PLACE=CHANNEL"),
        (["cook", "start", "S", "--meat", "flat=9"], "flat=9"),
        (["cook", "start", "S", "--meat", "flat=1:K", "--air", "pit=1:K"], "twice"),
        (["cook", "start", "S", "--meat", "flat=1:K"], "--logger"),
        (["cook", "start", "S", "--meat", "flat=1:K", "--logger", "xyz"], "xyz"),
        (["cook", "start", ""], "name"),
        (["note", "wrap"], "cook start"),
        (["note", "wrap", "--at", "9999-12-31T23:59-23:00"], "9999"),
        (["import", "nowhere"], "nowhere"),
        (["import", "nowhere.csv", "--unit", "F", "--meat", "flat"], "nowhere.csv"),
        (["export", "3"], "3"),
        (["replay", "Monday"], "Monday"),
        (["replay", "Monday", "--every", "often"], "often"),
    ],
)
def test_what_cannot_be_done_is_told_in_one_line_and_changes_nothing(command, arguments, named):
    status, out, err = command(*arguments)
    assert (status, out, len(err)) == (1, [], 1)
    assert named in err[0]
    assert "Traceback" not in err[0]
    assert "no cook yet" in command("cooks")[1][0]


def test_a_note_of_an_unknown_kind_is_refused_with_the_known_ones(command):
    command("cook", "start", "Sunday")
    status, _, err = command("note", "sing")
    assert status == 1
    assert "spritz" in err[0]


def test_a_name_is_the_same_however_its_accents_were_typed(command):
    command("probe", "add", "fum\u00e9e", "--type", "K", "--tolerance", "IEC-1")
    assert "fum\u00e9e: type K, class iec-1" in command("probe", "show", "fume\u0301e")[1][0]
    assert "already" in command("probe", "add", "fume\u0301e", "--type", "K")[2][0]
    command("cook", "start", "fume\u0301e")
    assert command("cook", "end", "fum\u00e9e")[0] == 0


@pytest.mark.parametrize("kind", ["pipe", "link"])
def test_an_export_writes_to_what_is_there_and_does_not_replace_it(command, tmp_path, kind):
    command("import", table(tmp_path / "a.csv"), "--unit", "F", "--air", "grate", "--meat", "flat")
    out, got = tmp_path / "out", []
    if kind == "pipe":
        os.mkfifo(out)
        reader = threading.Thread(target=lambda: got.append(out.read_text()))
        reader.start()
    else:
        (tmp_path / "target.csv").write_text("old")
        out.symlink_to(tmp_path / "target.csv")
    assert command("export", "--out", out, *(["--replace"] if kind == "link" else []))[0] == 0
    if kind == "pipe":
        reader.join(10)
        assert out.is_fifo()
        assert got[0].startswith("time,")
    else:
        assert out.is_symlink()
        assert (tmp_path / "target.csv").read_text().startswith("time,")


def test_a_full_output_is_told_in_one_line_and_a_closed_one_is_not_an_error(tmp_path):
    home = ["--home", str(tmp_path / "home")]
    csv = table(tmp_path / "a.csv", rows=5000)
    assert main([*home, "import", str(csv), "--unit", "F", "--air", "grate", "--meat", "flat,point"]) == 0
    command = [sys.executable, "-m", "pitscribe.cli", *home, "export"]
    with Path("/dev/full").open("w") as full:
        told = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert told.returncode == 1
    assert len(told.stderr.splitlines()) == 1
    assert "No space left" in told.stderr
    reader = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert reader.stdout is not None
    assert reader.stderr is not None
    reader.stdout.read(100)
    reader.stdout.close()
    assert reader.stderr.read() == b""
    assert reader.wait(60) == 0


def test_every_command_explains_itself(capsys):
    for words in (["--help"], ["demo"], ["serve"], ["cooks"], ["cook"], ["note"], ["import"], ["export"], ["replay"]):
        with pytest.raises(SystemExit) as caught:
            main([*words, "--help"] if words != ["--help"] else words)
        assert caught.value.code == 0
        assert "usage: pitscribe" in capsys.readouterr().out
