"""Where the install guide is followed: a clean Debian with systemd as its first process, as container or computer.

Both want root, `debootstrap` and the reach of a Debian mirror. The container (`systemd-nspawn`, and `slirp4netns` for a
network of its own) runs at full speed on this machine's kernel, and so cannot have its own clock, nor count memory
where this machine does not. The computer (`qemu-system-x86_64`) can, and is some ten times slower, for its processor is
emulated whole: where this was made, /dev/kvm had none that NumPy runs on. Name and address are the guide's examples'.
"""

import base64
import contextlib
import os
import secrets
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

USER, NAME, ADDRESS = "cook", "pit", "192.168.1.10"
MIRROR = "http://deb.debian.org/debian"
# What Raspberry Pi OS Lite has over a bare Debian and the guide takes for granted; and a kernel for the computer.
PACKAGES = "systemd-timesyncd,dbus,sudo,ca-certificates,linux-image-cloud-amd64,netbase,iproute2,avahi-daemon,curl"
PORT = "follow"  # the computer's way out: /dev/virtio-ports/follow

SHELL_SERVICE = f"""\
[Unit]
Description=Where the guide is followed
After=multi-user.target
[Service]
User={USER}
WorkingDirectory=/home/{USER}
ExecStart=/bin/bash --login
StandardInput=file:/dev/virtio-ports/{PORT}
StandardOutput=file:/dev/virtio-ports/{PORT}
StandardError=inherit
[Install]
WantedBy=multi-user.target
"""
NETWORK = "[Match]\nName=en* eth*\n[Network]\nDHCP=ipv4\n"


def clean_root(folder: Path, release: str) -> Path:
    """A bare Debian of that name in a folder; made once."""
    root = folder / release
    if not (root / "made").exists():
        shutil.rmtree(root, ignore_errors=True)
        _run("debootstrap", f"--include={PACKAGES}", release, root, MIRROR)
        (root / "made").touch()
    return root


def tree_of(root: Path, source: Path, folder: Path) -> Path:
    """That Debian with a user, as an imaging tool leaves it, and a bare clone of ``source`` in /srv."""
    tree = folder / "tree"
    folder.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(tree, ignore_errors=True)
    _run("cp", "-a", root, tree)
    _run("git", "clone", "--quiet", "--bare", source, tree / "srv/pitscribe.git")
    _run("chown", "-R", "0:0", tree / "srv")
    _run("chroot", tree, "useradd", "--create-home", "--shell", "/bin/bash", USER)
    (tree / "home" / USER).chmod(0o700)
    _write(tree / "etc/sudoers.d/cook", f"{USER} ALL=(ALL) NOPASSWD: ALL\n", 0o440)
    _write(tree / "etc/hostname", f"{NAME}\n")
    _write(tree / "etc/hosts", f"127.0.0.1 localhost\n::1 localhost\n127.0.1.1 {NAME}\n")
    _write(tree / "etc/resolv.conf", "nameserver 192.168.1.3\n")  # qemu's and slirp4netns' own
    # Nobody tells it the time, so that the steps by the fire find what a fire has.
    _write(tree / "etc/systemd/timesyncd.conf", "[Time]\nNTP=\nFallbackNTP=\n")
    authorities = Path("/etc/ssl/certs/ca-certificates.crt")  # ours: the network here may have one of its own
    shutil.copy(authorities, tree / "etc/ssl/certs/ca-certificates.crt")
    _write(tree / "etc/pip.conf", f"[global]\ncert = {authorities}\n")
    return tree


def disk_of(tree: Path, folder: Path) -> Path:
    """The same as a disk that a computer starts from, which gives us a shell and takes its address by DHCP."""
    disk = folder / "disk"
    _write(tree / "etc/systemd/network/all.network", NETWORK)
    _write(tree / "etc/systemd/system/follow.service", SHELL_SERVICE)
    _run("chroot", tree, "systemctl", "enable", "--quiet", "follow.service", "systemd-networkd.service")
    disk.unlink(missing_ok=True)
    _run("mkfs.ext4", "-q", "-d", tree, disk, "8G")
    shutil.rmtree(tree)
    return disk


class Done(NamedTuple):
    """What a command printed, on both ways, and its exit status."""

    text: str
    status: int


class Shell:
    """One shell of the user there, which goes on from line to line."""

    def __init__(self, way: socket.socket) -> None:
        self._way = way

    def run(self, line: str, seconds: float = 600) -> Done:
        """Have the shell do a line, and wait for its end."""
        mark = secrets.token_hex(8)
        words = base64.b64encode(line.encode()).decode()
        told = f'eval "$(echo {words} | base64 -d)" </dev/null 2>&1; echo "{mark} $?"\n'
        self._way.sendall(told.encode())
        self._way.settimeout(seconds)
        heard = b""
        while (end := heard.find(f"{mark} ".encode())) < 0 or b"\n" not in heard[end:]:
            some = self._way.recv(65536)
            assert some, f"nobody is there any more, in: {line}"
            heard += some
        return Done(heard[:end].decode(errors="replace"), int(heard[end + len(mark) :].split()[0]))


