"""DOOR: who may come in, and which requests are let through.

In:    what a request's head says: host, origin, cookie, token.
Out:   a ``Visitor``, or in words why not; cookies and form seals.
Never: believes a head that a proxy or a visitor could make up (Forwarded, X-Forwarded-For).

Cookies hold no secret and are kept nowhere: a kind, an end, a random number, sealed by HMAC-SHA-256 with the
secret of ``keys``. A new password brings a new secret, and with it every cookie ends.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Callable, Iterable
from typing import NamedTuple
from urllib.parse import urlsplit

from controller.page import keys as keys_of
from controller.page.keys import Keys

SIGNED_IN_S = 30 * 86400.0
GUEST, KEEPER, PROGRAM = "guest", "keeper", "program"
"""Has not signed in; may read and ask; may read."""
OWN_NAMES = ("localhost",)


class Visitor(NamedTuple):
    """``session``: of a browser, "" for a program."""

    kind: str
    session: str = ""

    @property
    def may_read(self) -> bool:
        return self.kind in (KEEPER, PROGRAM)

    @property
    def may_ask(self) -> bool:
        return self.kind == KEEPER


class Door:
    """``names``: host names, beside numeric addresses and localhost, by which browsers may call this page."""

    def __init__(
        self, keys: Callable[[], Keys], names: Iterable[str], now: Callable[[], float], https: bool = False
    ) -> None:
        self._keys, self._now, self.https = keys, now, https
        self._names = {name.lower().rstrip(".") for name in (*OWN_NAMES, *names)}
        self.cookie = "__Host-hygrohold" if https else "hygrohold"

    @property
    def locked(self) -> bool:
        return self._keys().locked

    def host_ok(self, host: str) -> bool:
        """Another site's name may be made to lead here (DNS rebinding); a numeric address cannot be."""
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        if host.count("@") or not name:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name.rstrip(".") in self._names
        return True

    def origin_ok(self, origin: str | None, site: str | None, host: str) -> bool:
        """Whether a form came from this page: by the Origin and Sec-Fetch-Site heads, where they are sent."""
        if site is not None and site not in ("same-origin", "none"):
            return False
        if origin is None:
            return True
        return origin == f"{'https' if self.https else 'http'}://{host}"

    def visitor(self, cookie: str | None, authorization: str | None) -> Visitor | None:
        """Who it is; None where nobody can be told, and a new cookie is due."""
        if authorization is not None:
            scheme, _, token = authorization.partition(" ")
            good = scheme.lower() == "bearer" and keys_of.is_token(self._keys(), token.strip())
            return Visitor(PROGRAM if good else GUEST)
        parts = (cookie or "").split(".")
        if len(parts) != 4 or not parts[1].isascii() or not parts[1].isdigit() or len(parts[1]) > 12:
            return None
        kind, until, session, seal = parts
        expected = self._seal("cookie", f"{kind}.{until}.{session}")
        if not _same(expected, seal) or float(until) < self._now():
            return None
        if kind == GUEST and not self.locked:
            kind = KEEPER
        return Visitor(kind, session)

    def new(self, signed_in: bool = False) -> tuple[Visitor, str]:
        """A visitor with a session of its own, and the cookie. Signing in never keeps the old one."""
        kind, session = (KEEPER if signed_in else GUEST), secrets.token_hex(16)
        plain = f"{kind}.{self._now() + SIGNED_IN_S:.0f}.{session}"
        seen = Visitor(KEEPER if signed_in or not self.locked else GUEST, session)
        return seen, f"{plain}.{self._seal('cookie', plain)}"

    def form_seal(self, visitor: Visitor) -> str:
        """What each form of this visitor carries, and another site cannot know."""
        return self._seal("form", visitor.session)

    def form_ok(self, visitor: Visitor, seal: str) -> bool:
        return bool(visitor.session) and _same(self.form_seal(visitor), seal)

    def _seal(self, what: str, plain: str) -> str:
        secret = bytes.fromhex(self._keys().secret)
        return hmac.new(secret, f"{what}:{plain}".encode(errors="replace"), "sha256").hexdigest()


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode(errors="replace"))
