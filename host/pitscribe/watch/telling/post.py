"""The post: sends a message to wherever a person said, through Apprise.

Apprise takes some 37 MB of memory (measured), so it is loaded with the first message that somebody is to get. An
address may hold a password: none is ever put into a log or an error.
"""

import logging
from collections.abc import Sequence
from typing import Any

from pitscribe.errors import ConfigError

PATIENCE_S = 20.0  # with a server that takes a connection and says nothing
_QUIET = ("apprise", "urllib3", "requests")  # their logs name addresses


class Post:
    """``send()`` a message to all addresses."""

    def __init__(self, urls: Sequence[str]) -> None:
        """``urls``: as Apprise has them. Raises ConfigError if one is not of a kind that it knows: by its number."""
        self._urls = tuple(urls)
        self._apprise: Any = None

    def check(self) -> None:
        """Load Apprise, and look at every address; nothing is sent. Raises ConfigError."""
        for name in _QUIET:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        try:
            import apprise
        except ImportError as error:
            raise ConfigError("alerts go through apprise, which is not installed: run ./host/run again") from error
        asset = apprise.AppriseAsset(app_id="Pitscribe", app_desc="Pitscribe", app_url="", async_mode=False)
        made = apprise.Apprise(asset=asset)
        for number, url in enumerate(self._urls, 1):
            if not made.add(_patient(url)):
                raise ConfigError(f"alerts.urls: the address number {number} is of no kind that apprise knows")
        self._apprise = made

    def send(self, title: str, text: str) -> bool:
        """Whether every address took it. Never raises for a server; ConfigError as ``check``."""
        if self._apprise is None:
            self.check()
        try:
            return bool(self._apprise.notify(title=title, body=text, body_format="text"))
        except Exception:  # a plug-in of a general library: whatever it is, the message was not taken
            return False


def _patient(url: str) -> str:
    """The address with time limits, unless it has some: apprise's ``cto`` and ``rto`` [s]."""
    if "cto=" in url or "rto=" in url:
        return url
    return f"{url}{'&' if '?' in url else '?'}cto={PATIENCE_S:.0f}&rto={PATIENCE_S:.0f}"