@contextlib.contextmanager
def computer(root: Path, tree: Path, folder: Path) -> Iterator[Shell]:
    """A computer that starts from a disk made of ``tree``; the plug is pulled at the end."""
    way, disk = folder / "way", disk_of(tree, folder)
    way.unlink(missing_ok=True)
    kernel, ramdisk = (next((root / "boot").glob(f"{name}-*")) for name in ("vmlinuz", "initrd.img"))
    process = subprocess.Popen([
        "qemu-system-x86_64", "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2", "-m", "1024",
        "-nodefaults", "-display", "none", "-serial", f"file:{folder / 'console'}",
        "-kernel", str(kernel), "-initrd", str(ramdisk), "-append", "root=/dev/vda rw console=ttyS0 quiet",
        "-drive", f"file={disk},format=raw,if=virtio", "-device", "virtio-rng-pci",
        "-netdev", f"user,id=n,net=192.168.1.0/24,dhcpstart={ADDRESS}", "-device", "virtio-net-pci,netdev=n",
        "-device", "virtio-serial-pci", "-chardev", f"socket,id=w,path={way},server=on,wait=off",
        "-device", f"virtserialport,chardev=w,name={PORT}",
    ])
    try:
        with socket.socket(socket.AF_UNIX) as there:
            _until(lambda: there.connect_ex(str(way)) == 0, process, 60)
            shell = Shell(there)
            shell.run("true", 900)
            yield shell
    finally:
        process.kill()
        process.wait()


@contextlib.contextmanager
def container(tree: Path, folder: Path) -> Iterator[Shell]:
    """A container in ``tree``, in a network of its own."""
    with contextlib.ExitStack() as stack:
        wire = _started(stack, "unshare", "--net", "sleep", "infinity")
        space = f"/proc/{wire.pid}/ns/net"
        _until(lambda: Path(space).resolve() != Path("/proc/self/ns/net").resolve(), wire, 20)
        router = _started(stack, "slirp4netns", "--configure", "--cidr=192.168.1.0/24", wire.pid, "tap0")
        inside = ("nsenter", "--target", wire.pid, "--net", "--", "ip")
        _until(lambda: _does(*inside, "address", "add", f"{ADDRESS}/24", "dev", "tap0"), router, 20)
        with (folder / "console").open("wb") as console:
            first = _started(
                stack, "systemd-nspawn", "--quiet", "--boot", f"--directory={tree}", f"--machine={NAME}",
                "--register=no", "--keep-unit", "--resolv-conf=off", f"--network-namespace-path={space}",
                "--console=read-only", output=console,
            )
        children = Path(f"/proc/{first.pid}/task/{first.pid}/children")
        _until(lambda: children.read_text().split(), first, 60)
        enter = ("nsenter", "--target", children.read_text().split()[0], "--all", "--")
        _until(lambda: _does(*enter, "systemctl", "--quiet", "is-active", "multi-user.target"), first, 120)
        ours, theirs = socket.socketpair()
        with ours, theirs:
            _started(stack, *enter, "su", "--login", USER, output=theirs, source=theirs)
            yield Shell(ours)
    for left in [Path("/sys/fs/cgroup") / name for name in ("unified/payload", "systemd/payload")]:
        for group in sorted(left.glob("**/"), reverse=True):  # where no systemd clears up after nspawn
            with contextlib.suppress(OSError):
                group.rmdir()


def _started(
    stack: contextlib.ExitStack, *words: object, output: Any = None, source: Any = None
) -> "subprocess.Popen[bytes]":
    """Start something that ends with ``stack``."""
    process = subprocess.Popen(
        [str(word) for word in words], stdin=source or subprocess.DEVNULL, stdout=output or subprocess.DEVNULL,
        stderr=subprocess.STDOUT, env={**os.environ, "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"},
    )
    stack.callback(_end, process)
    return process


def _end(process: "subprocess.Popen[bytes]") -> None:
    for number in (signal.SIGTERM, signal.SIGTERM, signal.SIGKILL):  # nspawn's second one is for at once
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.send_signal(number)
            process.wait(20)
            return


def _until(true: Callable[[], object], process: "subprocess.Popen[bytes]", seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert process.poll() is None, f"{process.args} ended by itself"
        assert time.monotonic() < deadline, f"{process.args}: not there in {seconds:.0f} s"
        time.sleep(0.2)


def _does(*words: object) -> bool:
    return subprocess.run([str(word) for word in words], capture_output=True).returncode == 0


def _write(path: Path, text: str, mode: int = 0o644) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    path.write_text(text)
    path.chmod(mode)


def _run(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"})
