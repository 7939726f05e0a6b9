"""A clean Debian with systemd as its first process, in a virtual machine: where the install guide is followed.

It wants root, `debootstrap`, `qemu-system-x86_64` and the reach of a Debian mirror. The processor is emulated whole:
where this was made, /dev/kvm had none that NumPy runs on. Address and name are those of the guide's examples.
"""

import base64
import contextlib
import os
import secrets
import shutil
import socket
import subprocess
import time
from pathlib import Path
from typing import NamedTuple

USER, NAME, ADDRESS = "cook", "pit", "192.168.1.10"
MIRROR = "http://deb.debian.org/debian"
# What Raspberry Pi OS Lite has over a bare Debian and the guide takes for granted; and a kernel for the machine.
PACKAGES = "systemd-timesyncd,dbus,sudo,ca-certificates,linux-image-cloud-amd64,netbase,iproute2,avahi-daemon,curl"
PORT = "follow"  # a way of its own between the two machines: /dev/virtio-ports/follow

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


def image_of(root: Path, source: Path, folder: Path) -> Path:
    """A disk of that Debian with a user, as an imaging tool leaves it, and a bare clone of ``source`` in /srv."""
    tree, disk = folder / "tree", folder / "disk"
    folder.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(tree, ignore_errors=True)
    _run("cp", "-a", root, tree)
    _run("git", "clone", "--quiet", "--bare", source, tree / "srv/pitscribe.git")
    _run("chown", "-R", "0:0", tree / "srv")
    _run("chroot", tree, "useradd", "--create-home", "--shell", "/bin/bash", USER)
    home = tree / "home" / USER
    home.chmod(0o700)
    _write(tree / "etc/sudoers.d/cook", f"{USER} ALL=(ALL) NOPASSWD: ALL\n", 0o440)
    _write(tree / "etc/hostname", f"{NAME}\n")
    _write(tree / "etc/hosts", f"127.0.0.1 localhost\n::1 localhost\n127.0.1.1 {NAME}\n")
    _write(tree / "etc/systemd/network/all.network", NETWORK)
    _write(tree / "etc/systemd/system/follow.service", SHELL_SERVICE)
    # Nobody tells it the time, so that the steps by the fire find what a fire has.
    _write(tree / "etc/systemd/timesyncd.conf", "[Time]\nNTP=\nFallbackNTP=\n")
    _write(tree / "etc/resolv.conf", "nameserver 192.168.1.3\n")
    authorities = Path("/etc/ssl/certs/ca-certificates.crt")  # ours: the network here may have one of its own
    shutil.copy(authorities, tree / "etc/ssl/certs/ca-certificates.crt")
    _write(tree / "etc/pip.conf", f"[global]\ncert = {authorities}\n")
    _run("chroot", tree, "systemctl", "enable", "--quiet", "follow.service", "systemd-networkd.service")
    disk.unlink(missing_ok=True)
    _run("mkfs.ext4", "-q", "-d", tree, disk, "8G")
    shutil.rmtree(tree)
    return disk


class Done(NamedTuple):
    """What a command printed, on both ways, and its exit status."""

    text: str
    status: int


class Machine:
    """A virtual machine that boots from a disk; ``run`` gives a line to one shell of its user, which goes on."""

    def __init__(self, root: Path, disk: Path, folder: Path, *, network: bool = True) -> None:
        """``network`` False: it has no cable at all. What it writes is kept in ``folder``, not on the disk."""
        self._way, self.console = folder / "way", folder / "console"
        self._way.unlink(missing_ok=True)
        kernel, ramdisk = (next((root / "boot").glob(f"{name}-*")) for name in ("vmlinuz", "initrd.img"))
        user = f"user,id=n,net=192.168.1.0/24,dhcpstart={ADDRESS}"
        wire = ["-netdev", user, "-device", "virtio-net-pci,netdev=n"] if network else ["-nic", "none"]
        self._process = subprocess.Popen([
            "qemu-system-x86_64", "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2",
            "-m", "1024", "-nodefaults", "-display", "none", "-serial", f"file:{self.console}",
            "-kernel", str(kernel), "-initrd", str(ramdisk), "-append", "root=/dev/vda rw console=ttyS0 quiet",
            "-drive", f"file={disk},format=raw,if=virtio", *wire, "-device", "virtio-rng-pci",
            "-device", "virtio-serial-pci", "-chardev", f"socket,id=w,path={self._way},server=on,wait=off",
            "-device", f"virtserialport,chardev=w,name={PORT}",
        ])
        self._socket = socket.socket(socket.AF_UNIX)

    def __enter__(self) -> "Machine":
        deadline = time.monotonic() + 600
        while time.monotonic() < deadline:
            assert self._process.poll() is None, "the machine ended by itself"
            with contextlib.suppress(OSError):
                self._socket.connect(str(self._way))
                break
            time.sleep(0.1)
        self.run("true", 600)
        return self

    def __exit__(self, *_: object) -> None:
        """Pull the plug."""
        self._socket.close()
        self._process.kill()
        self._process.wait()

    def run(self, line: str, seconds: float = 600) -> Done:
        """Have the shell do a line, and wait for its end."""
        mark = secrets.token_hex(8)
        words = base64.b64encode(line.encode()).decode()
        told = f'eval "$(echo {words} | base64 -d)" </dev/null 2>&1; echo "{mark} $?"\n'
        self._socket.sendall(told.encode())
        self._socket.settimeout(seconds)
        heard = b""
        while (end := heard.find(f"{mark} ".encode())) < 0 or b"\n" not in heard[end:]:
            some = self._socket.recv(65536)
            assert some, f"the machine has gone away in: {line}"
            heard += some
        return Done(heard[:end].decode(errors="replace"), int(heard[end + len(mark) :].split()[0]))


def _write(path: Path, text: str, mode: int = 0o644) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    path.write_text(text)
    path.chmod(mode)


def _run(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"})
