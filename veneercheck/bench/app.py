"""The page's routes: hand a scan in, ask for a check, look at it, fetch what it wrote."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
from collections.abc import AsyncIterator, Awaitable, Callable
from datetime import UTC, datetime
from html import escape
from importlib import resources
from typing import Any
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Route
from starlette.types import ASGIApp

from veneercheck.bench import answer, fetched, handed, limits, repeat
from veneercheck.bench.asking import (
    Bench,
    bench_of,
    checked_job,
    form_of,
    job_of,
    small_json,
    words_of,
)
from veneercheck.bench.decide import decide_routes, give
from veneercheck.bench.guard import Door, Guard, address_of
from veneercheck.bench.planning import plan_routes
from veneercheck.bench.trends import trends_routes
from veneercheck.core.errors import VeneerCheckError
from veneercheck.report.refused import said
from veneercheck.report.viewing import view_module
from veneercheck.report.words import Words, sections

_PARTS = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "repeat.js": "text/javascript; charset=utf-8",
    "correct.js": "text/javascript; charset=utf-8",
    "day.js": "text/javascript; charset=utf-8",
    "pick.js": "text/javascript; charset=utf-8",
    "turning.js": "text/javascript; charset=utf-8",
    "arch.js": "text/javascript; charset=utf-8",
    "limits.js": "text/javascript; charset=utf-8",
    "parts.js": "text/javascript; charset=utf-8",
    "photo.js": "text/javascript; charset=utf-8",
    "plan.js": "text/javascript; charset=utf-8",
    "lab.js": "text/javascript; charset=utf-8",
}
"""The page's own files."""


Handler = Callable[[Request], Awaitable[Response]]


def make_app(bench: Bench, door: Door) -> ASGIApp:
    """The page as an ASGI application, behind its door."""

    @contextlib.asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        for queue in (bench.queue, bench.plans):
            queue.tidy()
        yield
        for queue in (bench.queue, bench.plans):
            await queue.close()

    routes = [
        Route("/", _page),
        Route("/plan", _plan_page, methods=["GET"]),
        *plan_routes(),
        Route("/login", _login, methods=["GET", "POST"]),
        Route("/api/scans", handed.hand_in, methods=["PUT"]),
        Route("/api/names", handed.names, methods=["GET"]),
        Route("/api/checks", handed.ask, methods=["POST"]),
        Route("/api/checks", _day, methods=["GET"]),
        Route("/api/register", _on_record, methods=["GET"]),
        Route("/records", _records, methods=["GET"]),
        *trends_routes(),  # before the key of a check, which may be any word
        *decide_routes(),
        Route("/api/checks/{number}", _look),
        Route("/api/checks/{number}/cancel", _cancel, methods=["POST"]),
        Route("/api/checks/{number}/model", _model, methods=["GET"]),
        Route("/api/checks/{number}/painted", handed.paint, methods=["PUT"]),
        Route("/api/checks/{number}/scans", _both, methods=["GET"]),
        Route("/api/checks/{number}/placed", _place, methods=["POST"]),
        Route("/api/repeatability", _repeat, methods=["POST"]),
        Route("/api/limits", limits.listed, methods=["GET"]),
        Route("/api/limits", _change_limits, methods=["POST"]),
        Route("/checks/{number}/all.zip", fetched.everything),
        Route("/checks/{number}/{name}", fetched.fetch),
        Route("/view.js", _view, methods=["GET"]),
        Route("/{part}", _part),
    ]
    app = Starlette(
        routes=routes,
        lifespan=life,
        exception_handlers={
            VeneerCheckError: _refused,
            HTTPException: _plainly,
            ClientDisconnect: _gone,
        },
    )
    app.state.bench, app.state.door = bench, door
    return Guard(app, door)


async def _refused(request: Request, refusal: Exception) -> Response:
    assert isinstance(refusal, VeneerCheckError)
    words = words_of(request)
    told = {
        "what": said(refusal.what, words),
        "where": refusal.where,
        "next_step": said(refusal.next_step, words),
    }
    # A refusal may repeat half a character ("\\ud800"), which no encoding can write.
    sent = {name: text.encode("utf-8", "replace").decode() for name, text in told.items()}
    return JSONResponse(sent, status_code=422)


async def _plainly(_: Request, fault: Exception) -> Response:
    assert isinstance(fault, HTTPException)
    return JSONResponse({"what": fault.detail}, fault.status_code, fault.headers)


async def _gone(_: Request, __: Exception) -> Response:
    return PlainTextResponse("", 400)


def _own(name: str) -> str:
    return resources.files(__package__).joinpath("page", name).read_text(encoding="utf-8")


def _filled(template: str, words: Words) -> str:
    """A page with its words in place of their keys."""
    return re.sub(r"\{\{([a-z0-9_.]+)\}\}", lambda key: escape(words(key.group(1))), template)


async def _page(request: Request) -> Response:
    return _with_words(request, "page.html")


async def _plan_page(request: Request) -> Response:
    return _with_words(request, "plan.html")


def _with_words(request: Request, name: str) -> Response:
    words = words_of(request)
    catalogue = sections(words.lang)
    surfaces = {f"surface_{code}": word for code, word in catalogue["surface"].items()}
    told = json.dumps(catalogue["bench"] | surfaces, ensure_ascii=False).replace("<", "\\u003c")
    text = _filled(_own(name), words).replace("[[lang]]", words.lang)
    return HTMLResponse(text.replace("[[words]]", told))


