"""The settings of the host: read once, typed, bounded; a key that nobody knows is an error.

``pitscribe.toml`` lies in Pitscribe's home folder beside the ledger. Every key may be left out::

    units = "F"             # or "C": what the command prints; the page has its own switch

    [broker]                # without `host`, pitscribe runs a broker of its own
    host = "192.168.1.10"   # a broker that you run already
    port = 1883
    user = "pitscribe"
    password = "..."
    tls = true              # to that broker; its certificate is verified, for that host
    ca = "ca.pem"           # of its authority, in this folder or anywhere; without it, those that this machine knows
    listen = "0.0.0.0"      # where the broker of its own listens

    [page]
    port = 8421
    listen = "127.0.0.1"    # on this machine only; "0.0.0.0": on the network too, and then it asks for a password
    names = ["pit.home"]    # other names of this machine that the page answers to, without port
    ask_at_home = true      # ask for the password on this machine as well
    certificate = "pit.pem" # with key: the page speaks TLS; both in this folder or anywhere
    key = "pit.key"

    [alerts]
    urls = ["mailto://..."] # where messages go, as Apprise (a general notification library) writes addresses
    kinds = ["fire"]        # which; without it all: `pitscribe alerts show` lists them
    spread = 20             # a greater spread is told, in `units`; without it the spread is not watched

    [mirror]                # a copy for a time-series database, see docs/MIRROR.md; without `url` there is none
    url = "http://192.168.1.10:8086" # a server that takes the Influx v2 write API
    bucket = "pit"
    org = "home"            # if the server asks for one
    token = "mirror.token"  # the file with it, in this folder or anywhere; none: the server lets anybody in
    name = "home"           # of this ledger in the copy; two ledgers in one bucket need two names

    [share]                 # several processes take in together, see docs/SCALE.md; without it there is one
    name = "north"          # of this process; small letters, digits and "-"
    members = ["north", "south", "west"] # all of them, the same in each
    group = "pit"           # a name for them together, the same in each
    keepers = { "a0b1c2d3" = "south" } # loggers that another process is to keep than the one that the rule names

    [neighbours]            # what other programs are told over MQTT, see docs/NEIGHBOURS.md
    discovery = "homeassistant" # a home hub's prefix for MQTT discovery; without it hubs are told nothing

    [host]
    trust_clock = true      # this machine's clock is right, though the system does not say so (or cannot)
"""

import os
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pitscribe.errors import ConfigError

FILE_NAME = "pitscribe.toml"
_NAME, _LOGGER = re.compile("[a-z0-9-]{1,32}"), re.compile("[0-9a-f]{8}")
_SECRET = ("broker.password", "alerts.urls", "mirror.url", "mirror.token")  # what they are stands in no message
_KINDS = {
    str: "a text in quotation marks", int: "a whole number", bool: "true or false", list: "a list in [ ]",
    dict: "a table in { }",
}
KEYS = (
    "units", "broker.host", "broker.port", "broker.user", "broker.password", "broker.tls", "broker.ca", "broker.listen",
    "page.port", "page.listen", "page.names", "page.ask_at_home", "page.certificate", "page.key", "alerts.urls",
    "alerts.kinds", "alerts.spread", "mirror.url", "mirror.bucket", "mirror.org", "mirror.token", "mirror.name",
    "share.name", "share.members", "share.group", "share.keepers", "neighbours.discovery", "host.trust_clock",
)


@dataclass(frozen=True, slots=True)
class BrokerConfig:
    """Which broker. ``host`` None means: run one ourselves, listening at ``listen``."""

    host: str | None = None
    port: int = 1883
    user: str | None = None
    password: str | None = None
    listen: str = "0.0.0.0"
    tls: bool = False
    ca: Path | None = None


@dataclass(frozen=True, slots=True)
class PageConfig:
    """Where the page is, and what its door asks. ``tls``: the files of a certificate and of its key."""

    port: int = 8421
    listen: str = "127.0.0.1"
    names: tuple[str, ...] = ()
    ask_at_home: bool = False
    tls: tuple[Path, Path] | None = None


@dataclass(frozen=True, slots=True)
class AlertsConfig:
    """What is told to whom. ``kinds`` None: all;  ``spread_k`` None: the spread is not watched."""

    urls: tuple[str, ...] = ()
    kinds: tuple[str, ...] | None = None
    spread_k: float | None = None


@dataclass(frozen=True, slots=True)
class MirrorConfig:
    """The server that is mirrored to. ``token``: the file that has it;  ``name``: of this ledger there."""

    url: str
    bucket: str
    org: str = ""
    token: Path | None = None
    name: str = "home"


