"""The door of the page: who may ask, from where, how often; every answer leaves with its policy."""

from __future__ import annotations

import dataclasses
import hmac
import secrets
import time
from collections.abc import MutableMapping
from typing import Any
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from veneercheck.report.words import Language, Words

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; frame-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
REPORT_POLICY = "sandbox allow-scripts allow-downloads allow-modals; frame-ancestors 'self'"
"""The report carries its own stricter policy inside; it may not reach the page around it."""

_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}

_PER_SECOND, _AT_ONCE = 60.0, 300.0
"""Requests of one address: a page that is loaded anew takes a dozen, a running check two a s."""

_GUESSES, _GUESS_PAUSE_S = 5, 60.0
"""Wrong passwords before a pause, and how long it lasts."""

_OPEN_PATHS = ("/login", "/page.css")
"""What the way in needs before one is in."""


@dataclasses.dataclass(slots=True)
class Door:
    """Who is let in.

    Parameters
    ----------
    hosts : frozenset of str
        Names, with port, under which the page may be asked for.
    scheme : str
        `http` or `https`.
    password : str, optional
        Asked for instead of the token.
    """

    hosts: frozenset[str]
    scheme: str = "http"
    password: str | None = None
    token: str = dataclasses.field(default_factory=lambda: secrets.token_urlsafe(32))
    session: str = dataclasses.field(default_factory=lambda: secrets.token_urlsafe(32))
    guesses: list[float] = dataclasses.field(default_factory=list)

    @property
    def cookie(self) -> str:
        """Cookies are shared by all ports of one host, so each port has its own."""
        port = next(iter(sorted(self.hosts))).rsplit(":", 1)[-1]
        return f"bench_{port}"

    def knows(self, headers: Headers) -> bool:
        """Whether the request comes from a browser that was let in."""
        for part in headers.get("cookie", "").split(";"):
            name, _, value = part.strip().partition("=")
            if name == self.cookie and _same(value, self.session):
                return True
        return False

    def admit(self, path: str = "/") -> Response:
        """Send a browser on to the page, let in from now on."""
        answer = RedirectResponse(path, status_code=303)
        answer.set_cookie(
            self.cookie,
            self.session,
            httponly=True,
            samesite="strict",
            secure=self.scheme == "https",
        )
        return answer

    def right_password(self, given: str) -> bool:
        """Whether it is the password; after some wrong ones nobody is, for a while."""
        now = time.monotonic()
        self.guesses = [at for at in self.guesses if now - at < _GUESS_PAUSE_S]
        if self.password is None or len(self.guesses) >= _GUESSES:
            return False
        if _same(given, self.password):
            return True
        self.guesses.append(now)
        return False


def _same(one: str, other: str) -> bool:
    """Compare without telling by the time it takes how much was right."""
    return hmac.compare_digest(one.encode(), other.encode())


class Guard:
    """ASGI middleware that turns away what must not come in."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app = app
        self.door = door
        self._budget: dict[str, tuple[float, float]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Look at a request, then pass it on or answer it here."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] == "http":
            turned_away = self._look(scope)
            answer = turned_away or self.app
            await answer(scope, receive, _with_policy(send))

    def _look(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if self._too_often(scope):
            return _no(429, "Too many requests: wait a moment.")
        if headers.getlist("host") and headers.getlist("host")[0] not in self.door.hosts:
            return _no(400, "This address is not known here.")
        if len(headers.getlist("host")) != 1:
            return _no(400, "One host, please.")
        origin = headers.get("origin")
        if origin is not None and origin not in self._origins():
            return _no(403, "This page answers only to itself.")
        if headers.get("sec-fetch-site") in ("cross-site", "same-site") and (
            scope["path"] != "/" or scope["method"] != "GET"
        ):
            return _no(403, "This page answers only to itself.")
        return self._let_in(scope, headers)

    def _origins(self) -> set[str]:
        return {f"{self.door.scheme}://{host}" for host in self.door.hosts}

    def _let_in(self, scope: Scope, headers: Headers) -> Response | None:
        if self.door.knows(headers):
            return None
        if self.door.password is not None:
            if scope["path"] in _OPEN_PATHS:
                return None
            return RedirectResponse("/login", 303) if scope["path"] == "/" else _locked(headers)
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if scope["path"] == "/" and scope["method"] == "GET" and _same(given, self.door.token):
            return self.door.admit()
        return _locked(headers)

    def _too_often(self, scope: Scope) -> bool:
        """A budget that fills up steadily and is used up by asking."""
        who = (scope.get("client") or ("?",))[0]
        now = time.monotonic()
        if len(self._budget) > 1000:
            self._budget.clear()
        left, at = self._budget.get(who, (_AT_ONCE, now))
        left = min(_AT_ONCE, left + (now - at) * _PER_SECOND) - 1.0
        self._budget[who] = (max(left, 0.0), now)
        return left < 0.0


def _locked(headers: Headers) -> Response:
    lang: Language = "de" if headers.get("accept-language", "")[:2].lower() == "de" else "en"
    return _no(403, Words(lang)("bench.locked"))


def _no(code: int, words: str) -> Response:
    return PlainTextResponse(words + "\n", status_code=code, headers={"connection": "close"})


def _with_policy(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            _add_headers(message)
        await send(message)

    return sent


def _add_headers(message: MutableMapping[str, Any]) -> None:
    headers = MutableHeaders(scope=message)
    headers.setdefault("content-security-policy", PAGE_POLICY)
    for name, value in _HEADERS.items():
        headers[name] = value
