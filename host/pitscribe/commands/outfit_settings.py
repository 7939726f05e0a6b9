"""A logger's first settings: out of a file or asked for, with passwords of their own where they have none."""

import getpass
import ipaddress
import json
import secrets
import socket
import sys
from pathlib import Path
from typing import Any

from pitscribe.config import Config
from pitscribe.errors import ConfigError
from pitscribe.intake.access import logger_password
from pitscribe.intake.keyring import Keyring

PLACEHOLDER = "change me"  # the password in config.example.json
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is taken for another; as the firmware makes its own
_KEY, _PIN = 12, 6
_OWN = ("secret",), ("hotspot", "key"), ("hotspot", "pin")  # what is kept from settings that were there


def read_settings(path: Path) -> dict[str, Any]:
    """The settings in a file, as ``config.json`` has them. Raises ConfigError."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 text (byte {error.start})") from error
    try:
        found = json.loads(text)
    except ValueError as error:
        raise ConfigError(f"{path}: {error}") from None
    if not isinstance(found, dict):
        raise ConfigError(f"{path}: not an object with settings; firmware_mpy/config.example.json is one")
    if where := _placeholder(found):
        raise ConfigError(f"{path}: {where} is still {PLACEHOLDER!r}; put the true one there, or leave that part out")
    return found


def _placeholder(value: Any, where: str = "") -> str | None:
    parts: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        parts = [(f"{where}.{key}" if where else key, part) for key, part in value.items()]
    elif isinstance(value, list):
        parts = [(f"{where}[{number}]", part) for number, part in enumerate(value)]
    elif value == PLACEHOLDER:
        return where
    return next((found for name, part in parts if (found := _placeholder(part, name))), None)


def ask_settings(config: Config) -> dict[str, Any]:
    """Ask for what a logger cannot guess; the rest are its defaults. Raises ConfigError where nobody can answer."""
    if not sys.stdin.isatty():
        raise ConfigError("the board has no settings yet and nobody can be asked here: name a file with --settings")
    print("The board has no settings yet. Empty answers take what is in brackets.")
    settings: dict[str, Any] = {"name": _ask("name of the logger", "logger"), "units": config.units}
    ssid = _ask("Wi-Fi network, empty for none", "")
    if ssid:
        settings["wifi"] = [{"ssid": ssid, "password": getpass.getpass("its password (not shown): ")}]
        settings["broker"] = _ask_broker(config)
    return settings


def _ask_broker(config: Config) -> dict[str, Any]:
    ours = config.broker.host is None
    if config.broker.tls:
        raise ConfigError("your broker wants TLS, so a certificate on the board: name settings with --settings")
    host = _ask("address of the broker, empty for none", (_own_address() if ours else config.broker.host) or "")
    if not host:
        return {}
    said = {"host": host, "port": config.broker.port}
    if ours:
        return said  # the logger's own user and password follow from its secret: ``whole_settings``
    # Never the host's: who takes that from a stolen board could speak as the host, and as every logger.
    user = _ask("the logger's own user there, empty for none", "")
    return {**said, "user": user, "password": getpass.getpass("its password (not shown): ")} if user else said


def _ask(what: str, default: str) -> str:
    return input(f"{what} [{default}]: ").strip() or default


def _own_address() -> str | None:
    """This machine's address in its network: that of the way out; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(("192.0.2.1", 9))  # RFC 5737: an address for documentation
            address = str(way.getsockname()[0])
        except OSError:
            return None
    return None if ipaddress.ip_address(address).is_loopback else address


def whole_settings(
    given: dict[str, Any], kept: dict[str, Any], logger: int, keyring: Keyring, *, own_broker: bool
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return settings with all passwords of the logger's own, and those that were made here, by name.

    ``kept`` are the settings that the board had: their secret, key and PIN stay where ``given`` has none. The secret is
    in the keyring when this returns, so that the host has it before the logger asks for it. ``own_broker``: of the
    broker that `pitscribe serve` runs a logger has its own user and password. Raises ConfigError.
    """
    settings: dict[str, Any] = json.loads(json.dumps(given))
    hotspot = settings.setdefault("hotspot", {})
    if not isinstance(hotspot, dict):
        raise ConfigError("settings: hotspot must be an object")
    for path in _OWN:
        into, before = (settings, kept) if len(path) == 1 else (hotspot, kept.get("hotspot"))
        if not into.get(path[-1]) and isinstance(before, dict) and before.get(path[-1]):
            into[path[-1]] = before[path[-1]]
    made = {}
    if not hotspot.get("key"):
        made["key of its own network"] = hotspot["key"] = "".join(secrets.choice(_LETTERS) for _ in range(_KEY))
    if not hotspot.get("pin"):
        made["PIN of its page"] = hotspot["pin"] = "".join(secrets.choice("0123456789") for _ in range(_PIN))
    if settings.get("secret"):
        keyring.set(logger, str(settings["secret"]))
    else:
        settings["secret"] = keyring.secret_of(logger) or keyring.set(logger)
    broker = settings.get("broker")
    if own_broker and isinstance(broker, dict) and broker.get("host") and not broker.get("user"):
        broker |= {"user": f"{logger:08x}", "password": logger_password(str(settings["secret"]), logger)}
    return settings, made