@dataclass(frozen=True, slots=True)
class ShareConfig:
    """The processes that take in together, and which this one is. ``keepers``: by the loggers' numbers."""

    name: str
    members: tuple[str, ...]
    group: str = "pit"
    keepers: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Config:
    """All settings, with the folder that everything is kept in."""

    home: Path
    units: str = "F"
    broker: BrokerConfig = BrokerConfig()
    page: PageConfig = PageConfig()
    alerts: AlertsConfig = AlertsConfig()
    mirror: MirrorConfig | None = None
    share: ShareConfig | None = None
    discovery: str | None = None  # the prefix of a home hub's MQTT discovery; None: off
    trust_clock: bool = False

    def folder(self) -> Path:
        """The home folder, made if it is missing, for its owner alone."""
        try:
            self.home.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            raise ConfigError(f"{self.home}: {error.strerror}; name another folder with --home") from error
        return self.home


def default_home() -> Path:
    """PITSCRIBE_HOME, or the place for a user's data by the XDG base directory specification."""
    if named := os.environ.get("PITSCRIBE_HOME"):
        return Path(named)
    data = os.environ.get("XDG_DATA_HOME")
    return Path(data) / "pitscribe" if data else Path.home() / ".local" / "share" / "pitscribe"


def read_config(home: Path | None) -> Config:
    """Read ``pitscribe.toml`` in ``home``, if there is one.

    Raises ConfigError naming the file and the key.
    """
    home = home or default_home()
    path = home / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8") if path.exists() else ""
    except OSError as error:
        raise ConfigError(f"{error.filename}: {error.strerror}; name another folder with --home") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 text (byte {error.start})") from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path}: {error}") from error
    return _Reader(path, table).config(home)


