"""The README's first command, and what a new user may do wrong with it."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from servers import wait_until

import pitscribe
from pitscribe.commands.demo_frames import journal_frames
from pitscribe.wire.frames import TICKS, decode_ticks, read_head


def demo(*arguments: object, **environment: str) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "pitscribe.cli", "demo", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=200, env={**os.environ, **environment})


def told_in_one_line(run) -> str:
    """The complaint of a run that was refused."""
    assert run.returncode == 1, run.stdout + run.stderr
    assert run.stdout == ""
    assert len(run.stderr.splitlines()) == 1, run.stderr
    assert "Traceback" not in run.stderr
    return run.stderr


@pytest.fixture(scope="module")
def short_run():
    return demo("--headless", "--hours", 1.5, "--seed", 3, "--scenario", "small")


def test_the_demo_ends_with_a_table_and_every_frame_once(short_run):
    assert short_run.returncode == 0, short_run.stderr
    match = re.search(r"^frames +(\d+) journalled, (\d+) in the ledger, 0 twice: equal$", short_run.stdout, re.M)
    assert match, short_run.stdout
    assert match[1] == match[2]
    assert int(match[1]) >= 1.5 * 3600 // 128
    assert re.search(r"^ticks +\d+ read, 0 missed$", short_run.stdout, re.M)
    assert short_run.stderr == ""


def test_the_demo_tells_fire_finish_and_safety_of_its_cook(short_run):
    assert re.search(r"^fire +225 F to 275 F: \d+% of ", short_run.stdout, re.M), short_run.stdout
    assert re.search(r"^done at 194 F +foretold at 0 h 4\d|foretold at 4\d min", short_run.stdout, re.M)
    assert re.search(r"^coldest +\S.+(not in this run|\d h \d\d|\d+ min)$", short_run.stdout, re.M)
    stands = "met|within the limit|not known, so not safe|NOT MET|OVER THE LIMIT"
    assert re.search(rf"^safety +({stands}): ", short_run.stdout, re.M)


def test_the_demos_meat_is_within_its_stated_uncertainty_of_the_truth(short_run):
    rows = re.findall(r"^flat +([+-][\d.]+) F +\+/- ([\d.]+) F +([\d.]+) F +([\d.]+)%$", short_run.stdout, re.M)
    assert rows, short_run.stdout
    greatest, _, rms, inside = map(float, rows[0])
    assert float(inside) >= 95.0  # the expanded uncertainty is stated for about 95 %
    assert abs(greatest) < 8
    assert rms < 4


def codes(folder: Path) -> np.ndarray:
    """What the chips' registers said, tick by tick, as the kept demo's logger journalled it."""
    frames = journal_frames(folder / "flash" / "journal")
    (run,) = decode_ticks([f for f in frames if read_head(f).kind == TICKS])
    return np.hstack([run.uptime_ms[:, None] - run.uptime_ms[0], run.hot, run.cold, run.fault])


def test_the_same_seed_gives_the_same_register_codes_and_another_seed_others(tmp_path):
    kept = {}
    for name, seed, speed in (("one", 3, 600), ("again, faster", 3, 2000), ("other", 4, 2000)):
        run = demo("--headless", "--hours", 0.5, "--scenario", "small", "--seed", seed, "--speed", speed,
                   "--keep", tmp_path / name)
        assert run.returncode == 0, run.stderr
        kept[name] = codes(tmp_path / name)
    n = min(len(ticks) for ticks in kept.values())
    assert n >= 1700
    np.testing.assert_array_equal(kept["one"][:n], kept["again, faster"][:n])
    assert (kept["one"][:n] != kept["other"][:n]).any()


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["--hours", "0"], "--hours"),
        (["--speed", "0.5"], "--speed"),
        (["--scenario", "nowhere"], "backyard"),
        (["--keep", "/proc/nothing"], "/proc/nothing"),
        (["--start-yourself"], "--headless has none"),
    ],
)
def test_what_the_demo_cannot_do_is_told_in_one_line(arguments, named):
    assert named in told_in_one_line(demo("--headless", *arguments))


def test_a_folder_with_something_in_it_is_not_used_to_keep_a_demo(tmp_path):
    (tmp_path / "mine").write_text("precious")
    assert str(tmp_path) in told_in_one_line(demo("--headless", "--keep", tmp_path))
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]


def children_of(pid: int) -> list[int]:
    return [int(n) for n in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_however_the_demo_ends_neither_bench_nor_board_stays_behind(number, tmp_path):
    command = [sys.executable, "-m", "pitscribe.cli", "demo", "--hours", "14", "--keep", str(tmp_path / "kept")]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert run.stdout is not None
    assert "http://127.0.0.1:" in run.stdout.readline()
    wait_until("bench and board run", lambda: len(children_of(run.pid)) >= 2)
    wait_until("the board has journalled", lambda: any((tmp_path / "kept/flash").glob("journal/*.seg")))
    children = children_of(run.pid)
    run.send_signal(number)
    status = run.wait(30)
    assert status == (-9 if number == signal.SIGKILL else 130)
    wait_until("its children have gone", lambda: not any(Path(f"/proc/{pid}/exe").exists() for pid in children))


def test_without_micropython_the_demo_says_how_to_get_it(tmp_path):
    """Another Python's folder as ``sys.executable`` and an empty path: there is no micropython beside or on it."""
    here = tmp_path / "python3"
    here.symlink_to(sys.executable)
    site = next(p for p in sys.path if p.endswith("site-packages"))
    run = subprocess.run(
        [str(here), "-c", "import sys; from pitscribe.cli import main; sys.exit(main(['demo', '--headless']))"],
        capture_output=True, text=True, timeout=60,
        env={"PATH": "/nowhere", "PYTHONPATH": f"{Path(pitscribe.__file__).parents[1]}:{site}", "HOME": str(tmp_path)},
    )
    assert "MicroPython" in told_in_one_line(run)
