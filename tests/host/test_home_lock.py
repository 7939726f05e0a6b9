"""One host a home, held by real processes; other commands go on beside it."""

import contextlib
import fcntl
import os
import signal
import subprocess
import sys

import pytest
from servers import free_port, wait_until

from pitscribe.commands import homelock
from pitscribe.commands.homelock import LOCK_NAME, only_host
from pitscribe.errors import StoreError

COMMAND = [sys.executable, "-m", "pitscribe.cli"]


def pitscribe(home, *arguments):
    command = [*COMMAND, "--home", str(home), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def ports():
    return "--page-port", str(free_port()), "--broker-port", str(free_port())


@contextlib.contextmanager
def running(*command, until):
    """A host in a process of its own, once it has said a line that begins so; ended afterwards if it still runs."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    process = subprocess.Popen([*COMMAND, *map(str, command)], **pipes)
    try:
        said = iter(process.stdout.readline, "")
        assert any(until in line for line in said), process.stderr.read()
        yield process
    finally:
        process.kill()
        process.communicate()


def serving(home):
    return running("--home", home, "serve", *ports(), until="ledger  ")


def told_of(refused, home, pid):
    assert refused.returncode == 1, refused.stdout + refused.stderr
    (line,) = refused.stderr.splitlines()
    assert refused.stdout == ""
    assert f"{home} is served already, by process {pid}" in line


def test_a_second_serve_on_one_home_is_refused_naming_the_first_and_the_first_goes_on(tmp_path):
    with serving(tmp_path) as first:
        told_of(pitscribe(tmp_path, "serve", *ports()), tmp_path, first.pid)
        told_of(pitscribe(tmp_path, "serve", *ports()), tmp_path, first.pid)
        assert first.poll() is None
        made = pitscribe(tmp_path, "cook", "start", "Beside it")
        assert made.returncode == 0, made.stderr
        assert "Beside it" in pitscribe(tmp_path, "cooks").stdout
        first.send_signal(signal.SIGTERM)
        assert first.wait(30) == 0
    with serving(tmp_path):
        pass


def test_a_host_that_was_killed_leaves_no_lock_behind(tmp_path):
    with serving(tmp_path) as first:
        first.kill()
        first.wait(30)
        assert (tmp_path / LOCK_NAME).read_text() == f"{first.pid}\n"
        with serving(tmp_path) as second:
            assert (tmp_path / LOCK_NAME).read_text() == f"{second.pid}\n"


def test_the_demos_home_is_not_served_beside_it(tmp_path):
    kept = tmp_path / "kept"
    with running("demo", "--hours", 14, "--keep", kept, until="http://127.0.0.1:") as demo:
        told_of(pitscribe(kept, "serve", *ports()), kept, demo.pid)
        demo.send_signal(signal.SIGTERM)
        assert demo.wait(60) == 130
    with only_host(kept):
        pass


def test_of_two_that_start_at_once_one_serves(tmp_path):
    """Whichever is first: the kernel decides, and no moment is between looking and taking."""
    both = [subprocess.Popen([*COMMAND, "--home", str(tmp_path), "serve", *ports()], stderr=subprocess.PIPE, text=True,
                             stdout=subprocess.DEVNULL) for _ in range(2)]
    try:
        wait_until("one has given up", lambda: any(p.poll() is not None for p in both), 60)
        (lost,), (kept,) = ([p for p in both if (p.poll() is None) is on] for on in (False, True))
        assert lost.returncode == 1
        assert "is served already, by " in lost.stderr.read()
        wait_until("the other has told its number", lambda: (tmp_path / LOCK_NAME).read_text() == f"{kept.pid}\n")
    finally:
        for process in both:
            process.kill()
            process.wait(30)
            process.stderr.close()


def test_a_lock_whose_holder_has_not_told_its_number_is_held_all_the_same(tmp_path):
    with only_host(tmp_path):
        (tmp_path / LOCK_NAME).write_text("")
        with pytest.raises(StoreError, match="served already, by another process"), only_host(tmp_path):
            pass
    with only_host(tmp_path):
        assert (tmp_path / LOCK_NAME).read_text() == f"{os.getpid()}\n"


def test_a_check_that_asks_for_the_lock_at_that_moment_keeps_no_host_from_starting(tmp_path, monkeypatch):
    """`pitscribe check` shares the lock for an instant; a host that starts then looks again."""
    (tmp_path / LOCK_NAME).touch()
    check = os.open(tmp_path / LOCK_NAME, os.O_RDONLY)
    fcntl.flock(check, fcntl.LOCK_SH | fcntl.LOCK_NB)
    monkeypatch.setattr(homelock, "sleep", lambda _: fcntl.flock(check, fcntl.LOCK_UN))
    try:
        with only_host(tmp_path):
            assert (tmp_path / LOCK_NAME).read_text() == f"{os.getpid()}\n"
    finally:
        os.close(check)


def test_a_home_that_cannot_be_made_is_told_in_plain_words(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"serve\.lock cannot be opened"), only_host(tmp_path / "file"):
        pass
