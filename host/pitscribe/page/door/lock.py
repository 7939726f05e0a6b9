"""The lock of the page: a password's hash, the key that signs sessions, and a one-time link to set the password.

They are in ``door.json`` in the home folder, for its owner alone, beside the loggers' secrets and, like them, not in
the ledger, which is copied and handed to others.
"""

import base64
import hashlib
import hmac
import json
import secrets
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pitscribe.errors import ConfigError
from pitscribe.private import read_private, write_private

FILE_NAME = "door.json"
SHORTEST, LONGEST = 10, 200  # characters of a password; NIST SP 800-63B asks for 8 at least and no rules beside
LINK_S = 3600.0
# RFC 7914's scrypt; 16 MiB (128 N r) a try: a Raspberry Pi does one in a fraction of a second, a guesser no more.
COST = {"n": 2**14, "r": 8, "p": 1}
_HASH_BYTES = 32
_TURN = threading.Lock()  # one try at a time: a crowd of guesses does not take the memory of a small computer


@dataclass(frozen=True, slots=True)
class _Kept:
    """What ``door.json`` holds. ``hashed`` and ``link`` (hash, until UTC s) are None where there is none."""

    key: str
    round: int = 0  # grows with each new password: sessions of an earlier one end
    hashed: dict[str, Any] | None = None
    link: tuple[str, float] | None = None


class Lock:
    """The lock in a home folder. Every method may raise ConfigError if its file cannot be read, or others can."""

    def __init__(self, home: Path) -> None:
        self._path = home / FILE_NAME
        self._writing = threading.Lock()

    @property
    def has_password(self) -> bool:
        """Whether somebody has set a password."""
        return self._read().hashed is not None

    def signing(self) -> tuple[str, int]:
        """The key that sessions are signed with, and the round that they belong to."""
        kept = self._read()
        return kept.key, kept.round

    def opens(self, password: str) -> bool:
        """Whether it is the password; as slow for a wrong one as for the right one."""
        hashed = self._read().hashed
        if hashed is None or len(password) > LONGEST:
            return False
        return hmac.compare_digest(_hash(password, hashed), base64.b64decode(hashed["hash"]))

    def new_link(self, now: float) -> str:
        """A word that sets a new password once, within the hour. What was handed out before is void."""
        word = secrets.token_urlsafe(24)
        with self._writing:
            self._write(replace(self._read(), link=(_digest(word), now + LINK_S)))
        return word

    def takes(self, word: str, now: float) -> bool:
        """Whether a link's word is good now."""
        link = self._read().link
        return link is not None and now <= link[1] and hmac.compare_digest(_digest(word).encode(), link[0].encode())

    def set_password(self, password: str, word: str, now: float) -> None:
        """Set the password by a link's word, which is used up; all sessions end.

        Raises ConfigError if the word is not good or the password too short or long.
        """
        if not SHORTEST <= len(password) <= LONGEST:
            raise ConfigError(f"a password needs {SHORTEST} to {LONGEST} characters; a few words do well")
        with self._writing:
            if not self.takes(word, now):
                raise ConfigError("this link was used, or is older than an hour; make one with: pitscribe page link")
            hashed: dict[str, Any] = {**COST, "salt": base64.b64encode(secrets.token_bytes(16)).decode()}
            hashed["hash"] = base64.b64encode(_hash(password, hashed)).decode()
            self._write(replace(self._read(), hashed=hashed, link=None, round=self._read().round + 1))

    def _read(self) -> _Kept:
        text = read_private(self._path, "the page's password is there")
        if text is None:
            with _TURN:  # two first requests at once: one key
                text = read_private(self._path, "the page's password is there")
                if text is None:
                    kept = _Kept(secrets.token_urlsafe(32))
                    self._write(kept)
                    return kept
        try:
            said = json.loads(text)
            return _Kept(str(said["key"]), int(said["round"]), _password(said["hashed"]), _link(said["link"]))
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise ConfigError(
                f"{self._path}: not what Pitscribe wrote ({error}); delete it, and set the page's password anew"
            ) from error

    def _write(self, kept: _Kept) -> None:
        body = {"key": kept.key, "round": kept.round, "hashed": kept.hashed, "link": kept.link}
        write_private(self._path, json.dumps(body, indent=1), "the page's password is to be there")


def _password(said: Any) -> dict[str, Any] | None:
    """A kept password, its parts looked at: a damaged one is found when it is read, not when somebody comes in, and
    asks for no more memory or time than one of ours does."""
    if said is None:
        return None
    salt, kept = (base64.b64decode(said[name], validate=True) for name in ("salt", "hash"))
    if len(salt) < 16 or len(kept) != _HASH_BYTES:
        raise ValueError("half of a password")
    if any(said[name] != much for name, much in COST.items()):
        raise ValueError("a hash that is none of ours")
    return {**said, **COST}


def _link(said: Any) -> tuple[str, float] | None:
    return None if said is None else (str(said[0]), float(said[1]))


def _hash(password: str, cost: dict[str, Any]) -> bytes:
    salt = base64.b64decode(cost["salt"])
    with _TURN:
        return hashlib.scrypt(
            password.encode(), salt=salt, n=cost["n"], r=cost["r"], p=cost["p"], maxmem=2**26, dklen=_HASH_BYTES
        )


def _digest(word: str) -> str:
    return hashlib.sha256(word.encode()).hexdigest()
