"""GATE: the door's rules applied to one request: its head, its form, its pace; and the heads of each answer.

In:    a WSGI environment and what its body says.
Out:   a visitor; or ``Barred`` with a status and words.
Never: reads more of a body than a form of ours can have.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from threading import Lock
from typing import Any
from urllib.parse import parse_qsl

from controller.errors import HygroholdError
from controller.page import keys as keys_of
from controller.page.door import SIGNED_IN_S, Door, Visitor
from controller.page.keys import Keys
from controller.page.pace import Pace

LARGEST_FORM = 8 * 1024
MOST_FIELDS = 20
WAIT_FOR_SCRYPT_S = 3.0
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""Content Security Policy, level 3 (W3C): nothing inline, nothing from elsewhere, in nobody's frame."""
HEADS = (
    ("Content-Security-Policy", POLICY),
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
)
_PATH = re.compile(r"/(?:[A-Za-z0-9-][A-Za-z0-9/-]*)?")
Wsgi = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


class Barred(HygroholdError):
    """A request that is not let through."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


class Gate:
    """The door, and how often somebody may try it."""

    def __init__(self, door: Door, keys: Callable[[], Keys]) -> None:
        self.door, self._keys = door, keys
        self._asks = Pace(burst=20, each_s=3.0)
        self._tries = Pace(burst=5, each_s=20.0)
        self._scrypt = Lock()
        self.cookie_kind: dict[str, Any] = {
            "maxage": int(SIGNED_IN_S), "path": "/", "httponly": True, "samesite": "strict",
            "secure": door.https,
        }  # fmt: skip

    @property
    def has_password(self) -> bool:
        return bool(self._keys().hashed)

    def visitor(self, environ: dict[str, Any]) -> Visitor:
        """Who it is; a cookie that is due is left in the environment. Raises Barred for a strange host."""
        host = environ.get("HTTP_HOST", "")
        if not self.door.host_ok(host):
            raise Barred(
                421, "this page is not called by that name; whoever keeps the board can add it with --name"
            )
        found = self.door.visitor(_cookie(environ, self.door.cookie), environ.get("HTTP_AUTHORIZATION"))
        return self._new(environ) if found is None else found

    def _new(self, environ: dict[str, Any], signed_in: bool = False) -> Visitor:
        found, environ["hygrohold.cookie"] = self.door.new(signed_in)
        return found

    def may_ask(self, visitor: Visitor, environ: dict[str, Any], seal: str) -> None:
        """Raises Barred where a form did not come from a page of ours, or too many came."""
        self._own(visitor, environ, seal)
        if not visitor.may_ask:
            raise Barred(403, "a token may read, and ask for nothing")
        self._in_pace(self._asks, environ)

    def _own(self, visitor: Visitor, environ: dict[str, Any], seal: str) -> None:
        origin, site = environ.get("HTTP_ORIGIN"), environ.get("HTTP_SEC_FETCH_SITE")
        if not self.door.origin_ok(origin, site, environ.get("HTTP_HOST", "")):
            raise Barred(403, "this was sent from another page than ours: nothing was asked")
        if not self.door.form_ok(visitor, seal):
            raise Barred(
                403, "this page had become too old, or came from elsewhere: nothing was asked. Load it again"
            )

    def guest_seal(self, environ: dict[str, Any]) -> str:
        """For the form of the way in: whoever sees it has a cookie, or gets one. Raises Barred."""
        if "hygrohold.guest" not in environ:
            environ["hygrohold.guest"] = self.visitor(environ)
        return self.door.form_seal(environ["hygrohold.guest"])

    def sign_in(self, environ: dict[str, Any], seal: str, password: str) -> str:
        """Why not; "" where it was the password, and the new cookie is in the environment. Raises Barred."""
        self._own(self.visitor(environ), environ, seal)
        self._in_pace(self._tries, environ)
        if not self._scrypt.acquire(
            timeout=WAIT_FOR_SCRYPT_S
        ):  # each takes memory and time: one after the other
            raise Barred(429, "too many try to sign in just now: wait a little")
        try:
            good = keys_of.is_password(self._keys(), password)
        finally:
            self._scrypt.release()
        if not good:
            return "That is not the password."
        self._new(environ, signed_in=True)
        return ""

    def _in_pace(self, pace: Pace, environ: dict[str, Any]) -> None:
        wait_s = pace.wait_s(environ.get("REMOTE_ADDR", ""))
        if wait_s > 0.0:
            raise Barred(429, f"too many at once: try again in {wait_s:.0f} s")


def _cookie(environ: dict[str, Any], name: str) -> str | None:
    for part in environ.get("HTTP_COOKIE", "").split(";"):
        key, _, value = part.strip().partition("=")
        if key == name:
            return str(value.strip('"'))
    return None


def sent_form(environ: dict[str, Any]) -> dict[str, str]:
    """The fields of a form; of one that came twice the first. Raises Barred."""
    kind = environ.get("CONTENT_TYPE", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Barred(415, "only the forms of this page are understood")
    length = environ.get("CONTENT_LENGTH") or "0"
    if not (length.isascii() and length.isdigit() and len(length) < 9):
        raise Barred(400, "its length is no length")
    plain: bytes = environ["wsgi.input"].read(min(int(length), LARGEST_FORM + 1))
    if len(plain) > LARGEST_FORM:
        raise Barred(413, "that is more than a form of this page can hold")
    try:
        pairs = parse_qsl(
            plain.decode("ascii", "replace"),
            keep_blank_values=True,
            max_num_fields=MOST_FIELDS,
            errors="replace",
        )
    except ValueError:
        raise Barred(400, "that has more fields than a form of this page") from None
    return {name: value for name, value in reversed(pairs)}


def same_site_path(path: str) -> str:
    """A path of this page to go on to; the first page for whatever else it may be."""
    return path if len(path) <= 200 and _PATH.fullmatch(path) else "/"


def policed(app: Wsgi) -> Wsgi:
    """Every answer has the strict heads, whoever made it; what is of now is kept in no cache."""

    def wsgi(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        def start(status: str, heads: list[tuple[str, str]], *more: Any) -> Any:
            own = {name.lower() for name, _ in HEADS}
            found = [(name, value) for name, value in heads if name.lower() not in own]
            if not any(name.lower() == "cache-control" for name, _ in found):
                found.append(("Cache-Control", "no-store"))
            return start_response(status, [*found, *HEADS], *more)

        return app(environ, start)

    return wsgi
