"""Authentication codes on the host: the vectors, RFC 4231, and that no two messages have one text."""

import json

import make_vectors
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitscribe.errors import MessageError
from pitscribe.wire import mac, messages

VECTORS = json.loads((make_vectors.FOLDER / "auth.json").read_text(encoding="utf-8"))
TOPIC = "pitscribe/1/00000007/order"


@pytest.mark.parametrize("vector", VECTORS, ids=lambda v: v["name"])
def test_code_is_that_of_the_vector(vector):
    topic, message = vector["topic"], vector["message"]
    assert mac.meaning(topic, message).decode() == vector["hashed"]
    assert mac.mac_of(vector["secret"], topic, message) == vector["mac"]
    sent = json.loads(mac.authenticated(vector["secret"], topic, json.dumps(message).encode()))
    assert sent == {**message, "mac": vector["mac"]}
    assert mac.is_authentic(vector["secret"], topic, sent)
    assert not mac.is_authentic(vector["secret"] + " ", topic, sent)
    assert not mac.is_authentic(vector["secret"], topic, message)


def test_first_vector_is_what_openssl_says():
    """`printf '...' | openssl dgst -sha256 -hmac 'correct horse battery'` (OpenSSL 3.0), its first 16 bytes."""
    assert VECTORS[0]["hashed"] == "pitscribe/1/c0ffee01/stored\n7 10 20\n"
    assert VECTORS[0]["mac"] == "5eddb49a67db7efe0b81c69f2e4d3750"


def test_what_the_host_says_is_still_what_it_was():
    stored = mac.authenticated("k" * 16, messages.stored_topic(7), messages.stored([(1, 2, 3)]))
    assert messages.parse_stored(stored) == [(1, 2, 3)]
    order = mac.authenticated("k" * 16, messages.order_topic(7), messages.time_order(1, 2, 3, 4))
    assert messages.parse_order(order) == ("time", {"boot": 1, "re_up": 2, "utc_ms": 3, "err_ms": 4})


NAMES = st.text("abv=\"\u00e4", min_size=1, max_size=4)
VALUES = st.integers(-(2**60), 2**60) | st.text("01=\"a\U0001f525", max_size=5)
ORDERS = st.dictionaries(NAMES, VALUES, max_size=4).map(lambda d: {k: v for k, v in d.items() if k not in ("v", "mac")})


@given(ORDERS, ORDERS)
def test_two_orders_have_one_text_only_if_they_mean_the_same(a, b):
    assert (mac.meaning(TOPIC, a) == mac.meaning(TOPIC, b)) == (a == b)


@pytest.mark.parametrize("value", [1.5, None, True, [1], {}, "a\nb", "\x00"])
def test_order_with_anything_else_in_it_is_refused(value):
    with pytest.raises(MessageError, match="mac"):
        mac.mac_of("k" * 16, TOPIC, {"order": value})
    with pytest.raises(MessageError):
        mac.authenticated("k" * 16, TOPIC, b"[1]")
