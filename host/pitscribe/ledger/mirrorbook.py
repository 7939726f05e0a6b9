"""How far the mirror has come, in the ledger: blocks of an hour that were written into a time-series database."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from pitscribe.ledger.store import Store, plain_text
from pitscribe.wire.frames import EVENT, TICKS


class BlockName(NamedTuple):
    """An hour (since 1970, UTC) of one series, which is named as in line protocol: measurement and tags."""

    series: str
    hour: int


class Block(NamedTuple):
    """What was written of an hour: how many points, their checksum, and whether they were read back and found."""

    points: int
    digest: int
    sure: bool


@dataclass(frozen=True, slots=True)
class MirrorRow:
    """One server that is, or was, mirrored to. Times in ms UTC; None: never, or not now."""

    id: int
    address: str
    again: int  # grows when all is to be looked at again
    right_ms: int | None
    trouble: str | None
    trouble_ms: int | None


class MirrorCount(NamedTuple):
    """How much was written of a cook, and how much of that was read back and found."""

    blocks: int
    points: int
    sure_points: int


class Mirrorbook(Store):
    """The part of the ledger that knows what is in a mirror."""

    def mirror(self, address: str) -> MirrorRow:
        """The row of a server, made if there is none."""
        if row := self.known_mirror(address):
            return row
        with self._write() as db:
            db.execute("INSERT INTO mirrors (address) VALUES (?) ON CONFLICT DO NOTHING", (address,))
            row = self.known_mirror(address)
            assert row is not None
            return row

    def known_mirror(self, address: str) -> MirrorRow | None:
        """The row of a server, None if nothing was ever mirrored to it."""
        sql = "SELECT id, address, again, right_ms, trouble, trouble_ms FROM mirrors WHERE address = ?"
        return next((MirrorRow(*row) for row in self._read(sql, (address,))), None)

    def mirror_again(self, mirror_id: int) -> None:
        """Have all that was written looked at again."""
        with self._write() as db:
            db.execute("UPDATE mirror_blocks SET sure = 0 WHERE mirror_id = ?", (mirror_id,))
            db.execute("UPDATE mirrors SET again = again + 1 WHERE id = ?", (mirror_id,))

    def mirror_is(self, mirror_id: int, trouble: str | None) -> None:
        """Say how it goes: well as of now, or what is wrong."""
        with self._write() as db:
            if trouble is None:
                sql = "UPDATE mirrors SET right_ms = ?, trouble = NULL, trouble_ms = NULL WHERE id = ?"
                db.execute(sql, (self.now_ms(), mirror_id))
            else:
                sql = "UPDATE mirrors SET trouble = ?, trouble_ms = coalesce(trouble_ms, ?) WHERE id = ?"
                db.execute(sql, (plain_text(trouble[:1000]), self.now_ms(), mirror_id))

    def mirror_blocks(self, mirror_id: int, cook_id: int) -> dict[BlockName, Block]:
        """What was written of a cook."""
        sql = "SELECT series, hour, points, digest, sure FROM mirror_blocks WHERE mirror_id = ? AND cook_id = ?"
        rows = self._read(sql, (mirror_id, cook_id))
        return {BlockName(*row[:2]): Block(row[2], row[3], bool(row[4])) for row in rows}

    def keep_blocks(self, mirror_id: int, cook_id: int, blocks: Mapping[BlockName, Block]) -> None:
        """Write down how far each of some blocks is, in one commit."""
        sql = (
            "INSERT INTO mirror_blocks (mirror_id, cook_id, series, hour, points, digest, sure) "
            "VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET cook_id = excluded.cook_id, "
            "points = excluded.points, digest = excluded.digest, sure = excluded.sure"
        )
        with self._write() as db:
            db.executemany(sql, [(mirror_id, cook_id, *name, *block) for name, block in blocks.items()])

    def drop_blocks(self, mirror_id: int, names: Iterable[BlockName]) -> None:
        """Forget blocks of which nothing is in the server any more."""
        sql = "DELETE FROM mirror_blocks WHERE mirror_id = ? AND series = ? AND hour = ?"
        with self._write() as db:
            db.executemany(sql, [(mirror_id, *name) for name in names])

    def mirrored_cooks(self, mirror_id: int) -> dict[int, MirrorCount]:
        """How much was written of each cook, those that were taken away since among them."""
        sql = (
            "SELECT cook_id, count(*), total(points), total(points * sure) FROM mirror_blocks WHERE mirror_id = ? "
            "GROUP BY cook_id ORDER BY cook_id"
        )
        return {int(row[0]): MirrorCount(*map(int, row[1:])) for row in self._read(sql, (mirror_id,))}

    def frames_within(self, logger: int, boot: int, uptime_range: tuple[int, int]) -> tuple[int, int, int]:
        """(how many frames of a boot, events among them, reach into these ms of uptime, the newest one's row or 0, and
        the last uptime of any or -1)."""
        sql = (
            "SELECT count(*), coalesce(max(id), 0), coalesce(max(last_uptime_ms), -1) FROM frames "
            "WHERE logger = ? AND boot = ? AND kind IN (?, ?) AND uptime_ms <= ? AND last_uptime_ms >= ?"
        )
        count, newest, last_ms = self._read(sql, (logger, boot, TICKS, EVENT, uptime_range[1], uptime_range[0]))[0]
        return int(count), int(newest), int(last_ms)
