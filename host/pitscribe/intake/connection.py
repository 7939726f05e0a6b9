"""How a connection to a broker begins: whom to believe, and what to wait for.

A broker that is away comes back, perhaps in the morning: until then the page and the record are to be there, so the
client's own thread goes on trying. What no waiting mends (a certificate that is not the broker's) is an error.
"""

import ssl
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho

from pitscribe.errors import BrokerError, ConfigError

ANSWER_S = 10.0
_NOT_YET_VALID = 9  # OpenSSL's X509_V_ERR_CERT_NOT_YET_VALID (its x509_vfy.h, from memory)


def verify(client: paho.Client, ca: Path | None) -> None:
    """Have a client verify its broker's certificate. Raises ConfigError if the authority's cannot be read."""
    try:
        client.tls_set(None if ca is None else str(ca))
    except (OSError, ValueError) as error:
        raise ConfigError(
            f"{ca}: {error}; broker.ca in pitscribe.toml must name the certificate of an authority, in PEM"
        ) from error


def begin(client: paho.Client, host: str, port: int, **options: Any) -> str | None:
    """Connect and start the client's thread, which goes on trying for ever. ``options``: of paho's ``connect``.

    Returns why there is no connection yet, in words; None: there is one, and the broker is yet to say whether it lets
    us in. Raises BrokerError for what no waiting mends.
    """
    away = None
    try:
        client.connect(host, port, keepalive=30, **options)
    except (OSError, ValueError) as error:
        words = f"no broker answers at {host}:{port} ({error})"
        if not _mends(error):
            raise BrokerError(f"{words}; correct [broker] in pitscribe.toml") from error
        away = f"{words}; trying again: start it, or correct [broker] in pitscribe.toml"
        client.connect_async(host, port, keepalive=30, **options)
    client.loop_start()
    return away


def _mends(error: Exception) -> bool:
    """Whether waiting can help. A machine whose clock is not set yet (it has none, and no network) takes a good
    certificate for one of the future."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return error.verify_code == _NOT_YET_VALID
    return isinstance(error, OSError) and not isinstance(error, ssl.SSLError)
