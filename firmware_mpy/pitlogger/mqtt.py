"""A small MQTT 3.1.1 client for asyncio: QoS 0 and 1, last will, clean sessions. It never blocks the program.

It keeps no payloads: a packet whose acknowledgement does not come is the caller's to send again, after a reconnect.
Source: OASIS MQTT 3.1.1, 29 October 2014.
"""

import asyncio
import socket
import struct
from errno import EINPROGRESS

from micropython import const

from pitlogger.waiting import writable

_CONNECT, _CONNACK, _PUBLISH, _PUBACK = const(0x10), const(0x20), const(0x30), const(0x40)
_SUBSCRIBE, _SUBACK, _PINGREQ, _DISCONNECT = const(0x82), const(0x90), const(0xC0), const(0xE0)
_QOS1, _RETAIN = const(2), const(1)
_MOST_IN = const(4096)  # a longer packet from the broker is not for us: the connection is given up

_REFUSALS = ("", "protocol version", "client id", "server unavailable", "user or password", "not authorised")


class MqttError(OSError):
    """The broker refused, or sent what MQTT 3.1.1 does not allow."""


class Client:
    """One connection at a time to ``host`` and ``port``; ``find(host)`` gives the numeric address (a coroutine).

    ``secure`` is None, or a function that gives the ssl context of a connection: then the server's certificate must be
    good for ``host``.
    ``on_message(topic, payload, retained)`` gets what was subscribed to, ``on_ack(tag)`` the tag of each acknowledged
    publish; both must be short. ``clock`` gives ``ticks_ms`` and ``ticks_diff``.
    """

    def __init__(
        self, host, port, client_id, user, password, keepalive_s, answer_s, clock, on_message, on_ack, find, secure=None
    ):
        self._host, self._port = host, port
        self._find, self._secure = find, secure
        self._id = client_id
        self._user, self._password = user, password
        self._keepalive = keepalive_s
        self._answer = answer_s
        self._clock = clock
        self._on_message, self._on_ack = on_message, on_ack
        self._lock = asyncio.Lock()
        self._stream = None
        self._pending = []  # [packet id, tag, ticks when sent], oldest first
        self._packet_id = 0
        self._heard = self._said = 0

    @property
    def in_flight(self):
        """How many QoS 1 packets are not acknowledged."""
        return len(self._pending)

    async def connect(self, will_topic, will):
        """Connect with a retained QoS 1 will. OSError (MqttError when refused) or asyncio.TimeoutError."""
        self._pending.clear()
        address = await self._find(self._host)
        await asyncio.wait_for(self._open(address), self._answer)
        flags = 0x02 | 0x04 | 0x08 | 0x20 | (0x80 if self._user else 0) | (0x40 if self._password else 0)
        body = _text("MQTT") + struct.pack(">BBH", 4, flags, self._keepalive)
        body += _text(self._id) + _text(will_topic) + _text(will)
        if self._user:
            body += _text(self._user)
        if self._password:
            body += _text(self._password)
        await self._send(_CONNECT, body)
        kind, answer = await asyncio.wait_for(self._packet(), self._answer)
        if kind != _CONNACK or len(answer) != 2:
            raise MqttError("no CONNACK")
        if answer[1]:
            raise MqttError("refused: " + _REFUSALS[min(answer[1], 5)])

    async def _open(self, address):
        """Connect. What ``close`` is to close is there from the first moment: this may be cancelled at any."""
        # Not by asyncio.open_connection: its socket is nobody's until it is connected, and stays open if it never is.
        context = None if self._secure is None else self._secure()
        sock = socket.socket()
        self._stream = asyncio.StreamReader(sock)
        sock.setblocking(False)
        try:
            sock.connect(socket.getaddrinfo(address, self._port)[0][-1])  # a number: nothing is looked up
        except OSError as error:
            if error.errno != EINPROGRESS:
                raise
        if context is not None:
            sock = context.wrap_socket(sock, server_hostname=self._host, do_handshake_on_connect=False)
            self._stream = asyncio.StreamReader(sock)
            sock.setblocking(False)
        await writable(sock)

    async def subscribe(self, topics):
        """Subscribe at QoS 1. The broker's answer comes to ``run``."""
        body = struct.pack(">H", self._next_id())
        for topic in topics:
            body += _text(topic) + b"\x01"
        await self._send(_SUBSCRIBE, body)

    async def publish(self, topic, payload, qos=0, retain=False, tag=None):
        """Publish; with ``qos`` 1 ``on_ack(tag)`` follows, perhaps before this returns."""
        body = _text(topic)
        if qos:
            packet_id = self._next_id()
            body += struct.pack(">H", packet_id)
            self._pending.append((packet_id, tag, self._clock.ticks_ms()))
        await self._send(_PUBLISH | (_QOS1 if qos else 0) | (_RETAIN if retain else 0), body, payload)

    async def run(self):
        """Take what comes until the connection ends, which is always by an exception: OSError or EOFError."""
        while True:
            kind, body = await self._packet()
            what = kind & 0xF0
            if what == _PUBLISH:
                await self._incoming(kind, body)
            elif what == _PUBACK:
                self._acknowledged(struct.unpack(">H", body)[0])
            elif what == _SUBACK and 0x80 in body[2:]:
                raise MqttError("subscription refused")

    async def keep_alive(self):
        """Ping when it is time, and raise MqttError when the broker has been silent, or an acknowledgement late."""
        now, diff = self._clock.ticks_ms(), self._clock.ticks_diff
        if self._pending and diff(now, self._pending[0][2]) > self._answer * 1000:
            raise MqttError("no PUBACK")
        if diff(now, self._heard) > self._keepalive * 1000 + self._answer * 1000:
            raise MqttError("silent")
        if max(diff(now, self._said), diff(now, self._heard)) > self._keepalive * 500:
            self._said = now
            await self._send(_PINGREQ, b"")

    def close(self):
        """Drop the connection without a word, so that the broker publishes the will."""
        if self._stream is not None:
            self._stream.s.close()
            self._stream = None
        self._pending.clear()

    def _next_id(self):
        self._packet_id = self._packet_id % 65535 + 1
        return self._packet_id

    def _acknowledged(self, packet_id):
        for i in range(len(self._pending)):
            if self._pending[i][0] == packet_id:
                self._on_ack(self._pending.pop(i)[1])
                return

    async def _incoming(self, kind, body):
        end = 2 + (body[0] << 8 | body[1])
        topic = body[2:end].decode()
        if kind & 0x06:
            packet_id = body[end : end + 2]
            end += 2
        self._on_message(topic, body[end:], bool(kind & _RETAIN))
        if kind & 0x06:
            await self._send(_PUBACK, packet_id)

    async def _packet(self):
        """Return (first byte, body) of the next packet."""
        stream = self._stream
        if stream is None:
            raise MqttError("not connected")
        kind = (await stream.readexactly(1))[0]
        length = shift = 0
        while True:
            byte = (await stream.readexactly(1))[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
            if shift > 21:
                raise MqttError("length")
        if length > _MOST_IN:
            raise MqttError("packet of %d bytes" % length)
        body = await stream.readexactly(length)
        self._heard = self._clock.ticks_ms()
        return kind, body

    async def _send(self, kind, body, payload=b""):
        """Send one packet in one write: small ones would wait 44 ms each for the other side's acknowledgement."""
        packet = bytearray(1)
        packet[0] = kind
        length = len(body) + len(payload)
        while True:
            packet.append(length & 0x7F | (0x80 if length > 0x7F else 0))
            length >>= 7
            if not length:
                break
        packet.extend(body)
        packet.extend(payload)
        async with self._lock:
            if self._stream is None:
                raise MqttError("not connected")
            self._said = self._clock.ticks_ms()
            self._stream.write(packet)
            await asyncio.wait_for(self._stream.drain(), self._answer)


def _text(text):
    data = text.encode() if isinstance(text, str) else text
    return struct.pack(">H", len(data)) + data
