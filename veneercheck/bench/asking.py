"""What every route of the page asks of a request: whose bench, which words, a small body."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException
from starlette.requests import Request

from veneercheck.bench.desk import Desk
from veneercheck.bench.queue import Queue
from veneercheck.bench.store import Job, Store
from veneercheck.report.words import LANGUAGES, Language, Words
from veneercheck.scan.limits import ReadCaps

_JSON_BYTES = 64 * 1024
"""A request is a dozen fields."""

_FIELDS = 20
"""A form has a few."""

PAUSE_S = 20.0
"""Longest silence within what is handed in."""


class Bench:
    """Everything the routes share.

    Parameters
    ----------
    store : Store
    caps : ReadCaps, optional
        Largest scan.
    register : str, optional
        Place of the register whose checks are listed, and in which checks are decided on.
    keys : Path, optional
        Folder of the sealed keys of those who sign in.
    """

    def __init__(
        self,
        store: Store,
        caps: ReadCaps | None = None,
        *,
        register: str | None = None,
        keys: Path | None = None,
    ) -> None:
        self.register = register
        self.desk = Desk(keys)
        self.store = store
        self.queue = Queue(store)
        self.plans = Queue(Store(store.root / "plans"), slots=1)
        self.caps = caps or ReadCaps()
        self.uploads = 0
        self.repeating = False
        self.placing = asyncio.Lock()


def bench_of(request: Request) -> Bench:
    """What the routes share."""
    found: Bench = request.app.state.bench
    return found


def words_of(request: Request) -> Words:
    """The language asked for, else the browser's, else English."""
    asked = request.query_params.get("lang")
    if asked not in LANGUAGES:
        asked = "de" if request.headers.get("accept-language", "")[:2].lower() == "de" else "en"
    lang: Language = asked  # type: ignore[assignment]  # one of the languages
    return Words(lang)


def job_of(request: Request) -> Job:
    job = bench_of(request).store.job(request.path_params["number"])
    if job is None:
        raise HTTPException(404, words_of(request)("bench.not_found"))
    return job


async def small_body(request: Request, most: int = _JSON_BYTES) -> bytes:
    """The whole body; one that is too long or stalls is refused."""
    body = b""
    try:
        async with asyncio.timeout(PAUSE_S):
            async for chunk in request.stream():
                body += chunk
                if len(body) > most:
                    raise HTTPException(413, words_of(request)("bench.too_large"))
    except TimeoutError:
        raise too_slow(request) from None
    return body


def too_slow(request: Request) -> HTTPException:
    return HTTPException(408, words_of(request)("bench.too_slow"), {"connection": "close"})


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form."""
    body = (await small_body(request)).decode("utf-8", "replace")
    try:
        given = parse_qs(body, max_num_fields=_FIELDS)
    except ValueError:
        raise HTTPException(400, words_of(request)("bench.not_json")) from None
    return {name: values[0] for name, values in given.items()}


async def small_json(request: Request) -> object:
    """The request's JSON."""
    try:
        return json.loads(await small_body(request))
    except (ValueError, RecursionError):
        raise HTTPException(400, words_of(request)("bench.not_json")) from None


def checked_job(request: Request) -> Job:
    """The check that is asked for, once it has its result."""
    job = job_of(request)
    if job.result() is None:
        raise HTTPException(404, words_of(request)("bench.not_found"))
    return job
