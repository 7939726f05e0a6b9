"""A home for the tests of ``pitscribe check``, and what the command finds in it."""

import json
from pathlib import Path
from typing import Any

from page_world import make_world
from servers import free_port

from pitscribe.cli import main

SETTINGS = "[host]\ntrust_clock = true\n"


class Home:
    """A home in which all is well, until a test breaks something of it."""

    def __init__(self, folder: Path, capsys: Any) -> None:
        self.path = folder / "home"
        self.path.mkdir(mode=0o700)
        self._capsys = capsys
        self.broker_port, self.page_port = free_port(), free_port()
        self.broker, self.page, self.more = "", "", ""
        self.settings()

    def settings(self, broker: str = "", page: str = "", more: str = "") -> None:
        """Write the settings: what is added under [broker], under [page], and behind them."""
        ports = (f"[broker]\nport = {self.broker_port}\n{broker}\n", f"[page]\nport = {self.page_port}\n{page}\n")
        file = self.path / "pitscribe.toml"
        file.write_text("".join(ports) + SETTINGS + more)
        file.chmod(0o600)

    def cook(self, *, ended: bool = True, **state: object) -> Any:
        """A ledger with half an hour of a cook; its world, the ledger open."""
        world = make_world(self.path, hours=0.5)
        world.state(**state)
        if ended:
            world.ledger.end_cook(world.cook.id)
        return world

    def check(self, *words: str) -> "Found":
        """What ``pitscribe check`` finds now."""
        self._capsys.readouterr()
        status = main(["--home", str(self.path), "check", "--json", *words])
        return Found(status, json.loads(self._capsys.readouterr().out)["found"])


class Found:
    """What was found, and the exit status."""

    def __init__(self, status: int, found: list[dict[str, str]]) -> None:
        self.status, self.all = status, found

    def of(self, looked_at: str) -> tuple[str, str, str]:
        """(verdict, what was said, what to do) of the gravest that was said of something."""
        order = ("wrong", "look", "not looked at", "ok")
        some = [f for f in self.all if f["looked_at"] == looked_at or f["looked_at"].startswith(f"{looked_at} (")]
        assert some, f"nothing was said of {looked_at!r}: {[one['looked_at'] for one in self.all]}"
        one = min(some, key=lambda f: order.index(f["verdict"]))
        assert bool(one["remedy"]) or one["verdict"] not in ("wrong", "look"), "what is wrong has a remedy"
        return one["verdict"], one["said"], one["remedy"]

    def verdicts(self, verdict: str) -> list[str]:
        """Of what it was said."""
        return [one["looked_at"] for one in self.all if one["verdict"] == verdict]
