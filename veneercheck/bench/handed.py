"""What is handed in: scans and paint straight to disk, and the order to check them."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from veneercheck.bench import answer, limits
from veneercheck.bench.asking import (
    PAUSE_S,
    Bench,
    bench_of,
    checked_job,
    small_body,
    small_json,
    too_slow,
    words_of,
)
from veneercheck.bench.store import PAINTED_END, Dropped, suffix_of
from veneercheck.bench.wish import Wish, read_wish, toml_text
from veneercheck.report.words import Words

_PAINT_BYTES = 4 * 1024**2
"""A byte a vertex: more than a framework is ever refined to."""

_UPLOADS = 4
"""Scans handed in at once: two pairs."""

_UPLOAD_S = 900.0
"""Longest time for all of a scan."""


async def hand_in(request: Request) -> Response:
    """Take a scan in as it comes, straight to disk, no more than is allowed."""
    bench, words = bench_of(request), words_of(request)
    declared = request.headers.get("content-length", "")
    if not declared.isdecimal():
        raise HTTPException(411, words("bench.no_length"))
    if len(declared) > 12 or int(declared) > bench.caps.file_bytes:
        raise HTTPException(413, words("bench.too_large"))
    if not bench.store.room_for(int(declared)):
        raise HTTPException(507, words("bench.disk_full"))
    if bench.uploads >= _UPLOADS:
        raise HTTPException(429, words("bench.too_many"))
    bench.store.sweep()
    number, path = bench.store.new_scan(request.query_params.get("name", ""))
    bench.uploads += 1
    try:
        async with asyncio.timeout(_UPLOAD_S):
            await _to_disk(request, path, int(declared))
        bench.store.keep_scan(number)
    except TimeoutError:
        raise too_slow(request) from None
    finally:
        bench.uploads -= 1
        if path.exists():
            bench.store.drop_scan(number)
    kept = bench.store.dropped(number)
    name = kept.name if kept else ""
    return JSONResponse({"scan": number, "name": name, "told": answer.warnings([name], words)})


async def _to_disk(request: Request, path: Path, declared: int) -> None:
    """Write what comes; too much of it is a refusal, a pause too long is one as well."""
    count = 0
    chunks = request.stream()
    with path.open("wb") as file:
        while True:
            async with asyncio.timeout(PAUSE_S):
                chunk = await anext(chunks, None)
            if chunk is None:
                break
            count += len(chunk)
            if count > declared:
                raise HTTPException(413, words_of(request)("bench.too_large"))
            await asyncio.to_thread(file.write, chunk)
    if count == 0 or count != declared:
        raise HTTPException(400, words_of(request)("bench.empty"))


async def names(request: Request) -> Response:
    """Whether what is being typed seems to hold a person's name."""
    told = answer.warnings([request.query_params.get("text", "")[:400]], words_of(request))
    return JSONResponse({"told": told})


async def ask(request: Request) -> Response:
    """File an order and have it done."""
    bench, words = bench_of(request), words_of(request)
    wish = read_wish(await small_json(request))
    if bench.queue.full:
        raise HTTPException(429, words("bench.queue_full"))
    scans = _scans(bench, wish, words)
    beside = {"painted": f"scans/painted{PAINTED_END}"} if "painted" in scans else {}
    if "die" in scans:
        beside["die"] = f"scans/die{suffix_of(scans['die'].name)}"
    if beside:
        wish.case["scans"] = beside
    profile, texts = limits.chosen(bench.store, wish.profile, wish.beads_mm)
    if wish.case:
        texts["case.toml"] = toml_text(wish.case)
    order = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "case": wish.case,
        "profile": profile,
        "beads_mm": wish.beads_mm,
        "unit": wish.unit,
        "lang": wish.lang,
        "after": wish.after,
    }
    job = bench.store.new_job(order, scans, texts)
    bench.queue.add(job)
    names = [scan.name for scan in scans.values()]
    names += [wish.case.get("case", ""), wish.case.get("notes", "")]
    return JSONResponse({"number": job.number, "told": answer.warnings(names, words)}, 201)


def _scans(bench: Bench, wish: Wish, words: Words) -> dict[str, Dropped]:
    """Both scans: just handed in, or those of the check before."""
    before = bench.store.job(wish.after)
    if wish.after is not None and before is None:
        raise HTTPException(404, words("bench.not_found"))
    found = {}
    for role, number in (("framework", wish.framework), ("waxup", wish.waxup)):
        scan = bench.store.dropped(number)
        if number in ("framework", "waxup") and before is not None:
            scan = before.scan(number)
        elif number is None and before is not None:
            scan = before.scan(role)
        if scan is None:
            raise HTTPException(422, words("bench.two_scans"))
        found[role] = scan
    if wish.painted is not None:
        kept = before.painted if wish.painted == "painted" and before is not None else None
        painted = kept or bench.store.dropped(wish.painted)
        if painted is None:
            raise HTTPException(422, words("bench.two_scans"))
        found["painted"] = painted
    if wish.die is not None:
        kept = before.beside("die") if wish.die == "die" and before is not None else None
        die = kept or bench.store.dropped(wish.die)
        if die is None:
            raise HTTPException(422, words("bench.two_scans"))
        found["die"] = die
    return found


async def paint(request: Request) -> Response:
    """Take what was painted, and keep it as a file that the next check may name."""
    from veneercheck.bench.correct import painted

    bench, job = bench_of(request), checked_job(request)
    brushes = await small_body(request, _PAINT_BYTES)
    content = await asyncio.to_thread(painted, job, brushes)
    if not bench.store.room_for(len(content)):
        raise HTTPException(507, words_of(request)("bench.disk_full"))
    number, path = bench.store.new_scan(f"painted{PAINTED_END}")
    await asyncio.to_thread(path.write_bytes, content)
    bench.store.keep_scan(number)
    return JSONResponse({"painted": number}, 201)
