"""TLS to the broker: its certificate is verified, or there is no connection. Imported only where it is asked for.

A context holds some 30 KB of the board's heap, and the handshake computes for half a second (micropython.md's figures,
of an emulated board), in which nothing else runs: the uplink begins it right after a tick.
"""

import binascii
import ssl

_BEGIN, _END = b"-----BEGIN CERTIFICATE-----", b"-----END CERTIFICATE-----"


def read_certificate(path):
    """Return the first certificate in a file, DER or PEM, as DER. OSError if there is none."""
    try:
        with open(path, "rb") as f:
            data = f.read()
    except OSError:
        raise OSError("TLS: %s cannot be read" % path)
    if _BEGIN in data:
        text = data.split(_BEGIN)[1].split(_END)[0]
        try:
            data = binascii.a2b_base64(b"".join(text.split()))
        except ValueError:
            data = b""
    if data[:1] != b"\x30":
        raise OSError("TLS: %s is no certificate" % path)
    return data


def context(path):
    """Return a context that believes only servers whose certificate the one in ``path`` vouches for. OSError."""
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    # It is not by default; and the stubs have left it out.
    made.verify_mode = ssl.CERT_REQUIRED  # type: ignore[attr-defined]
    try:
        made.load_verify_locations(cadata=read_certificate(path))
    except ValueError:
        raise OSError("TLS: %s is no certificate" % path)
    return made


def not_before(certificate):
    """Return from when on a certificate (DER) holds: UTC in s since 1970, 0 where that cannot be read.

    RFC 5280 section 4.1: Certificate > TBSCertificate > version, serial number, signature, issuer, validity.
    """
    try:
        at = _inside(certificate, _inside(certificate, 0))
        if certificate[at] == 0xA0:
            at = _behind(certificate, at)
        for _ in range(3):
            at = _behind(certificate, at)
        at = _inside(certificate, at)
        start = _inside(certificate, at)
        text = certificate[start : _behind(certificate, at)].decode()
        if certificate[at] == 0x17:  # UTCTime has two digits of the year, of 1950 to 2049
            text = ("19" if text[0] >= "5" else "20") + text
        numbers = [int(text[i : i + 2]) for i in range(4, 14, 2)]
        return _seconds(int(text[:4]), *numbers)
    except (IndexError, ValueError, OverflowError):
        return 0


def _head(data, at):
    """Return (where the content of the element at ``at`` begins, its length)."""
    length = data[at + 1]
    at += 2
    if length & 0x80:
        count = length & 0x7F
        length = int.from_bytes(data[at : at + count], "big")
        at += count
    return at, length


def _inside(data, at):
    return _head(data, at)[0]


def _behind(data, at):
    return sum(_head(data, at))


def _seconds(year, month, day, hour, minute, second):
    """Return UTC in s since 1970, whatever epoch the board's own clock has."""
    year -= month < 3
    days = year * 365 + year // 4 - year // 100 + year // 400 + (153 * ((month + 9) % 12) + 2) // 5 + day - 719469
    return ((days * 24 + hour) * 60 + minute) * 60 + second
