"""The checks in their order, and what each needs; one that does not get it says so, and the others go on."""

import os
from collections.abc import Callable, Iterator
from typing import NamedTuple

from pitscribe.commands.checking import certificates, home, loggers, machine, network, record, share
from pitscribe.commands.checking.finding import Finding, not_looked
from pitscribe.commands.checking.scene import Scene
from pitscribe.errors import PitscribeError


class Check(NamedTuple):
    """One check. ``settings``, ``ledger``: whether it means nothing without them."""

    name: str
    run: Callable[[Scene], Iterator[Finding]]
    settings: bool = False
    ledger: bool = False


CHECKS = (
    Check("python", machine.python),
    Check("libraries", machine.libraries),
    Check("memory", machine.memory),
    Check("clock", machine.clock),
    Check("time zone", machine.time_zone),
    Check("settings", home.settings),
    Check("home", home.home),
    Check("secrets", home.secrets),
    Check("serve", home.serving),
    Check("disk", machine.disk),
    Check("ledger", record.ledger),
    Check("frames", record.frames, ledger=True),
    Check("photos", record.photos, ledger=True),
    Check("kept aside", record.aside, ledger=True),
    Check("broker", network.broker, settings=True),
    Check("page", network.page, settings=True),
    Check("certificates", certificates.certificates, settings=True),
    Check("mirror", network.mirror, settings=True),
    Check("share", share.waiting, settings=True, ledger=True),
    Check("loggers", loggers.heard, ledger=True),
    Check("journals", loggers.journals, ledger=True),
    Check("stored", loggers.stored, ledger=True),
    Check("firmware", loggers.firmware, ledger=True),
    Check("wire", loggers.wire, ledger=True),
)


def findings(scene: Scene) -> Iterator[tuple[str, Finding]]:
    """(name of the check, what it found), one after the other."""
    for check in CHECKS:
        for finding in _found(check, scene):
            yield check.name, finding


def _found(check: Check, scene: Scene) -> Iterator[Finding]:
    if check.settings and scene.no_settings is not None:
        yield not_looked(check.name, "the settings cannot be read")
        return
    if check.ledger and scene.ledger is None:
        yield not_looked(check.name, "there is no ledger that can be read")
        return
    try:
        yield from check.run(scene)
    except (PitscribeError, OSError) as error:
        yield not_looked(check.name, str(error))
    except Exception as error:
        if os.environ.get("PITSCRIBE_DEBUG"):
            raise
        yield not_looked(check.name, f"a fault in pitscribe itself: {type(error).__name__}: {error}")
