"""Authentication codes on MicroPython: against CPython's hmac, RFC 4231, the vectors, and what is wrong."""

import hashlib
import hmac
import json

import pytest
from firmware_rig import FIRMWARE, StoringHost, Worker
from hypothesis import given, settings
from hypothesis import strategies as st
from servers import wait_until
from test_uplink import chips, config, everything_arrives

from pitscribe.wire.frames import check

VECTORS = json.loads((FIRMWARE / "vectors" / "auth.json").read_text(encoding="utf-8"))
SECRET = "a secret of the two of us"


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    worker = Worker(
        """
from binascii import unhexlify
from pitlogger.hmac import believed, keyed_hash, meaning, same
def answer(question):
    what, *rest = question
    if what == "hash":
        return keyed_hash(unhexlify(rest[0]), unhexlify(rest[1])).decode()
    if what == "same":
        return same(unhexlify(rest[0]), unhexlify(rest[1]))
    if what == "meaning":
        return meaning(*rest).decode()
    return believed(*rest)
""",
        tmp_path_factory.mktemp("worker"),
    )
    yield worker
    worker.close()


def test_truncated_hash_of_rfc_4231(board):
    """RFC 4231 section 4.6, test case 5: HMAC-SHA-256 cut to 128 bits. From memory; CPython's hmac gives the same."""
    assert board.ask(["hash", "0c" * 20, b"Test With Truncation".hex()]) == "a3b6167473100ee06e0c796c2955552b"


@settings(deadline=None, max_examples=60)
@given(key=st.binary(max_size=130), text=st.binary(max_size=300))
def test_hash_is_cpythons(board, key, text):
    assert board.ask(["hash", key.hex(), text.hex()]) == hmac.new(key, text, hashlib.sha256).hexdigest()[:32]


@settings(deadline=None, max_examples=40)
@given(a=st.binary(max_size=8), b=st.binary(max_size=8))
def test_same_is_equality(board, a, b):
    assert board.ask(["same", a.hex(), b.hex()]) == (a == b)
    assert board.ask(["same", a.hex(), a.hex()])


@pytest.mark.parametrize("vector", VECTORS, ids=lambda v: v["name"])
def test_message_of_a_vector_is_believed_and_one_with_anything_else_in_it_is_not(vector, board):
    secret, topic, message = vector["secret"], vector["topic"], {**vector["message"], "mac": vector["mac"]}
    assert board.ask(["meaning", topic, vector["message"]]) == vector["hashed"]
    assert board.ask(["believed", secret, topic, message]) is True
    wrong = [
        (secret + "x", topic, message),
        (secret, topic.replace("c0ffee01", "c0ffee02"), message),
        (secret, topic, vector["message"]),
        (secret, topic, {**message, "mac": vector["mac"].upper()}),
        (secret, topic, {**message, "mac": vector["mac"][:-1]}),
        (secret, topic, {**message, "mac": 5}),
        (secret, topic, {**message, **({"stored": [[7, 10, 21]]} if topic.endswith("stored") else {"boot": 8})}),
    ]
    assert [board.ask(["believed", *one]) for one in wrong] == [False] * len(wrong)
    assert board.ask(["believed", "", topic, vector["message"]]) is True


NO_TEXT = [1.5, None, True, [1], {"a": 1}, "a\nb"]


@pytest.mark.parametrize("value", NO_TEXT, ids=repr)
def test_order_that_cannot_be_hashed_is_refused_and_not_believed(value, board):
    answer = board.ask(["believed", SECRET, "pitscribe/1/00000001/order", {"v": 1, "order": value, "mac": "0" * 32}])
    assert answer["error"].startswith("ValueError: mac")


def test_logger_with_a_secret_lets_go_of_nothing_for_a_stranger_and_of_all_for_its_host(
    flash, broker, make_bench, loggers, hosts
):
    from firmware_rig import Logger

    stranger = StoringHost(broker.port, utc=lambda: 1_764_000_000_000)
    hosts.append(stranger)
    bench = make_bench(chips())
    logger = Logger(flash, bench, config(broker.port, ack_s=240, state_s=60, secret=SECRET), PITSCRIBE_SPEED="600")
    loggers.append(logger)
    wait_until("frames that come again", lambda: stranger.keys.count(stranger.keys[0]) >= 2 if stranger.keys else False)
    wait_until("that it denied them", lambda: stranger.states[-1].get("denied", 0) >= 8)
    said = stranger.states[-1]
    assert (said["journal"]["cursor"], said["anchor"], said["auth"], said["refused"]) == (0, None, True, 0)
    stranger.stores, stranger.utc = False, None
    host = StoringHost(broker.port, secret=SECRET, greets=True)
    hosts.append(host)
    everything_arrives(host, logger, 20)
    wait_until("the cursor moves", lambda: host.states and host.states[-1].get("journal", {}).get("cursor", 0) > 5)
    assert check(host.frames[0]).key.logger


def test_logger_without_a_secret_leaves_a_code_alone(flash, broker, make_bench, loggers, hosts):
    from firmware_rig import Logger

    host = StoringHost(broker.port, secret=SECRET)
    hosts.append(host)
    loggers.append(Logger(flash, make_bench(chips()), config(broker.port), PITSCRIBE_SPEED="600"))
    wait_until("the cursor moves", lambda: host.states and host.states[-1]["journal"]["cursor"] > 2)
    assert (host.states[-1]["auth"], host.states[-1]["denied"]) == (False, 0)
