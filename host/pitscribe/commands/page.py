"""``pitscribe page link``: a one-time link that sets the page's password."""

import argparse
import time

from pitscribe.config import Config, PageConfig
from pitscribe.errors import ConfigError
from pitscribe.listening import is_loopback
from pitscribe.page.door.door import link_of, own_names
from pitscribe.page.door.lock import Lock


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Print a link; the one before it is void, the password stays until the new one is set."""
    page = config.page
    if is_loopback(page.listen) and not page.ask_at_home:
        raise ConfigError(
            f"the page listens at {page.listen} only and asks nobody; to open it from other machines, put "
            'listen = "0.0.0.0" under [page] in pitscribe.toml'
        )
    print("This link sets the page's password, once, within the hour. Whoever has it may; all sessions end then.\n")
    print(f"    {link_for(page, page.port, Lock(config.folder()), time.time())}\n")


def link_for(page: PageConfig, port: int, lock: Lock, now: float) -> str:
    """A one-time link to the page. ``port``: the one that it has; ``now``: s."""
    return link_of(bases_of(page, port)[0], lock.new_link(now))


def bases_of(page: PageConfig, port: int) -> list[str]:
    """Where others find the page, the surest address first."""
    scheme = "http" if page.tls is None else "https"
    hosts = [*page.names, *(n for n in own_names() if n.endswith(".local"))]
    if is_loopback(page.listen):
        hosts = ["127.0.0.1"]
    elif page.listen not in ("0.0.0.0", "::"):
        hosts = [f"[{page.listen}]" if ":" in page.listen else page.listen, *hosts]
    return [f"{scheme}://{host}:{port}/" for host in hosts or ["127.0.0.1"]]
