"""The secrets that this host shares with its loggers: what it authenticates `stored` and `order` with (WIRE.md 5.1).

They are in a file of their own in the home folder, for its owner alone, and not in the ledger: a ledger is copied,
mirrored and handed to others, and whoever had the secret from it could make a logger let go of what is not stored.
"""

import json
import secrets
from pathlib import Path

from pitscribe.errors import ConfigError
from pitscribe.private import read_private, write_private
from pitscribe.wire.mac import LONGEST, SHORTEST

FILE_NAME = "loggers.json"
_SECRETS = "the loggers' secrets are"


class Keyring:
    """The secrets in the home folder; a file that changes while it is in use is read again."""

    def __init__(self, home: Path) -> None:
        self._path = home / FILE_NAME
        self._seen: tuple[int, int, int] | None = None
        self._secrets: dict[int, str] = {}

    def secret_of(self, logger: int) -> str | None:
        """The secret of a logger, None if it has none.

        Raises ConfigError if the file cannot be read, is none of ours, or others can read it.
        """
        try:
            stat = self._path.stat()
        except FileNotFoundError:
            self._seen, self._secrets = None, {}
            return None
        except OSError as error:
            raise ConfigError(f"{self._path}: {error.strerror}; {_SECRETS} there") from error
        seen = (stat.st_mtime_ns, stat.st_ino, stat.st_mode)
        if seen != self._seen:
            self._secrets, self._seen = self._read(), seen
        return self._secrets.get(logger)

    def set(self, logger: int, secret: str | None = None) -> str:
        """Keep a secret for a logger, a new one if none is given; return it. Raises ConfigError."""
        secret = secrets.token_hex(16) if secret is None else secret
        if not SHORTEST <= len(secret) <= LONGEST or not secret.isprintable():
            raise ConfigError(f"a secret must be {SHORTEST} to {LONGEST} characters that can be printed")
        self.secret_of(logger)
        kept = {f"{number:08x}": text for number, text in {**self._secrets, logger: secret}.items()}
        write_private(self._path, json.dumps(kept, indent=1, ensure_ascii=False), f"{_SECRETS} to be there")
        return secret

    def _read(self) -> dict[int, str]:
        text = read_private(self._path, f"{_SECRETS} there")
        try:
            said = {} if text is None else json.loads(text)
            found = {int(name, 16): text for name, text in said.items()}
            if not all(isinstance(text, str) and SHORTEST <= len(text) <= LONGEST for text in found.values()):
                raise ValueError("secrets must be texts")
            return found
        except (ValueError, AttributeError) as error:
            raise ConfigError(
                f"{self._path}: not what Pitscribe wrote ({error}); mend it, or delete it and give each logger's "
                "secret again with: pitscribe logger secret ID --set TEXT"
            ) from error
