"""APP: addresses and what answers them. The one door to bottle.

In:    requests of browsers and programs; rooms, their records, the door's verdicts.
Out:   pages with strict heads; requests left in the spool, then the page again (POST, redirect, GET).
Never: changes anything for a GET, or lets a request in that the door has not seen.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote, unquote

import bottle

from controller.errors import HistoryError, HygroholdError, RefusedError, RequestError
from controller.page import asking, drawn, forms, other_pages, room_page
from controller.page.door import Visitor
from controller.page.drawn import Span
from controller.page.elsewhere import Elsewhere
from controller.page.gate import Barred, Gate, policed, same_site_path, sent_form
from controller.page.html import Desk, Typed
from controller.page.kept import BusyError, Kept
from controller.page.record import MOST_AT_ONCE, REPORT_GOOD_S, SPANS, Record, day_of, span_of
from controller.page.rooms import Room, Seen
from controller.page.style import css

SCRIPT = Path(__file__).with_name("live.js")
YEAR_S = 365 * 86400


class Metrics(NamedTuple):
    """What programs that gather figures read, and of which kind that text is."""

    text: Callable[[Sequence[tuple[Room, Seen]]], str]
    content_type: str


class App:
    """The page over some rooms. ``wsgi`` is what a server calls; ``heard``: those of other boards."""

    def __init__(
        self, rooms: Sequence[Room], gate: Gate, metrics: Metrics | None = None,
        heard: Callable[[], Elsewhere] | None = None,
    ) -> None:  # fmt: skip
        self._rooms = {room.name: room for room in rooms}
        self._gate, self._metrics, self._heard = gate, metrics, heard
        self._record = Record()
        self._pages: Kept[str] = Kept(REPORT_GOOD_S, waiting=MOST_AT_ONCE)
        self._style, self._script = css(), SCRIPT.read_text(encoding="utf-8")
        self._app = bottle.Bottle()
        self._app.default_error_handler = self._error
        for path, callback in (
            ("/", self._first),
            ("/now", self._first_now),
            ("/metrics", self._figures),
            ("/room/<name>", self._room),
            ("/room/<name>/now", self._room_now),
            ("/room/<name>/now.json", self._room_json),
            ("/room/<name>/journal", self._journal),
            ("/room/<name>/<span>", self._span),
        ):
            self._app.route(path, "GET", self._guarded(callback))
        self._app.route("/room/<name>/ask/<form>", "POST", self._guarded(self._ask))
        self._app.route("/name", "POST", self._guarded(self._name))
        self._app.route("/sign-out", "POST", self._guarded(self._sign_out))
        self._app.route("/sign-in", "GET", self._in_words(self._sign_in))
        self._app.route("/sign-in", "POST", self._in_words(self._signed_in))
        self._app.route("/style.css", "GET", lambda: _static(self._style, "text/css"))
        self._app.route("/live.js", "GET", lambda: _static(self._script, "text/javascript"))
        self._app.route("/favicon.ico", "GET", lambda: bottle.HTTPResponse(status=204))
        self.wsgi = policed(self._app)

    def _in_words(self, callback: Callable[..., Any]) -> Callable[..., Any]:
        """What goes wrong on purpose, as a page."""

        @wraps(callback)
        def wrapped(**named: str) -> Any:
            try:
                return callback(**named)
            except Barred as barred:
                return self._trouble(barred.status, "Not so", str(barred))
            except BusyError as busy:
                bottle.response.set_header("Retry-After", "5")
                return self._trouble(503, "Busy", f"{busy}.")
            except HygroholdError as error:
                return self._trouble(500, "That did not go well", f"{error}.")

        return wrapped

    def _guarded(self, callback: Callable[..., Any]) -> Callable[..., Any]:
        """Lets in whom the gate lets in, with a cookie where one is due."""

        def let_in(**named: str) -> Any:
            visitor = self._gate.visitor(bottle.request.environ)
            self._cookie()
            if not visitor.may_read:
                path = bottle.request.path
                if path.endswith(("/now", "/now.json", "/metrics")) or bottle.request.method == "POST":
                    return self._trouble(401, "Sign in", "Nothing is shown to whoever has not signed in.")
                return _to(f"/sign-in?to={quote(path, safe='')}")
            name = named.pop("name", None)
            if name is not None:
                room = self._rooms.get(name)
                if room is None:
                    return self._trouble(404, "Not here", "There is no such room on this page.")
                named["room"] = room  # type: ignore[assignment]
            return callback(visitor, **named)

        return self._in_words(let_in)

    def _cookie(self) -> None:
        name, value = self._gate.door.cookie, bottle.request.environ.get("hygrohold.cookie")
        if value:
            bottle.response.set_cookie(name, value, **self._gate.cookie_kind)

    def _first(self, visitor: Visitor) -> Any:
        if not self._several:
            return _to(f"/room/{next(iter(self._rooms))}")
        return other_pages.overview(self._all(), self._heard and self._heard())

    def _first_now(self, visitor: Visitor) -> str:
        return other_pages.overview_now(self._all(), self._heard and self._heard())

    def _all(self) -> list[tuple[Room, Seen]]:
        return [(room, room.seen()) for room in self._rooms.values()]

    def _figures(self, visitor: Visitor) -> Any:
        if self._metrics is None:
            return self._trouble(404, "Not here", "This page gives no figures to programs.")
        bottle.response.content_type = self._metrics.content_type
        return self._metrics.text(self._all())

    def _room(self, visitor: Visitor, room: Room, typed: Typed | None = None) -> str:
        asked = _asked()
        return room_page.page(
            room, room.seen(), self._chart(room), self._desk(visitor, room, "", typed), _by(),
            asking.reply(room, asked), self._several, asked,
        )  # fmt: skip

    def _room_now(self, visitor: Visitor, room: Room) -> str:
        asked = _asked()
        return room_page.now(room, room.seen(), self._chart(room), asking.reply(room, asked), asked)

    def _room_json(self, visitor: Visitor, room: Room) -> str:
        seen = room.seen()
        bottle.response.content_type = "application/json"
        plain = {"room": room.name, "standing": seen.standing, "age_s": seen.age_s, "status": seen.plain}
        return json.dumps(plain, indent=1)

    def _span(self, visitor: Visitor, room: Room, span: str) -> str:
        if span not in SPANS:
            return self._trouble(404, "Not here", "There is a day, a week and a month.")
        day = day_of(bottle.request.query.getunicode("of", "")[:10], room.now().date())

        def make() -> str:
            report = self._record.report(room, span_of(span, day))
            return other_pages.span(room, span, report, self._several)

        return self._pages.get((room.name, span_of(span, day)), make)

    def _journal(self, visitor: Visitor, room: Room, typed: Typed | None = None) -> str:
        asked = _asked()
        try:
            notes: Any = self._record.notes(room)
        except HistoryError as error:
            notes = f"{error}."
        desk = self._desk(visitor, room, "journal", typed)
        return other_pages.journal(room, notes, desk, asking.reply(room, asked), self._several, asked)

    def _ask(self, visitor: Visitor, room: Room, form: str) -> Any:
        sent = self._sent(visitor)
        back = "journal" if sent.get("back") == "journal" else ""
        known = forms.FORMS.get(form)
        if known is None:
            return self._trouble(404, "Not here", "There is nothing of that kind to ask.")
        field = ""
        try:
            asked = forms.request(known, sent, _by(), room.tz)
            if asked.kind == "withdraw":
                self._standing_note(room, asked.about)
            identity = asking.leave(room, asked)
        except forms.Unclear as unclear:
            field, problem = unclear.field, str(unclear)
        except (RefusedError, RequestError) as refused:
            problem = str(refused)
        else:
            return _to(f"/room/{room.name}{'/journal' if back else ''}?asked={identity}")
        bottle.response.status = 422
        show = self._journal if back else self._room
        return show(visitor, room, Typed(form, sent, field, problem))

    def _standing_note(self, room: Room, number: int | None) -> None:
        """Raises RequestError where there is no such note, or no more."""
        if not any(each.number == number and each.withdrawn is None for each in self._record.notes(room)):
            raise RequestError(f"There is no note {number}, or it was withdrawn already.")

    def _name(self, visitor: Visitor) -> Any:
        sent = self._sent(visitor)
        name = forms.name_of(sent.get("by", ""))
        bottle.response.set_cookie("by", quote(name), **{**self._gate.cookie_kind, "maxage": YEAR_S})
        room = sent.get("room", "")
        return _to(f"/room/{room}" if room in self._rooms else "/")

    def _sent(self, visitor: Visitor) -> dict[str, str]:
        environ = bottle.request.environ
        sent = sent_form(environ)
        self._gate.may_ask(visitor, environ, sent.get("seal", ""))
        return sent

    def _sign_in(self) -> Any:
        self._gate.visitor(bottle.request.environ)
        if not self._gate.door.locked:
            return _to("/")
        return self._sign_in_page("", bottle.request.query.getunicode("to", ""))

    def _sign_in_page(self, problem: str, to: str) -> str:
        seal = self._gate.guest_seal(bottle.request.environ)
        self._cookie()
        return other_pages.sign_in(seal, problem, same_site_path(to), self._gate.has_password)

    def _signed_in(self) -> Any:
        environ = bottle.request.environ
        sent = sent_form(environ)
        problem = self._gate.sign_in(environ, sent.get("seal", ""), sent.get("password", ""))
        if problem:
            bottle.response.status = 403
            return self._sign_in_page(problem, sent.get("to", ""))
        self._cookie()
        return _to(same_site_path(sent.get("to", "")))

    def _sign_out(self, visitor: Visitor) -> Any:
        self._sent(visitor)
        bottle.response.delete_cookie(self._gate.door.cookie, path="/", secure=self._gate.door.https)
        return _to("/")

    @property
    def _several(self) -> bool:
        return len(self._rooms) > 1 or self._heard is not None

    def _desk(self, visitor: Visitor, room: Room, back: str, typed: Typed | None) -> Desk:
        seal = self._gate.door.form_seal(visitor)
        signed_in = self._gate.door.locked
        return Desk(room.name, seal, back, typed or Typed(), room.settings.room.units, signed_in)

    def _chart(self, room: Room) -> room_page.Chart:
        def draw(now_rh_pct: float | None) -> str:
            target = room.settings.target
            band = Span(target.band_low_rh_pct, target.band_high_rh_pct)
            try:
                return drawn.last_day(self._record.last_day(room), band, room.tz, now_rh_pct)
            except (HistoryError, BusyError) as error:
                return drawn.none(str(error))

        return draw

    def _trouble(self, status: int, title: str, words: str) -> str:
        bottle.response.status = status
        return other_pages.trouble(title, words[:1].upper() + words[1:])

    def _error(self, error: Any) -> str:
        """What bottle itself refuses, and what nobody foresaw: that one is told on the board, not here."""
        known = {404: "There is nothing at this address.", 405: "That is not how this address is used."}
        words = known.get(error.status_code, "That did not go well; the board's log may say more.")
        return other_pages.trouble("Not so" if error.status_code < 500 else "That did not go well", words)


def _to(path: str) -> str:
    """The next page is asked for by GET: a page that is loaded again asks nothing twice."""
    bottle.response.status = 303
    bottle.response.set_header("Location", path)
    return ""


def _asked() -> str:
    identity = bottle.request.query.getunicode("asked", "")
    return identity if asking.IDENTITY.fullmatch(identity) else ""


def _by() -> str:
    return forms.name_of(unquote(bottle.request.get_cookie("by") or ""))


def _static(text: str, kind: str) -> str:
    bottle.response.content_type = f"{kind}; charset=utf-8"
    bottle.response.set_header("Cache-Control", "public, max-age=3600")
    return text
