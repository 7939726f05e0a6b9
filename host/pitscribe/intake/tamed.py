"""amqtt's broker with bounds.

What is changed, and why (amqtt 0.12, read in its source, shown in tests/bench/test_broker_soak.py):

* Every session is a clean one. Stock: messages for an absent client that asked for a persistent session are queued in
  memory without bound. A logger's journal and the host's ledger are the queues here; the broker needs none.
* A client that does not read is dropped once it holds back MOST_BEHIND messages and has taken none for STUCK_S.
  Until then, whoever publishes waits. Stock: a task for every message, without bound.
* What comes in is bounded too: a fast publisher waits for its PUBACK, and one that does not wait is read slower.
* The password is asked for before anything else is done. Stock: a CONNECT with another client's name and no password
  already takes that client's subscriptions away.
* A client that is silent for 1.5 times its keep-alive is dropped and its will is sent (MQTT 3.1.1, 3.1.2.10). Stock:
  never; a logger whose plug was pulled would stay "online".
* A new connection under a known name ends the old one first, so that an old will cannot come after a new state.
* A newcomer is sent what is retained under its own subscriptions. Stock: under everybody's.
* What a client sent just before it disconnected is passed on. Stock: confirmed, then forgotten.
* A message is looked up under its topic, and compared with filters that have wildcards. Stock: with everybody's.
* A logger says and hears what is its own (``access``), its last will as well, and ends no other's connection.
* A packet is at most LONGEST_PACKET bytes, a CONNECT must come within CONNECT_S, and MOST_RETAINED topics are retained.
"""

import asyncio
import contextlib
import socket
import time
from typing import Any

from amqtt.adapters import ReaderAdapter, StreamReaderAdapter, StreamWriterAdapter, WriterAdapter
from amqtt.broker import Broker as Amqtt
from amqtt.broker import Server
from amqtt.contexts import Action, BrokerConfig, ListenerConfig
from amqtt.errors import AMQTTError, MQTTError
from amqtt.mqtt.connack import BAD_USERNAME_PASSWORD, ConnackPacket
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.mqtt.publish import PublishPacket
from amqtt.session import Session
from amqtt.utils import gen_client_id

from pitscribe.intake.access import Access, logger_named
from pitscribe.knocks import Knocks

MOST_BEHIND = 1000
STUCK_S = 10.0
MOST_INCOMING = 200  # messages of one client that wait to be passed on
MOST_TO_PASS_ON = 1000
LONGEST_PACKET = 128 * 1024
CONNECT_S = 10.0
WRONG_S = 0.3  # before somebody with a wrong password is told so
MOST_RETAINED = 2000
_LISTENER = "default"


# amqtt tells type checkers nothing: its classes are Any to them, which is what the four "type: ignore" are for.
class _Reader(StreamReaderAdapter):  # type: ignore[misc]
    """Refuses a packet that nobody of ours would send, and reads no faster than what is read can be passed on."""

    handler: "_Handler | None" = None

    async def read(self, n: int = -1) -> bytes:
        if n > LONGEST_PACKET:
            raise ConnectionError(f"a packet of {n} bytes")
        while self.handler is not None and self.handler.incoming >= MOST_INCOMING and not self.handler.gone.is_set():
            await asyncio.sleep(0.005)
        if self._reader.at_eof():
            await asyncio.sleep(0)  # let the tasks of what was read before run: at the end stock cancels them
        data: bytes = await super().read(n)
        return data


class _Writer(StreamWriterAdapter):  # type: ignore[misc]
    """A writer that can be let go of without waiting for the other side."""

    def abort(self) -> None:
        self.is_closed = True
        self._writer.transport.abort()


