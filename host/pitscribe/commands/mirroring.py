"""The mirror that the settings name, for ``serve`` and for ``pitscribe mirror``."""

from typing import TYPE_CHECKING

from pitscribe.config import MirrorConfig
from pitscribe.errors import ConfigError
from pitscribe.private import read_private

if TYPE_CHECKING:
    from pitscribe.mirror.server import Address


def address_of(config: MirrorConfig) -> "Address":
    """Where the mirror is. ConfigError if the file of its token is missing, or others can read it."""
    from pitscribe.mirror.server import Address  # 27 MB with the library under it: only where somebody has a mirror

    token: str | None = ""
    if config.token is not None:
        token = read_private(config.token, "the mirror's token is there")
        if token is None:
            raise ConfigError(f"{config.token}: there is no such file; put the mirror's token there, chmod 600")
    return Address(config.url, config.org, config.bucket, (token or "").strip(), lambda: address_of(config))