class _Reader:
    """Takes keys out of the parsed table one by one; whatever is left at the end was a typo."""

    def __init__(self, path: Path, table: dict[str, Any]) -> None:
        self._path = path
        self._table = table

    def config(self, home: Path) -> Config:
        names = ("broker", "page", "alerts", "mirror", "share", "neighbours", "host")
        broker, page, alerts, mirror, shared, neighbours, host = (self._section(name) for name in names)
        if "host" not in broker and (stray := {"user", "password", "tls", "ca"} & broker.keys()):
            raise ConfigError(
                f"{self._path}: broker.{min(stray)} is for a broker that you run already: name it with broker.host "
                "(the broker of our own makes its password itself)"
            )
        ca = self._take(broker, "ca", str, None, "broker.")
        units = self._take(self._table, "units", str, "F")
        if units not in ("F", "C"):
            raise ConfigError(f'{self._path}: units = "{units}": must be "F" or "C"')
        if shared and "host" not in broker:
            raise ConfigError(f"{self._path}: [share] wants a broker that all reach: name it with broker.host")
        share = self._share(shared)
        config = Config(
            home=home,
            units=units,
            broker=BrokerConfig(
                host=self._take(broker, "host", str, None, "broker."),
                port=self._port(broker, 1883, "broker."),
                user=self._take(broker, "user", str, None, "broker."),
                password=self._take(broker, "password", str, None, "broker."),
                listen=self._take(broker, "listen", str, "0.0.0.0", "broker."),
                tls=self._take(broker, "tls", bool, False, "broker."),
                ca=None if ca is None else home / ca,
            ),
            page=self._page(page, home),
            alerts=self._alerts(alerts, units),
            mirror=self._mirror(mirror, home, "home" if share is None else share.name),
            share=share,
            discovery=self._discovery(neighbours),
            trust_clock=self._take(host, "trust_clock", bool, False, "host."),
        )
        rests = zip(names, (broker, page, alerts, mirror, shared, neighbours, host), strict=True)
        for name, rest in (("", self._table), *((f"{name}.", rest) for name, rest in rests)):
            if rest:
                raise ConfigError(f"{self._path}: unknown key {name}{min(rest)}; known are {', '.join(KEYS)}")
        return config

    def _page(self, page: dict[str, Any], home: Path) -> PageConfig:
        names = self._take(page, "names", list, [], "page.")
        if not all(isinstance(name, str) and name and ":" not in name for name in names):
            raise ConfigError(f"{self._path}: page.names must be host names in quotation marks, without port")
        certificate, key = (self._take(page, name, str, None, "page.") for name in ("certificate", "key"))
        if (certificate is None) != (key is None):
            raise ConfigError(f"{self._path}: page.certificate and page.key belong together: give both or neither")
        return PageConfig(
            port=self._port(page, 8421, "page."),
            listen=self._take(page, "listen", str, "127.0.0.1", "page."),
            names=tuple(names),
            ask_at_home=self._take(page, "ask_at_home", bool, False, "page."),
            tls=None if certificate is None else (home / certificate, home / key),
        )

    def _mirror(self, mirror: dict[str, Any], home: Path, default: str) -> MirrorConfig | None:
        if not mirror:
            return None
        url, bucket, org, token, name = (
            self._take(mirror, key, str, None, "mirror.") for key in ("url", "bucket", "org", "token", "name")
        )
        if not url or not bucket:
            raise ConfigError(f"{self._path}: a mirror needs mirror.url and mirror.bucket")
        if "@" in url.partition("?")[0]:
            raise ConfigError(f"{self._path}: mirror.url holds a password: put it into a file, named by mirror.token")
        if not url.startswith(("http://", "https://")):
            raise ConfigError(f'{self._path}: mirror.url = "{url}": must begin with http:// or https://')
        return MirrorConfig(url, bucket, org or "", None if token is None else home / token, name or default)

    def _share(self, share: dict[str, Any]) -> ShareConfig | None:
        if not share:
            return None
        name = self._take(share, "name", str, "", "share.")
        group = self._take(share, "group", str, "pit", "share.")
        members = self._take(share, "members", list, [], "share.")
        keepers = self._take(share, "keepers", dict, {}, "share.")
        if not all(isinstance(one, str) and _NAME.fullmatch(one) for one in (name, group, *members)):
            raise ConfigError(
                f"{self._path}: share.name, share.group and share.members must be names of 1 to 32 small letters, "
                'digits and "-"'
            )
        if name not in members or len(set(members)) != len(members):
            raise ConfigError(f"{self._path}: share.members must name all processes once, {name!r} among them")
        for logger, keeper in keepers.items():
            if not _LOGGER.fullmatch(logger) or keeper not in members:
                raise ConfigError(
                    f"{self._path}: share.keepers: {logger} = {keeper!r}: must be a logger's 8 hex digits and a member"
                )
        return ShareConfig(name, tuple(members), group, {int(logger, 16): keeper for logger, keeper in keepers.items()})

    def _discovery(self, neighbours: dict[str, Any]) -> str | None:
        prefix: str | None = self._take(neighbours, "discovery", str, None, "neighbours.")
        if prefix is not None and (set(prefix) & set("+#\0") or prefix.strip("/").split("/")[0] in ("", "pitscribe")):
            raise ConfigError(
                f'{self._path}: neighbours.discovery = "{prefix}": must be the beginning of a topic that is none of '
                'ours, without + and #, mostly "homeassistant"; leave it out for none'
            )
        return None if prefix is None else prefix.strip("/")

    def _alerts(self, alerts: dict[str, Any], units: str) -> AlertsConfig:
        urls, kinds = (self._take(alerts, name, list, None, "alerts.") for name in ("urls", "kinds"))
        for name, texts in (("urls", urls), ("kinds", kinds)):
            if not all(isinstance(text, str) and text for text in texts or ()):
                raise ConfigError(f"{self._path}: alerts.{name} must be texts in quotation marks")
        if urls and self._path.stat().st_mode & 0o077:
            raise ConfigError(f"{self._path}: others can read it, and alerts.urls may hold passwords; chmod 600 it")
        spread = self._take(alerts, "spread", int, None, "alerts.")
        if spread is not None and spread <= 0:
            raise ConfigError(f"{self._path}: alerts.spread = {spread}: must be more than 0 {units}")
        spread_k = None if spread is None else spread / (1.8 if units == "F" else 1.0)
        return AlertsConfig(tuple(urls or ()), None if kinds is None else tuple(kinds), spread_k)

    def _section(self, name: str) -> dict[str, Any]:
        section = self._table.pop(name, {})
        if not isinstance(section, dict):
            raise ConfigError(f"{self._path}: {name} must be a table: [{name}]")
        return section

    def _take(self, table: dict[str, Any], key: str, kind: type, default: Any, section: str = "") -> Any:
        value = table.pop(key, default)
        if value is not default and (not isinstance(value, kind) or isinstance(value, bool) != (kind is bool)):
            shown = "" if f"{section}{key}" in _SECRET else f", not {value!r}"
            raise ConfigError(f"{self._path}: {section}{key} must be {_KINDS[kind]}{shown}")
        return value

    def _port(self, table: dict[str, Any], default: int, section: str) -> int:
        port: int = self._take(table, "port", int, default, section)
        if not 0 <= port <= 65535:
            raise ConfigError(f"{self._path}: {section}port = {port}: must be 0 (any free one) to 65535")
        return port