class _Handler(BrokerProtocolHandler):  # type: ignore[misc]
    """One connection: what it holds back, and when it last took something."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.incoming = 0  # publishes that were read and wait to be passed on
        self.behind = 0
        self.took_at = time.monotonic()
        self.gone = asyncio.Event()

    def attach(self, session: Session, reader: ReaderAdapter, writer: WriterAdapter) -> None:
        super().attach(session, reader, writer)
        if isinstance(reader, _Reader):
            reader.handler = self

    async def handle_publish(self, publish_packet: PublishPacket) -> None:
        self.incoming += 1
        try:
            await super().handle_publish(publish_packet)
        finally:
            self.incoming -= 1

    def handle_read_timeout(self) -> None:
        self.abort()

    def abort(self) -> None:
        if isinstance(self.writer, _Writer):
            self.writer.abort()

    def stuck(self) -> bool:
        return time.monotonic() - self.took_at > STUCK_S


class TamedBroker(Amqtt):  # type: ignore[misc]
    """See the module's text. ``access``: who may come in, and say and hear what;  ``knocks``: tells who may not."""

    def __init__(self, access: Access, knocks: Knocks) -> None:
        super().__init__(BrokerConfig(listeners={_LISTENER: ListenerConfig(bind=None)}, plugins={}))
        self._access, self._knocks = access, knocks
        self._broadcast_queue: asyncio.Queue[dict[str, Any]] = asyncio.Queue(MOST_TO_PASS_ON)
        self._wild: set[str] = set()  # the filters with wildcards; all others are looked up by the topic
        self._open: set[_Writer] = set()
        self.dropped = 0  # clients that were dropped because they did not read

    # life

    async def start_on(self, listening: socket.socket) -> None:
        """Serve on a socket that listens already."""
        await self.start()
        server = await asyncio.start_server(self._connected, sock=listening)
        self._servers[_LISTENER] = Server(_LISTENER, server)

    @property
    def serving(self) -> bool:
        """Whether it takes connections and passes messages on."""
        passing_on = self._broadcast_task is not None and not self._broadcast_task.done()
        return passing_on and all(server.instance.is_serving() for server in self._servers.values())

    async def stop_all(self) -> None:
        """Close everything."""
        for server in self._servers.values():
            server.instance.close()
        for writer in list(self._open):
            writer.abort()
        await self.shutdown()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        adapter = _Writer(writer)
        self._open.add(adapter)
        try:
            await self._client_connected(_LISTENER, _Reader(reader), adapter)
        except Exception:  # whatever a client does, the others are served
            self.logger.debug("client dropped", exc_info=True)
        finally:
            self._open.discard(adapter)
            adapter.abort()

    # who comes in

    async def _initialize_client_session(
        self, reader: ReaderAdapter, writer: WriterAdapter, remote_address: str, remote_port: int
    ) -> tuple[BrokerProtocolHandler, Session]:
        try:
            connecting = BrokerProtocolHandler.init_from_connect(reader, writer, self.plugins_manager)
            _, session = await asyncio.wait_for(connecting, CONNECT_S)
        except (TimeoutError, OSError) as error:
            raise AMQTTError("no CONNECT") from error
        if not await self._authenticate(session, None):
            logger = logger_named(session.username or "")
            self._knocks.wrong(remote_address + (f" as the logger {logger}" if logger else ""))
            await asyncio.sleep(WRONG_S)
            await ConnackPacket.build(0, BAD_USERNAME_PASSWORD).to_stream(writer)
            await writer.close()
            raise MQTTError("wrong user or password")
        session.clean_session = True
        session.parent = 0
        session.keep_alive += session.keep_alive // 2 + session.keep_alive % 2
        user = session.username or ""
        session.client_id = self._access.client_of(user, session.client_id or gen_client_id())
        if session.will_flag and not self._access.may_say(user, session.will_topic or ""):
            session.will_flag = False
        session.delivered_message_queue = asyncio.Queue(MOST_INCOMING)
        await self._end_older(session.client_id)
        return _Handler(self.plugins_manager), session

    async def _authenticate(self, session: Session, _listener: Any) -> bool:
        return self._access.lets_in(session.username or "", session.password or "")

    async def _end_older(self, client_id: str) -> None:
        _, handler = self._sessions.get(client_id, (None, None))
        if isinstance(handler, _Handler):
            handler.abort()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(handler.gone.wait(), CONNECT_S)
        await self._cleanup_session(client_id)

    async def _client_message_loop(self, client_session: Session, handler: BrokerProtocolHandler) -> None:
        try:
            await super()._client_message_loop(client_session, handler)
            await self._pass_on_rest(client_session, handler)
        finally:
            if self._sessions.get(client_session.client_id or "", (None, None))[1] is handler:
                await self._cleanup_session(client_session.client_id or "")
            if isinstance(handler, _Handler):
                handler.gone.set()

    async def _pass_on_rest(self, session: Session, handler: BrokerProtocolHandler) -> None:
        while not session.delivered_message_queue.empty():
            last: asyncio.Future[Any] = asyncio.Future()
            last.set_result(session.delivered_message_queue.get_nowait())
            if not await self._handle_message_delivery(session, handler, last):
                return

    async def _topic_filtering(self, session: Session, topic: str, action: Action) -> bool:
        may = self._access.may_hear if action == Action.SUBSCRIBE else self._access.may_say
        return may(session.username or "", topic)

    async def add_subscription(self, subscription: tuple[str, int], session: Session) -> int:
        answer = int(await super().add_subscription(subscription, session))
        # Noted only once it stands: what has no subscription is forgotten with the next message.
        if subscription[0] in self._subscriptions and ("+" in subscription[0] or "#" in subscription[0]):
            self._wild.add(subscription[0])
        return answer

    # what goes out

    async def _run_broadcast(self, running_tasks: Any) -> None:
        message = await self._broadcast_queue.get()
        topic, data = message["topic"], message["data"]
        self._wild &= self._subscriptions.keys()
        for topic_filter in {topic, *self._wild}:
            if not self._matches(topic, topic_filter):
                continue
            for session, most_qos in list(self._subscriptions.get(topic_filter, ())):
                handler = self._sessions.get(session.client_id or "", (None, None))[1]
                if isinstance(handler, _Handler) and session.transitions.state == "connected":
                    await self._send(handler, topic, data, message.get("qos", most_qos))

    async def _send(self, handler: _Handler, topic: str, data: bytes, qos: int) -> None:
        while handler.behind >= MOST_BEHIND and not handler.gone.is_set():
            if handler.stuck():
                self.dropped += 1
                handler.abort()
                return
            await asyncio.sleep(0.005)
        if handler.behind == 0:
            handler.took_at = time.monotonic()
        handler.behind += 1
        task = asyncio.ensure_future(handler.mqtt_publish(topic, data, qos, retain=False))
        task.add_done_callback(lambda done: _taken(handler, done))

    async def retain_message(
        self,
        source_session: Session | None,
        topic_name: str | None,
        data: bytes | bytearray | None,
        qos: int | None = None,
    ) -> None:
        """Retain a message, if there is room for its topic."""
        if data and topic_name not in self._retained_messages and len(self._retained_messages) >= MOST_RETAINED:
            return
        # Stock keeps the session that sent it, and with that session's queues.
        await super().retain_message(None, topic_name, data, qos)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        # Stock also sends a newcomer what is retained under the subscriptions of all others.
        if any(one is session for one, _ in self._subscriptions.get(subscription[0], [])):
            await super()._publish_retained_messages_for_subscription(subscription, session)

    async def _retain_broadcast_message(self, broadcast: dict[str, Any], qos: int, target_session: Session) -> None:
        """Keep nothing for a client that is away."""


def _taken(handler: _Handler, done: "asyncio.Future[Any]") -> None:
    handler.behind -= 1
    if not done.cancelled() and done.exception() is None:
        handler.took_at = time.monotonic()
