"""What is reached over the network: the broker, the page, the mirror."""

import json
import secrets
import socket
import threading
from collections.abc import Iterator
from typing import Any

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from pitscribe.commands.checking.finding import Finding, look, not_looked, ok, wrong
from pitscribe.commands.checking.scene import Scene
from pitscribe.config import BrokerConfig
from pitscribe.errors import PitscribeError
from pitscribe.intake.broker import CREDENTIALS_NAME
from pitscribe.listening import is_loopback
from pitscribe.page.door.lock import FILE_NAME as DOOR_NAME
from pitscribe.page.door.lock import Lock
from pitscribe.wire.messages import every_logger

ANSWER_S = 15.0  # how long something at home may take to answer: our allowance, no source
_EVERYWHERE = ("0.0.0.0", "::", "")


def broker(scene: Scene) -> Iterator[Finding]:
    """Whether the broker takes us: the one that is named, or the one that serve runs."""
    config = scene.config.broker
    if config.host is not None:
        yield _asked(config, "correct host, port, user and password under [broker], or start that broker")
        if config.password is not None and not config.tls and not is_loopback(config.host):
            yield look("broker TLS", "none: who listens on your network can read the password", "give that broker a "
                       "certificate, and say tls = true under [broker]")
    elif not scene.served:
        yield _port("broker", config.listen, config.port, "stop what listens there, or give another port under "
                    "[broker], or name that broker with host")
    else:
        try:
            said = json.loads((scene.home / CREDENTIALS_NAME).read_text(encoding="utf-8"))
            own = BrokerConfig(_near(config.listen), config.port, said["user"], said["password"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            yield not_looked("broker", f"{scene.home / CREDENTIALS_NAME} cannot be read ({error})")
            return
        yield _asked(own, "start serve again; if it was given --broker-port, put that under [broker] port")


def _asked(config: BrokerConfig, remedy: str) -> Finding:
    where = f"{config.host}:{config.port}" + (" (TLS)" if config.tls else "")
    trouble = _refusal(config)
    if trouble is None:
        return ok("broker", f"{where} takes us as {config.user or 'anybody'}")
    return wrong("broker", f"{where}: {trouble}", remedy)


def _refusal(config: BrokerConfig) -> str | None:
    """Why a client of the host's settings is not let in, or may not hear loggers; None: it is, and may.

    A broker may grant what it is asked for and send nothing all the same (mosquitto with an acl_file): that is not
    seen.
    """
    said: list[str] = []
    done = threading.Event()

    def connected(client: paho.Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        if code.is_failure:
            said.append(f"it refuses: {code}")
            done.set()
        else:
            client.subscribe(every_logger("state"), qos=1)

    def subscribed(_client: paho.Client, _data: Any, _id: int, codes: list[ReasonCode], _more: Properties) -> None:
        said.extend(f"we may not hear the loggers: {code}" for code in codes if code.is_failure)
        done.set()

    name = f"pitscribe-check-{secrets.token_hex(6)}"
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=True)
    client.on_connect, client.on_subscribe = connected, subscribed
    client.connect_timeout = ANSWER_S
    if config.user is not None:
        client.username_pw_set(config.user, config.password)
    try:
        if config.tls:
            client.tls_set(None if config.ca is None else str(config.ca))
        client.connect(config.host or "", config.port)
    except (OSError, ValueError) as error:
        return str(error)
    client.loop_start()
    answered = done.wait(ANSWER_S)
    client.disconnect()
    client.loop_stop()
    if not answered:
        return f"it did not answer within {ANSWER_S:.0f} s"
    return said[0] if said else None


def page(scene: Scene) -> Iterator[Finding]:
    """Whether the page answers, or could be had; and what it asks of whom."""
    config = scene.config.page
    if not scene.served:
        yield _port("page", config.listen, config.port, "stop what listens there, or give another port under [page]")
    elif _answers(_near(config.listen), config.port):
        yield ok("page", f"answers at {_near(config.listen)}:{config.port}")
    else:
        yield look("page", f"serve runs, and nothing answers at {_near(config.listen)}:{config.port}", "if serve was "
                   "given --page-port, put that under [page] port; else start it again")
    yield from _door(scene)


def _door(scene: Scene) -> Iterator[Finding]:
    config = scene.config.page
    far = not is_loopback(config.listen)
    if not far and not config.ask_at_home:
        yield ok("password", "the page is for this machine alone, and asks nobody")
        return
    try:
        has = (scene.home / DOOR_NAME).exists() and Lock(scene.home).has_password
    except PitscribeError as error:
        yield not_looked("password", str(error))
        return
    if has:
        yield ok("password", "the page asks for one")
    else:
        yield wrong("password", f"the page listens at {config.listen}, and nobody has set a password", "open the link "
                    "that this prints: pitscribe page link")
    if far and config.tls is None:
        yield look("page TLS", "none: who listens on your network can read the password", "give [page] a certificate "
                   "and a key")


def mirror(scene: Scene) -> Iterator[Finding]:
    """Whether the mirror's server answers us, and how far the copy is."""
    config = scene.config.mirror
    if config is None:
        yield not_looked("mirror", "there is no [mirror] in the settings")
        return
    from pitscribe.commands.mirroring import address_of  # 27 MB with the library under it
    from pitscribe.mirror.connect import connect
    from pitscribe.mirror.points import SeriesName, Stream, counts

    where = f"{config.url}, bucket {config.bucket}"
    try:
        address = address_of(config)
        server = connect(address, ANSWER_S)
        try:
            if server.reads:  # who may read nothing is told so
                name = SeriesName("pitscribe_check", {"ledger": "-"})
                server.held(Stream(name, np.zeros(1, np.int64), {"none": counts(np.zeros(1))}), 0, 1)
        finally:
            server.close()
    except PitscribeError as error:
        yield wrong("mirror", str(error), "correct [mirror], or start that server; the ledger keeps all meanwhile")
        return
    yield ok("mirror", f"{where}: {server.kind} answers")
    if scene.ledger is not None and (row := scene.ledger.known_mirror(address.key)) is not None:
        counts_ = scene.ledger.mirrored_cooks(row.id).values()
        points, sure = sum(c.points for c in counts_), sum(c.sure_points for c in counts_)
        said = f"{points} points written, {sure} of them read back and found"
        if row.trouble is not None:
            yield wrong("mirror's copy", f"{said}; trouble: {row.trouble}", "see: pitscribe mirror status")
        else:
            yield ok("mirror's copy", said)


def _port(looked_at: str, listen: str, port: int, remedy: str) -> Finding:
    """Whether serve could listen there."""
    where = f"{listen or '0.0.0.0'}:{port}"
    family = socket.AF_INET6 if ":" in listen else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_STREAM) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind((listen, port))
            trial.listen(1)
    except OSError as error:
        return wrong(looked_at, f"serve could not listen at {where}: {error.strerror or error}", remedy)
    return ok(looked_at, f"serve can listen at {where}")


def _near(listen: str) -> str:
    """Where this machine reaches what listens there."""
    return "127.0.0.1" if listen in _EVERYWHERE else listen.strip("[]")


def _answers(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), ANSWER_S).close()
    except OSError:
        return False
    return True
