"""``pitscribe mirror``: how the copy in a time-series database goes, looking at all of it anew, and comparing it."""

import argparse
import dataclasses
import json
import time

from pitscribe.commands.homelock import only_host
from pitscribe.commands.ledgers import open_ledger, read_ledger
from pitscribe.commands.mirroring import address_of
from pitscribe.commands.when import local
from pitscribe.config import Config, MirrorConfig
from pitscribe.errors import ConfigError, MirrorError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.mirrorbook import MirrorCount

FAST_S = 1.0  # between passes of a backfill


def run(config: Config, arguments: argparse.Namespace) -> int:
    """One of: status, backfill, check. Returns the exit status: 1 if a check found a difference."""
    if config.mirror is None:
        raise ConfigError(f"{config.home / 'pitscribe.toml'} has no [mirror]: see docs/MIRROR.md for what it wants")
    return ACTIONS[arguments.action](config, config.mirror, arguments)


def _status(config: Config, mirror: MirrorConfig, arguments: argparse.Namespace) -> int:
    address = address_of(mirror)
    with read_ledger(config) as ledger:
        row = ledger.known_mirror(address.key)
        counts = {} if row is None else ledger.mirrored_cooks(row.id)
        cooks = {cook.id: cook.name for cook in ledger.cooks()}
    if arguments.json:
        told = None if row is None else dataclasses.asdict(row)
        of = {str(cook): count._asdict() for cook, count in counts.items()}
        print(json.dumps({"url": mirror.url, "bucket": mirror.bucket, "mirror": told, "cooks": of}))
        return 0
    print(f"mirror   {mirror.url}, bucket {mirror.bucket}, as {mirror.name!r}")
    if row is None:
        print("         nothing has been mirrored yet: pitscribe serve does it, or pitscribe mirror backfill")
        return 0
    print(f"well     {'never yet' if row.right_ms is None else 'last at ' + local(row.right_ms / 1000)}")
    if row.trouble is not None and row.trouble_ms is not None:
        print(f"trouble  since {local(row.trouble_ms / 1000)}: {row.trouble}")
    for cook_id, name in sorted(cooks.items()):
        count = counts.get(cook_id, MirrorCount(0, 0, 0))
        print(f"  {cook_id:4} {name}: {count.points} points written, {count.sure_points} of them read back and found")
    return 0


def _backfill(config: Config, mirror: MirrorConfig, arguments: argparse.Namespace) -> int:
    address = address_of(mirror)
    with open_ledger(config) as ledger:
        ledger.mirror_again(ledger.mirror(address.key).id)
        try:
            with only_host(config.home):
                return _bring_all(ledger, mirror)
        except StoreError as error:
            if "is served already" not in str(error):
                raise
        print("pitscribe serve is running here, and looks at all cooks again now; see: pitscribe mirror status")
        return 0


def _bring_all(ledger: Ledger, config: MirrorConfig) -> int:
    from pitscribe.mirror.mirror import Mirror, Pace

    mirror = Mirror(ledger, address_of(config), config.name, pace=Pace(every_s=FAST_S, share=1.0))
    told = -1
    try:
        while not mirror.done:
            wait = mirror.step()
            if mirror.trouble is not None:
                raise MirrorError(mirror.trouble.text)
            if mirror.written != told:
                told = mirror.written
                print(f"{told} points written", flush=True)
            time.sleep(wait)
        print(f"all cooks are there{', read back and found' if mirror.reads else ''}")
    finally:
        mirror.stop()
    return 0


def _check(config: Config, mirror: MirrorConfig, arguments: argparse.Namespace) -> int:
    from pitscribe.mirror.check import check
    from pitscribe.mirror.connect import connect

    address = address_of(mirror)
    with open_ledger(config) as ledger:
        cooks = ledger.cooks() if arguments.cook is None else [ledger.cook(arguments.cook)]
        mirror_id = ledger.mirror(address.key).id
        server = connect(address)
        try:
            if not server.reads:
                raise MirrorError(f"{address.url} is {server.kind}: what it holds cannot be read back")
            found = [one for cook in reversed(cooks) for one in check(ledger, mirror_id, server, cook, mirror.name)]
        finally:
            server.close()
    differ = [one for one in found if not one.same]
    if arguments.json:
        print(json.dumps([one.as_json() for one in found]))
        return int(bool(differ))
    for one in found if arguments.cook is not None else differ:
        sums = f"{one.ours} {'=' if one.ours == one.theirs else '/'} {one.theirs}"
        print(f"  {one.series}: {one.found} of {one.points}, {one.doubled} twice, {one.wrong_hours} h wrong, {sums}")
    points, there, twice = (sum(getattr(one, name) for one in found) for name in ("points", "found", "doubled"))
    print(f"{len(found)} series, {len(differ)} differ; points {points}, found {there}, lost {points - there}, "
          f"doubled {twice}")
    return int(bool(differ))


ACTIONS = {"status": _status, "backfill": _backfill, "check": _check}
