"""Sessions: a signed cookie that says when somebody came in, and under which password."""

import hmac
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie

from itsdangerous import BadSignature, TimestampSigner

from pitscribe.page.door.lock import Lock

COOKIE = "pitscribe_session"
LASTS_S = 30 * 86_400


class _Signer(TimestampSigner):
    """Stamps by a clock that is handed in."""

    def __init__(self, key: str, now: Callable[[], float]) -> None:
        super().__init__(key, salt="pitscribe.page.session")
        self._now = now

    def get_timestamp(self) -> int:
        return int(self._now())

    def verify_signature(self, value: str | bytes, sig: str | bytes) -> bool:
        """Letter by letter: the last letter of a base64 text has bits that mean nothing, and could be another one."""
        return hmac.compare_digest(self.get_signature(value), sig if isinstance(sig, bytes) else sig.encode())


class Sessions:
    """Makes and reads the cookie. It holds no secret: the password's round, and when it was made."""

    def __init__(self, lock: Lock, now: Callable[[], float]) -> None:
        """``now``: the time of this machine, s; sessions last ``LASTS_S`` by it."""
        self._lock, self._now = lock, now

    def new(self, *, safe_line: bool) -> str:
        """The Set-Cookie line of a new session. ``safe_line``: the page is asked for over TLS."""
        key, turn = self._lock.signing()
        value = _Signer(key, self._now).sign(str(turn)).decode()
        secure = "; Secure" if safe_line else ""
        return f"{COOKIE}={value}; Path=/; Max-Age={LASTS_S}; HttpOnly; SameSite=Strict{secure}"

    @staticmethod
    def gone() -> str:
        """The Set-Cookie line that takes the cookie away."""
        return f"{COOKIE}=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict"

    def holds(self, cookies: str) -> bool:
        """Whether a Cookie header has a session that is ours, of the present password, and not too old."""
        try:
            kept = SimpleCookie(cookies).get(COOKIE)
        except CookieError:
            return False
        if kept is None:
            return False
        key, turn = self._lock.signing()
        try:
            said = _Signer(key, self._now).unsign(kept.value, max_age=LASTS_S)
        except BadSignature:  # a time that ran out is one as well
            return False
        return said == str(turn).encode() and self._lock.has_password
