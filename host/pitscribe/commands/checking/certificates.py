"""TLS: whether certificate and key are there, belong together, are good now, and for the page's names.

OpenSSL judges: a handshake in memory, in which the client trusts this one certificate and asks for each name.
"""

import ipaddress
import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pitscribe.clock import local
from pitscribe.commands.checking.finding import Finding, look, not_looked, ok, wrong
from pitscribe.commands.checking.scene import Scene
from pitscribe.listening import is_loopback
from pitscribe.page.door.door import own_names

SOON_DAYS = 21  # before a certificate runs out: our allowance, no source
_EXPIRED, _NOT_YET, _OTHER_NAME, _OTHER_ADDRESS = 10, 9, 62, 64  # X509_V_ERR_: openssl/x509_vfy.h


def certificates(scene: Scene) -> Iterator[Finding]:
    """The page's certificate, and the authority of a broker's."""
    page, broker = scene.config.page, scene.config.broker
    if page.tls is None:
        yield not_looked("certificate", "the page has none")
    else:
        yield from _pair(scene, *page.tls)
    if broker.ca is not None:
        yield _authority(broker.ca)


def _pair(scene: Scene, certificate: Path, key: Path) -> Iterator[Finding]:
    try:
        server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        server.load_cert_chain(certificate, key, password=_nobody_knows)
        leaf = first_of(certificate)
    except (OSError, ValueError) as error:
        yield wrong("certificate", f"{certificate} with {key}: {getattr(error, 'strerror', None) or error}", "name a "
                    "certificate and its own key, both PEM and without a password, under [page]")
        return
    names = _names(scene)
    # Dates are judged before names, and the first that does not fit is told.
    found = [(name, *judged(server, leaf, name)) for name in names]
    _, code, until = found[0]
    if code in (_EXPIRED, _NOT_YET):
        when = "has run out" if code == _EXPIRED else "is not good yet"
        yield wrong("certificate", f"{certificate} {when}", "have a new one made; if it is good, look at the clock")
        return
    other = [name for name, code, _ in found if code in (_OTHER_NAME, _OTHER_ADDRESS)]
    odd = [f"{name}: error {code}" for name, code, _ in found if code not in (0, _OTHER_NAME, _OTHER_ADDRESS)]
    until = max((until for _, _, until in found), default=0.0)
    if odd:
        yield wrong("certificate", f"{certificate}: OpenSSL does not take it ({odd[0]})", "have a new one made")
    elif len(other) == len(names):
        yield wrong("certificate", f"{certificate} is for none of {', '.join(names)}", "have one made for a name that "
                    "the page answers to; [page] names can have more")
    elif until and until - scene.clock.now() < SOON_DAYS * 86400:
        yield look("certificate", f"{certificate} runs out at {local(until)}", "have a new one made in time")
    else:
        fits = ", ".join(name for name, code, _ in found if code == 0)
        not_for = f"; not for {', '.join(other)}" if other else ""
        yield ok("certificate", f"{certificate}, until {local(until)}, for {fits}{not_for}")


def _nobody_knows() -> str:
    """OpenSSL wants the key's password, and would ask for it on the terminal."""
    raise ValueError("the key is under a password, which nobody is there to give when serve starts")


def _names(scene: Scene) -> list[str]:
    """What a browser may call the page."""
    page = scene.config.page
    listen = page.listen.strip("[]")
    own = [listen] if is_loopback(listen) or listen not in ("0.0.0.0", "::", "") else []
    return list(dict.fromkeys([*page.names, *own, *own_names()])) or ["localhost"]


def first_of(certificate: Path) -> str:
    """The first certificate of a PEM file. ValueError if it has none."""
    text = certificate.read_text(encoding="ascii", errors="replace")
    begin, end = text.find(ssl.PEM_HEADER), text.find(ssl.PEM_FOOTER)
    if begin < 0 or end < begin:
        raise ValueError("there is no certificate in it")
    return text[begin : end + len(ssl.PEM_FOOTER)] + "\n"


def judged(server: ssl.SSLContext, leaf: str, name: str) -> tuple[int, float]:
    """(OpenSSL's verdict on a certificate for a name, 0: good; until when it is good [UTC s], if it is)."""
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.load_verify_locations(cadata=leaf)
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN  # this one is trusted, whoever signed it
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    near = client.wrap_bio(back, there, server_hostname=_bare(name))
    far = server.wrap_bio(there, back, server_side=True)
    try:
        for _ in range(8):  # a handshake takes three flights at most
            done = [_step(one) for one in (near, far)]
            if all(done):
                break
    except ssl.SSLCertVerificationError as error:
        return error.verify_code, 0.0
    except ssl.SSLError:
        return -1, 0.0
    told: dict[str, Any] = near.getpeercert() or {}
    return 0, float(ssl.cert_time_to_seconds(told["notAfter"])) if "notAfter" in told else 0.0


def _step(one: ssl.SSLObject) -> bool:
    try:
        one.do_handshake()
    except ssl.SSLWantReadError:
        return False
    return True


def _bare(name: str) -> str:
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        return name


def _authority(ca: Path) -> Finding:
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(ca)
    except (OSError, ValueError) as error:
        return wrong("broker's authority", f"{ca}: {getattr(error, 'strerror', None) or error}", "name the certificate "
                     "of the authority, PEM, with [broker] ca")
    return ok("broker's authority", str(ca))
