"""By the web: a message as JSON to a webhook, and the sign of life.

In:    an address; a letter.
Out:   an answer that says success, or SendError.
Never: follows a redirect with a message in hand (it would arrive as an empty question), or to another
       scheme; shows more of an address than its host; takes a file:// or ftp:// for the web.
"""

from __future__ import annotations

import http.client
import json
import socket
import ssl
from collections.abc import Callable
from typing import IO, Any, Protocol
from urllib import error, request
from urllib.parse import urlsplit

from controller.notifier.ways import SendError, Way
from controller.notifier.words import Letter

TIMEOUT_S = 15.0
MOST_READ = 4096


class Opener(Protocol):
    """What ``urllib.request`` calls an opener director, as far as it is used here."""

    def open(self, fullurl: request.Request, data: None = None, timeout: float | None = None) -> Any: ...


class _SameScheme(request.HTTPRedirectHandler):
    def redirect_request(
        self, req: request.Request, fp: IO[bytes], code: int, msg: str,
        headers: http.client.HTTPMessage, newurl: str,
    ) -> request.Request | None:  # fmt: skip
        if req.get_method() != "GET" or urlsplit(newurl).scheme != urlsplit(req.full_url).scheme:
            return None  # so that the redirect itself is the answer, which is no success
        return super().redirect_request(req, fp, code, msg, headers, newurl)


def web_opener() -> request.OpenerDirector:
    """Speaks http and https and nothing else; a proxy named in the environment is used."""
    opener = request.OpenerDirector()
    for handler in (
        request.ProxyHandler(), request.HTTPHandler(), request.HTTPSHandler(),
        request.HTTPDefaultErrorHandler(), _SameScheme(), request.HTTPErrorProcessor(),
    ):  # fmt: skip
        opener.add_handler(handler)
    opener.addheaders = [("User-Agent", "hygrohold")]
    return opener


def host_of(url: str) -> str:
    return urlsplit(url).hostname or "?"


def webhook_way(url: str, opener: Opener | None = None) -> Way:
    def send(letter: Letter) -> None:
        body = {
            "room": letter.room,
            "code": letter.code,
            "kind": letter.kind,
            "summary": letter.first_line,
            "words": letter.words,
            "at": letter.at.isoformat(timespec="seconds"),
            "since": letter.since.isoformat(timespec="seconds"),
        }
        _ask(url, json.dumps(body).encode(), opener)

    return Way(f"webhook ({host_of(url)})", 2 * TIMEOUT_S, send)


def heartbeat(url: str, opener: Opener | None = None) -> tuple[str, float, Callable[[], None]]:
    """Name, timeout in s, and what asks the address once; it raises SendError."""
    return f"heartbeat ({host_of(url)})", 2 * TIMEOUT_S, lambda: _ask(url, None, opener)


def _ask(url: str, body: bytes | None, opener: Opener | None) -> None:
    headers = {} if body is None else {"Content-Type": "application/json; charset=utf-8"}
    try:
        asked = request.Request(url, data=body, headers=headers)
        with (opener or web_opener()).open(asked, timeout=TIMEOUT_S) as answer:
            answer.read(MOST_READ)
    except error.HTTPError as answered:
        answered.close()
        raise SendError(_refused(answered.code)) from None
    except (OSError, http.client.HTTPException, ValueError) as failed:
        raise SendError(_unreached(failed)) from None


def _refused(code: int) -> str:
    phrase = http.client.responses.get(code, "")
    said = f"it answered {code} {phrase}".rstrip()
    return f"{said}: the address has moved, or is not the whole one" if 300 <= code < 400 else said


def _unreached(failed: Exception) -> str:
    """Our own words: an exception's text may hold the address."""
    reason = failed.reason if isinstance(failed, error.URLError) else failed
    for kind, words in (
        (socket.gaierror, "its name is not known here: is there a network, and a name server?"),
        (TimeoutError, f"no answer within {TIMEOUT_S:.0f} s"),
        (ConnectionRefusedError, "it refuses the connection"),
        (http.client.RemoteDisconnected, "it hung up without an answer"),
        (ssl.SSLCertVerificationError, "its certificate is not accepted: address right, board's date right?"),
        (ssl.SSLError, "no encrypted connection comes about"),
    ):  # fmt: skip
        if isinstance(reason, kind):
            return words
    if isinstance(reason, OSError) and reason.strerror:
        return reason.strerror
    return f"it cannot be asked ({type(reason).__name__})"
