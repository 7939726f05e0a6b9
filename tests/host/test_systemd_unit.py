"""The unit and the install guide say the same, and a systemd reads the unit."""

import configparser
import re
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from pitscribe.cli import parser
from pitscribe.commands import alive, serve

sys.path.insert(0, str(Path(__file__).parents[1] / "install"))
from guide import GUIDE, NOT_IN_A_CONTAINER, NOT_RUN, ROOT, printed_as, steps_of

UNIT = ROOT / "host" / "systemd" / "pitscribe.service"
COMMAND = ROOT / "host" / "systemd" / "pitscribe"
TEXT = GUIDE.read_text(encoding="utf-8")
STEPS = steps_of(TEXT)
TYPED = "\n".join(step.command for step in STEPS)


@pytest.fixture(scope="module")
def unit():
    read = configparser.ConfigParser(strict=False, interpolation=None)
    read.optionxform = str
    read.read(UNIT)
    return read


def test_what_the_unit_starts_is_where_the_guide_puts_it(unit):
    service = unit["Service"]
    program, *arguments = service["ExecStart"].split()
    assert f"git clone --quiet ADDRESS {Path(program).parents[2]}\n" in TYPED
    assert program == "/opt/pitscribe/.venv/bin/pitscribe"  # host/environment.sh makes it in the clone's .venv
    assert 'venv=$here/.venv\n' in (ROOT / "host/environment.sh").read_text()
    assert parser().parse_args(arguments).module == "serve"
    assert unit["Unit"]["Documentation"] == f"file:///opt/pitscribe/{GUIDE.relative_to(ROOT)}"


def test_user_and_home_are_those_that_the_guide_makes(unit):
    service = unit["Service"]
    home = f"/var/lib/{service['StateDirectory']}"  # systemd.exec(5): of a system service
    assert service["Environment"] == f"PITSCRIBE_HOME={home}"
    assert service["WorkingDirectory"] == home
    assert f"adduser --system --group --no-create-home --home {home} {service['User']}\n" in TYPED
    assert service["Group"] == service["User"]
    assert (service["StateDirectoryMode"], service["UMask"]) == ("0700", "0077")
    command = COMMAND.read_text()
    assert f"PITSCRIBE_HOME={home}\n" in command
    assert f"sudo -u {service['User']} " in command
    assert f"{service['ExecStart'].split()[0]} " in command


def test_the_command_is_a_program(unit):
    assert COMMAND.stat().st_mode & stat.S_IXUSR
    assert COMMAND.read_text().startswith("#!/bin/sh\n")


def test_the_watchdog_waits_for_many_signs_of_life(unit):
    service = unit["Service"]
    assert service["Type"] == "notify"
    manager = alive.Manager.of({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": str(int(service["WatchdogSec"][:-1]) * 10**6)})
    assert manager.watchdog_s is not None
    assert manager.watchdog_s > 20 * serve.LOOK_EVERY_S


def allowed_calls(text):
    """What the filter lines leave, each applied to what those before it left (systemd.exec(5), SystemCallFilter)."""
    allowed = set()
    for line in re.findall(r"^SystemCallFilter=(.*)$", text, re.M):
        calls = set().union(*(calls_of(word) for word in line.removeprefix("~").split()))
        allowed = allowed - calls if line.startswith("~") else allowed | calls
    return allowed


def calls_of(word):
    """A system call by its name, or those of a set, as this machine's systemd has it."""
    if not word.startswith("@"):
        return {word}
    told = subprocess.run(["systemd-analyze", "syscall-filter", word], capture_output=True, text=True, check=True)
    lines = [line.strip() for line in told.stdout.splitlines()[1:]]
    members = [line.split()[0] for line in lines if line and not line.startswith("#")]
    return set().union(*map(calls_of, members))


def test_it_waits_for_no_network_and_no_time_and_may_ask_the_kernel_for_the_clock(unit):
    """Without adjtimex the host would take a clock that was never set for set (clock.py)."""
    wanted = " ".join(value for key, value in unit["Unit"].items() if key in ("Wants", "Requires", "BindsTo"))
    assert wanted == ""
    assert "time-sync.target" not in UNIT.read_text().split("After=", 1)[1].replace("(time-sync.target can", "")
    assert "ProtectClock" not in unit["Service"]
    allowed = allowed_calls(UNIT.read_text())
    assert {"adjtimex", "clock_adjtime"} <= allowed
    assert {"read", "socket", "accept4", "futex", "fsync"} <= allowed
    assert not {"settimeofday", "clock_settime", "mount", "ptrace", "reboot", "bpf"} & allowed


def test_a_broker_that_is_away_for_a_night_does_not_end_the_tries(unit):
    tries, pause = int(unit["Unit"]["StartLimitBurst"]), int(unit["Service"]["RestartSec"][:-1])
    assert unit["Service"]["Restart"] == "on-failure"
    assert tries * pause >= 7.5 * 3600
    assert tries * pause < 24 * 3600  # or the limit would never be one


def test_systemd_finds_nothing_wrong_with_it(tmp_path):
    """`systemd-analyze verify`; that the program is there is left to the guide (`tests/install/follow.py`)."""
    here = tmp_path / UNIT.name
    here.write_text(UNIT.read_text().replace("/opt/pitscribe/.venv/bin/pitscribe", sys.executable))
    done = subprocess.run(["systemd-analyze", "verify", str(here)], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_every_file_of_ours_that_the_guide_uses_is_there():
    for name in re.findall(r"/opt/pitscribe/([\w./-]+)", TYPED):
        if not name.startswith(".venv"):
            assert (ROOT / name).exists(), name
    for name in re.findall(r"`((?:tests|host|docs|hardware|grafana_json)/[\w./-]*)`|\]\(([\w./]+)\)", TEXT):
        assert (ROOT / (name[0] or f"docs/{name[1]}")).exists(), name


def test_every_command_of_the_guide_is_run_or_named_as_not_to_be_run():
    """`tests/install/follow.py` runs all that these two do not name; what they name is in the guide."""
    assert len(STEPS) > 80
    assert len(re.findall(r"^\$ ", TEXT, re.M)) == len(STEPS)
    for begin, why in {**NOT_RUN, **NOT_IN_A_CONTAINER}.items():
        assert why
        assert any(step.command.startswith(begin) for step in STEPS), begin
    for step in STEPS:
        assert subprocess.run(["bash", "-n", "-c", step.command], capture_output=True).returncode == 0, step


@pytest.mark.parametrize("step", [s for s in STEPS if s.command.startswith("pitscribe ")], ids=lambda s: s.command)
def test_every_pitscribe_command_of_the_guide_is_one_that_the_program_takes(step):
    if not step.command.endswith(("--version", "--help")):
        parser().parse_args(step.command.split()[1:])


@pytest.mark.parametrize(
    ("expected", "printed", "same"),
    [(("a", "...", "d"), "a\nb\nc\nd\n", True), (("a", "...", "d"), "a\nd\n", True), (("a", "d"), "a\nb\nd\n", False),
     (("x …, y",), "x 17, y\n", True), (("x …",), "y 17\n", False), ((), "", True), ((), "oh\n", False),
     (("...",), "", True), (("a.b",), "axb\n", False)],
)
def test_what_was_printed_is_compared_line_by_line(expected, printed, same):
    assert printed_as(expected, printed) is same
