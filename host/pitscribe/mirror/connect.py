"""Which kind of server answers at an address."""

from pitscribe.mirror.influx import Influx, Influx1
from pitscribe.mirror.server import TIMEOUT_S, Address, Server, refusal
from pitscribe.mirror.victoria import Victoria


def connect(address: Address, timeout_s: float = TIMEOUT_S) -> Server:
    """The server at an address, by what it says of itself. AwayError if none answers, or not to us."""
    plain = Server(address, timeout_s)
    try:
        kind = _kind(plain)
    finally:
        plain.close()
    return kind(address, timeout_s)


def _kind(plain: Server) -> type[Server]:
    # InfluxDB (1.x, 2 and 3) says its version in the head of its answer to a ping.
    ping = plain.look("GET", "/ping")
    if ping.status in (401, 403, 429) or ping.status >= 500:
        raise refusal(ping, plain.address)
    version = ping.headers.get("X-Influxdb-Version")
    if version is not None:
        return Influx1 if _before(version, [1, 8]) else Influx
    answer = plain.look("GET", "/api/v1/export", {"match[]": '{__name__="pitscribe_none"}'})
    if answer.status in (401, 403, 429) or answer.status >= 500:  # who is there now may say nothing of who is later
        raise refusal(answer, plain.address)
    return Victoria if answer.status == 200 else Server


def _before(version: str, wanted: list[int]) -> bool:
    numbers = [int(part) for part in version.lstrip("v").split(".")[:2] if part.isdecimal()]
    return len(numbers) == 2 and numbers < wanted
