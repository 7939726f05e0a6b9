"""What a check says."""

from typing import Any, NamedTuple

OK, LOOK, WRONG, NOT_LOOKED = "ok", "look", "wrong", "not looked at"
VERDICTS = (OK, LOOK, WRONG, NOT_LOOKED)


class Finding(NamedTuple):
    """One thing that was looked at. verdict : one of ``VERDICTS``;  remedy : what to do, "" where nothing is"""

    verdict: str
    looked_at: str
    said: str
    remedy: str = ""

    def as_json(self, check: str) -> dict[str, Any]:
        """As plain values, with the name of the check."""
        return {"check": check, **self._asdict()}


def ok(looked_at: str, said: str) -> Finding:
    """Nothing is to be done."""
    return Finding(OK, looked_at, said)


def look(looked_at: str, said: str, remedy: str) -> Finding:
    """It works, and a person should look whether it is meant."""
    return Finding(LOOK, looked_at, said, remedy)


def wrong(looked_at: str, said: str, remedy: str) -> Finding:
    """It does not work, or will not, or lets in whom it should not."""
    return Finding(WRONG, looked_at, said, remedy)


def not_looked(looked_at: str, why: str, remedy: str = "") -> Finding:
    """It was not looked at, and why."""
    return Finding(NOT_LOOKED, looked_at, why, remedy)
