"""What the register teaches, on the page: the same page and the same PDF as `records trends`."""

from __future__ import annotations

import asyncio
from datetime import date
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from veneercheck.bench.asking import bench_of, words_of
from veneercheck.core.errors import RecordError, Told
from veneercheck.report.setting import can_print

if TYPE_CHECKING:
    from veneercheck.report.trends_lab import Trends

_PDF = "trends.pdf"

_POLICY = "frame-ancestors 'none'"
"""The page carries the rest itself; in a sandbox its link to the PDF would come from nowhere."""

_READING = asyncio.Semaphore(1)
"""Each asks for every entry of the register."""


def trends_routes() -> list[Route]:
    """The routes of the page and its PDF."""
    return [
        Route("/records/trends", _page, methods=["GET"]),
        Route(f"/records/{_PDF}", _paper, methods=["GET"]),
    ]


async def _page(request: Request) -> Response:
    from veneercheck.report.trends_page import trends_page

    words, since = words_of(request), _since(request)
    asked = {"lang": words.lang} | ({"since": since} if since else {})
    paper = f"{_PDF}?{urlencode(asked)}" if can_print() else ""
    async with _READING:
        trends = await asyncio.to_thread(_taught, request, since)
        page = await asyncio.to_thread(trends_page, trends, words, paper=paper)
    return HTMLResponse(page, headers={"content-security-policy": _POLICY})


async def _paper(request: Request) -> Response:
    from veneercheck.report.trends_paper import trends_pdf

    words, since = words_of(request), _since(request)
    if not can_print():
        raise HTTPException(404, words("bench.not_found"))
    async with _READING:
        trends = await asyncio.to_thread(_taught, request, since)
        made = await asyncio.to_thread(trends_pdf, trends, words)
    kept = {"content-disposition": f'attachment; filename="{_PDF}"'}
    return Response(made, media_type="application/pdf", headers=kept)


def _since(request: Request) -> str | None:
    """The day that the address names."""
    told = request.query_params.get("since", "").strip()
    try:
        return date.fromisoformat(told).isoformat() if told else None
    except ValueError:
        raise RecordError(
            Told("«{told}» is no day.", told=told[:40]), next_step="Write it as 2026-03-31."
        ) from None


def _taught(request: Request, since: str | None) -> Trends:
    from veneercheck.record import Register
    from veneercheck.record.export import trends_of

    place = bench_of(request).register
    if place is None:
        raise HTTPException(404, words_of(request)("records.no_register"))
    with Register(place) as register:
        return trends_of(register, since=since)
