"""The door of the page: who may ask, from where, how often; every answer leaves with its policy."""

from __future__ import annotations

import collections
import contextlib
import dataclasses
import hmac
import secrets
import time
from collections.abc import Iterator, MutableMapping
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

_GUESSES, _GUESS_MEMORY_S = 3, 600.0
"""Wrong passwords of one address that are answered at once, and how long each is remembered."""

_GUESS_DELAY_S, _LONGEST_DELAY_S = 0.5, 8.0
"""Each further one doubles how long the address waits for its answer, right or wrong."""

_TRIES_AT_ONCE = 4

_ADDRESSES = 1000
"""As many are remembered: a laboratory has fewer computers."""

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
    guesses: dict[str, list[float]] = dataclasses.field(default_factory=dict)
    trying: collections.Counter[str] = dataclasses.field(default_factory=collections.Counter)

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

    def right_password(self, given: str, who: str = "?") -> bool:
        """Whether it is the password; a wrong one is remembered of the address that gave it."""
        if self.password is not None and _same(given, self.password):
            self.tried_right(who)
            return True
        self.tried_wrong(who)
        return False

    def tried_right(self, who: str) -> None:
        """Forget what an address tried before."""
        self.guesses.pop(who, None)

    def tried_wrong(self, who: str) -> None:
        """Remember that an address tried a wrong one."""
        if len(self.guesses) >= _ADDRESSES and who not in self.guesses:
            del self.guesses[next(iter(self.guesses))]
        self.guesses[who] = [*self._wrong_of(who), time.monotonic()]

    @contextlib.contextmanager
    def queue(self, who: str) -> Iterator[bool]:
        """Whether an address may try now: some tries at once, so that it holds few lines."""
        self.trying[who] += 1
        try:
            yield self.trying[who] <= _TRIES_AT_ONCE
        finally:
            self.trying[who] -= 1
            self.trying += collections.Counter()  # forgets who tries no more

    def delay_s(self, who: str) -> float:
        """How long an address waits for its answer: slowed down after wrong ones, never locked."""
        over = len(self._wrong_of(who)) - _GUESSES
        return 0.0 if over < 0 else min(_GUESS_DELAY_S * 2.0 ** min(over, 10), _LONGEST_DELAY_S)

    def _wrong_of(self, who: str) -> list[float]:
        now = time.monotonic()
        return [at for at in self.guesses.get(who, [])[-32:] if now - at < _GUESS_MEMORY_S]


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
        stranger = self._stranger(scope, headers)
        if stranger is not None:
            return stranger  # not counted: another site's requests come from the same browser
        if self._too_often(scope):
            return _no(429, "Too many requests: wait a moment.")
        return self._let_in(scope, headers)

    def _stranger(self, scope: Scope, headers: Headers) -> Response | None:
        """Turn away what another site sends, or what asks under another name."""
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
        return None

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
        who = address_of(scope)
        now = time.monotonic()
        if len(self._budget) > _ADDRESSES:
            self._budget.clear()
        left, at = self._budget.get(who, (_AT_ONCE, now))
        left = min(_AT_ONCE, left + (now - at) * _PER_SECOND) - 1.0
        self._budget[who] = (max(left, 0.0), now)
        return left < 0.0


def address_of(scope: Scope) -> str:
    """Where a request comes from."""
    return str((scope.get("client") or ("?",))[0])


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