async def _login(request: Request) -> Response:
    door: Door = request.app.state.door
    words = words_of(request)
    text = _filled(_own("login.html"), words).replace("[[lang]]", words.lang)
    if door.password is None:
        raise HTTPException(404, words("bench.not_found"))
    if request.method == "GET":
        return HTMLResponse(text)
    who = address_of(request.scope)
    with door.queue(who) as in_turn:
        if not in_turn:
            raise HTTPException(429, words("bench.too_often"), {"connection": "close"})
        return await _tried(request, door, who, text)


async def _tried(request: Request, door: Door, who: str, text: str) -> Response:
    given = await form_of(request)
    password, initials = (given.get(name, "") for name in ("password", "who"))
    await asyncio.sleep(door.delay_s(who))
    bench = bench_of(request)
    if initials and bench.register is not None:  # who is enrolled need not know the page's own
        try:
            place, sign_in = bench.register, bench.desk.sign_in
            token = await asyncio.to_thread(sign_in, place, initials, password)
            return give(door.admit(), request, token)
        except VeneerCheckError:
            door.tried_wrong(who)
    elif door.right_password(password, who):
        return door.admit()
    return HTMLResponse(text.replace("hidden", ""), status_code=403)


async def _part(request: Request) -> Response:
    name = request.path_params["part"]
    if name not in _PARTS:
        raise HTTPException(404, words_of(request)("bench.not_found"))
    return Response(_own(name), media_type=_PARTS[name])


async def _day(request: Request) -> Response:
    """The latest checks."""
    bench, words = bench_of(request), words_of(request)
    lines = []
    for job, _ in zip(bench.store.jobs(), range(200), strict=False):
        lines.append(answer.brief(job, bench.queue, words))
    return JSONResponse(lines)


async def _on_record(request: Request) -> Response:
    """Today's checks on record, the newest first; none where no register is named."""
    place = bench_of(request).register
    return JSONResponse([] if place is None else await asyncio.to_thread(_recorded_today, place))


async def _records(request: Request) -> Response:
    """What is on record, narrowed down by what the address says."""
    from veneercheck.bench.records import records_page
    from veneercheck.report.standing import read_code

    place, asked = bench_of(request).register, dict(request.query_params)
    if place is not None and (code := asked.get("words", "").strip()) and read_code(code):
        # typed by a hand scanner, which ends with Enter
        return RedirectResponse(f"/records/{quote(code)}?lang={words_of(request).lang}", 303)
    return HTMLResponse(await asyncio.to_thread(records_page, place, asked, words_of(request)))


def morning_utc(now: datetime) -> str:
    """When the day of a moment began on this computer's clock, as the register writes times."""
    # by the date: the offset at midnight is another one on a day on which the clocks change
    return datetime(now.year, now.month, now.day).astimezone(UTC).isoformat()


def _recorded_today(place: str) -> list[dict[str, Any]]:
    from veneercheck.record import Register

    with Register(place) as register:
        rows = register.list_checks(since_utc=morning_utc(datetime.now().astimezone()))
    names = ("case_number", "verdict", "stage", "checked_at_utc", "who", "key")
    return [{name: row[name] for name in names} for row in reversed(rows)]


async def _look(request: Request) -> Response:
    bench = bench_of(request)
    found = answer.whole(job_of(request), bench.store, bench.queue, words_of(request))
    return JSONResponse({**found, "register": bench.register is not None})


async def _model(request: Request) -> Response:
    """The framework of a check, on which guesses are corrected."""
    from veneercheck.bench.correct import model

    return JSONResponse(await asyncio.to_thread(model, checked_job(request)))


async def _both(request: Request) -> Response:
    """Both scans of a check, on which places are picked."""
    from veneercheck.bench.placing import scans

    return JSONResponse(await asyncio.to_thread(scans, checked_job(request)))


async def _place(request: Request) -> Response:
    """A first look at where the places picked lead."""
    from veneercheck.bench.placing import placed

    job, asked = checked_job(request), await small_json(request)
    async with bench_of(request).placing:  # one after the other: each takes a core
        return JSONResponse(await asyncio.to_thread(placed, job, asked))


async def _view(_: Request) -> Response:
    """The report's own drawing, as a module."""
    return Response(view_module(), media_type=_PARTS["page.js"])


async def _cancel(request: Request) -> Response:
    job = job_of(request)
    await bench_of(request).queue.cancel(job)
    return JSONResponse({"state": bench_of(request).queue.state(job)})


async def _repeat(request: Request) -> Response:
    """Repeated scans of one body: noise, seating and distortion in words and numbers."""
    bench = bench_of(request)
    data = await small_json(request)
    if bench.repeating:
        raise HTTPException(429, words_of(request)("bench.repeat_busy"))
    bench.repeating = True
    try:
        return JSONResponse(await repeat.measured(bench.store, data, words_of(request).lang), 201)
    finally:
        bench.repeating = False


async def _change_limits(request: Request) -> Response:
    data = await small_json(request)
    return JSONResponse(limits.keep(bench_of(request).store, data), 201)
