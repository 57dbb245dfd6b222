"""The pages on which people sign in, put a check on record and decide on it."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from veneercheck.bench.asking import bench_of, form_of, job_of, small_body, words_of
from veneercheck.bench.desk import Signed
from veneercheck.bench.guard import Door, address_of
from veneercheck.bench.photo import LARGEST_BYTES, code_in
from veneercheck.core.errors import VeneerCheckError
from veneercheck.profile.names import looks_like_a_name
from veneercheck.report.markup import Markup, joined, tag
from veneercheck.report.refused import refused
from veneercheck.report.standing import check_rows, plan_rows
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from veneercheck.bench.store import Job
    from veneercheck.record import Entry
    from veneercheck.record.people import People

_LONGEST = {"why": 1000, "who": 8, "what": 40, "scanner": 80, "phrase": 1000, "back": 200}

_TRIED = asyncio.Semaphore(2)
"""Keys opened and photographs read at once: each takes 64 MB and a core for a moment."""


def decide_routes() -> list[Route]:
    """The routes of these pages."""
    return [
        Route("/sign", _sign, methods=["GET", "POST"]),
        Route("/sign/out", _sign_out, methods=["POST"]),
        Route("/api/code", _photo, methods=["PUT"]),
        Route("/records/{key:str}", _one, methods=["GET", "POST"]),
        Route("/checks/{number}/record", _file, methods=["GET", "POST"]),
    ]


# ---- who is signed in


def _cookie(request: Request) -> str:
    door: Door = request.app.state.door
    return f"{door.cookie}_who"


def signed_in(request: Request) -> Signed | None:
    """Who is signed in at this browser."""
    return bench_of(request).desk.signed(request.cookies.get(_cookie(request), ""))


async def _form(request: Request) -> dict[str, str]:
    """The fields of a form, each no longer than it need be."""
    given = await form_of(request)
    return {name: given.get(name, "")[:most] for name, most in _LONGEST.items()}


async def _sign(request: Request) -> Response:
    words, back = words_of(request), _inside(request.query_params.get("back", ""))
    if request.method == "GET":
        return HTMLResponse(_sign_page(request, back, words))
    form = await _form(request)
    door: Door = request.app.state.door
    who = f"{address_of(request.scope)} signs"  # counted apart from the door's own password
    with door.queue(who) as in_turn:
        if not in_turn:
            raise HTTPException(429, words("bench.too_often"), {"connection": "close"})
        await asyncio.sleep(door.delay_s(who))
        try:
            async with _TRIED:
                token = await asyncio.to_thread(
                    bench_of(request).desk.sign_in, _place(request), form["who"], form["phrase"]
                )
        except VeneerCheckError as refusal:
            door.tried_wrong(who)
            page = _sign_page(request, back, words, refused(refusal, words))
            return HTMLResponse(page, status_code=403)
    door.tried_right(who)
    return give(RedirectResponse(_inside(form["back"]) or "/records", 303), request, token)


def give(answer: Response, request: Request, token: str) -> Response:
    """Tell a browser who it belongs to from now on."""
    door: Door = request.app.state.door
    answer.set_cookie(_cookie(request), token, httponly=True, samesite="strict",
                      secure=door.scheme == "https")  # fmt: skip
    return answer


async def _sign_out(request: Request) -> Response:
    bench_of(request).desk.sign_out(request.cookies.get(_cookie(request), ""))
    answer = RedirectResponse("/sign", 303)
    answer.delete_cookie(_cookie(request))
    return answer


def _inside(back: str) -> str:
    """Where to go on, if it is a page of ours."""
    ours = back.startswith(("/records", "/checks/")) and "//" not in back and "\\" not in back
    return back if ours and back.isprintable() else ""


def _place(request: Request) -> str:
    place = bench_of(request).register
    if place is None:
        raise HTTPException(404, words_of(request)("records.no_register"))
    return place


async def _photo(request: Request) -> Response:
    """Where the check lies whose report was photographed."""
    _place(request)
    photograph = await small_body(request, LARGEST_BYTES)
    async with _TRIED:
        code = await asyncio.to_thread(code_in, photograph)
    return JSONResponse({"location": f"/records/{quote(code)}?lang={words_of(request).lang}"})


# ---- one check on record


async def _one(request: Request) -> Response:
    """A check with its decisions; a decision in the name of who is signed in, or who says so."""
    words, key = words_of(request), request.path_params["key"]
    place, told = _place(request), ""
    if request.method == "POST":
        form, sitting = await _form(request), signed_in(request)
        try:
            await asyncio.to_thread(_decide, place, key, form, sitting)
        except VeneerCheckError as refusal:
            told = refused(refusal, words)
        else:
            named = "&name=1" if looks_like_a_name(form["why"]) else ""
            return RedirectResponse(f"/records/{quote(key)}?lang={words.lang}{named}", 303)
    if request.query_params.get("name"):
        told = words("desk.looks_like_a_name")
    page = await asyncio.to_thread(_check_page, request, place, key, words, told)
    return HTMLResponse(page, status_code=422 if request.method == "POST" else 200)


def _decide(place: str, key: str, form: dict[str, str], sitting: Signed | None) -> None:
    from veneercheck.machine.texts import writable
    from veneercheck.record import Register
    from veneercheck.record.deciding import decide
    from veneercheck.record.signing import enrolled

    with Register(place) as register:
        people = enrolled(register)
        signer = sitting.signer if sitting and people else None
        who = signer.initials if signer else form["who"]
        if people:
            people.may(who, "decide")
        why = writable(form["why"].replace("\r\n", "\n")) or ""
        decide(register, key, who=who, what=form["what"], why=why, signer=signer)


def _check_page(request: Request, place: str, key: str, words: Words, told: str) -> str:
    from veneercheck.record import Register
    from veneercheck.record.located import folder_of, number_of
    from veneercheck.record.planning import PLAN, one_check_or_plan
    from veneercheck.record.signing import enrolled

    with Register(place) as register:
        try:
            check = one_check_or_plan(register, key)
        except VeneerCheckError as refusal:
            return _page(
                words("records.title"), words, tag("p", refused(refusal, words), role="alert")
            )
        people, decisions = enrolled(register), register.decisions_on(check.key)
        there = folder_of(register, check).is_dir()
        is_plan = check.body["kind"] == PLAN
        rows = [*(plan_rows if is_plan else check_rows)(check.key, check.body, words),
                [words("records.folder"), str(folder_of(register, check))]]  # fmt: skip
    facts = [tag("tr", tag("th", name, scope="row"), tag("td", value)) for name, value in rows]
    number = number_of(check) or words("desk.unnumbered", mark=check.key[:12])
    if is_plan:  # it is checked, and the check is decided on
        return _page(number, words, tag("h2", words("records.plan")),
                     tag("table", tag("tbody", *facts)))  # fmt: skip
    return _page(
        number,
        words,
        tag("p", told, class_="notice", role="alert") if told else Markup(),
        tag("table", tag("tbody", *facts)),
        tag("h2", words("records.decision")),
        _decisions(decisions, words),
        _decision_form(request, check, people, words) if there else Markup(),
    )


def _decisions(decisions: list[Entry], words: Words) -> Markup:
    if not decisions:
        return tag("p", words("records.not_decided"))
    heads = [tag("th", words(f"records.{name}"), scope="col")
             for name in ("decided", "who", "signed", "decision", "why")]  # fmt: skip
    rows = [
        tag("tr", *(tag("td", cell) for cell in (
            words.minute(one.body["decided_at_utc"]), one.body["who"],
            (one.body.get("signature") or {}).get("by", words("format.none")),
            words.known("decided", one.body["what"]), one.body["why"])))
        for one in decisions
    ]  # fmt: skip
    return tag("table", tag("thead", tag("tr", *heads)), tag("tbody", *rows))


def _decision_form(request: Request, check: Entry, people: People, words: Words) -> Markup:
    """What may be decided here, by whom; where people are enrolled, only who signed in."""
    from veneercheck.record.deciding import DECIDED

    here, sitting = f"/records/{check.key}?lang={words.lang}", signed_in(request)
    if people and sitting is None:
        link = tag("a", words("desk.sign_in"), href=f"/sign?lang={words.lang}&back={quote(here)}")
        return tag("p", words("desk.sign_first"), " ", link)
    called = {what: words.known("decided", what) for what in DECIDED}
    called[DECIDED[-1]] = words("desk.taken_back")
    options = [tag("option", name, value=what) for what, name in called.items()]
    who = tag("label", words("desk.initials"), tag("input", name="who", maxlength="8",
              required="required", autocomplete="off"), class_="field")  # fmt: skip
    return tag(
        "form",
        _sitting(sitting, people, words) if sitting else who,
        tag("label", words("records.decision"), tag("select", *options, name="what"),
            class_="field"),
        tag("label", words("records.why"), tag("textarea", name="why", rows="3", maxlength="1000"),
            tag("span", words("desk.no_names"), class_="more"), class_="field"),
        tag("button", words("desk.decide"), class_="main-button"),
        method="post",
        action=here,
        class_="fields",
    )  # fmt: skip


def _sitting(sitting: Signed, people: People, words: Words) -> Markup:
    person = people.known.get(sitting.initials)
    role = words.known("role", person.role) if person else words("format.none")
    return tag("p", words("desk.signed_in", who=sitting.initials, role=role), id="sitting")


# ---- a check of the page put on record


async def _file(request: Request) -> Response:
    """Ask with what it was scanned and by whom it was checked, and put the check on record."""
    words, job, place = words_of(request), job_of(request), _place(request)
    if job.result() is None or (job.end() or {}).get("end") != "done":
        raise HTTPException(404, words("bench.not_found"))
    sitting, told = signed_in(request), ""
    if request.method == "POST":
        form = await _form(request)
        who = sitting.initials if sitting else form["who"]
        try:
            key = await asyncio.to_thread(_put_on_record, place, job, who, form["scanner"])
            return RedirectResponse(f"/records/{key}?lang={words.lang}", 303)
        except VeneerCheckError as refusal:
            told = refused(refusal, words)
    page = await asyncio.to_thread(_file_page, place, job, sitting, words, told)
    return HTMLResponse(page, status_code=422 if told else 200)


def _put_on_record(place: str, job: Job, who: str, scanner: str) -> str:
    from veneercheck.bench.worker import order_of
    from veneercheck.case.order import settle
    from veneercheck.record import Register
    from veneercheck.record.filing import take_on_record

    with Register(place) as register:
        work = settle(order_of(job, scanner))
        store = job.folder.parent / "cases"
        return take_on_record(register, work, job.out, store, who=who, now=datetime.now(UTC)).key


def _file_page(place: str, job: Job, sitting: Signed | None, words: Words, told: str) -> str:
    from veneercheck.record import Register
    from veneercheck.record.standing import entries_with

    with Register(place) as register:
        known = {one.body["scanner"] for one in entries_with(register, kind="scanner")}
    options = [tag("option", words("format.none"), value="")]
    options += [tag("option", name, value=name) for name in sorted(known)]
    who = tag("label", words("desk.initials"), tag("input", name="who", maxlength="8",
              required="required", autocomplete="off"), class_="field")  # fmt: skip
    if sitting:
        who = tag("p", words("desk.checked_by", who=sitting.initials))
    number = job.order()["case"].get("case")
    return _page(
        number or words("desk.unnumbered", mark=job.number),
        words,
        tag("p", told, class_="notice", role="alert") if told else Markup(),
        tag("p", words("desk.file_lead")),
        tag("p", words("desk.number_missing"), class_="notice") if not number else Markup(),
        tag("form", who,
            tag("label", words("standing.scanner"), tag("select", *options, name="scanner"),
                class_="field"),
            tag("button", words("desk.file"), class_="main-button"),
            method="post", action=f"/checks/{job.number}/record?lang={words.lang}",
            class_="fields"),
    )  # fmt: skip


# ---- parts


def _sign_page(request: Request, back: str, words: Words, told: str = "") -> str:
    sitting = signed_in(request)
    out = tag("form", tag("p", words("desk.signed_in_as", who=sitting.initials)),
              tag("button", words("desk.sign_out")), method="post", action="/sign/out",
              ) if sitting else Markup()  # fmt: skip
    return _page(
        words("desk.sign_in"),
        words,
        tag("p", told, class_="notice", role="alert") if told else Markup(),
        out,
        tag("form",
            tag("label", words("desk.initials"), tag("input", name="who", maxlength="8",
                required="required", autocomplete="username"), class_="field"),
            tag("label", words("desk.phrase"), tag("input", name="phrase", type="password",
                required="required", autocomplete="current-password"), class_="field"),
            tag("input", type="hidden", name="back", value=back),
            tag("button", words("desk.sign_in"), class_="main-button"),
            method="post", action=f"/sign?lang={words.lang}", class_="fields"),
    )  # fmt: skip


def _page(title: str, words: Words, *parts: str) -> str:
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", f"veneercheck · {title}"),
        tag("link", rel="stylesheet", href="/page.css"),
    )
    links = [tag("a", words("records.back"), href=f"/?lang={words.lang}"), " · ",
             tag("a", words("records.title"), href=f"/records?lang={words.lang}"), " · ",
             tag("a", words("desk.sign_in"), href=f"/sign?lang={words.lang}")]  # fmt: skip
    body = tag("main", tag("h1", title), tag("p", *links), joined(parts))
    return "<!doctype html>" + tag("html", head, tag("body", body), lang=words.lang)
