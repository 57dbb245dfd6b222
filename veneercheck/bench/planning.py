"""Plans on the page: a finish line picked on the wax-up, the order, and the plan as it is shown."""

from __future__ import annotations

import asyncio
import functools
import os
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from veneercheck.bench import answer, limits
from veneercheck.bench.asking import bench_of, small_json, words_of
from veneercheck.bench.decide import signed_in
from veneercheck.bench.packing import sent_whole
from veneercheck.bench.store import Dropped, Job, suffix_of
from veneercheck.bench.wish import UNITS, read_wish, toml_text
from veneercheck.case.planning import cutting_of
from veneercheck.core.errors import MeshError, ProfileError, ScanError, Told
from veneercheck.core.plan.line import way_through
from veneercheck.core.types import TriangleMesh
from veneercheck.profile import parse_case
from veneercheck.report.pack import Pack, add_mesh, page_order
from veneercheck.report.plan_words import plan_summary
from veneercheck.scan import read_scan

DOWNLOADS: Mapping[str, str] = {
    "depths.svg": "image/svg+xml",
    "shade.svg": "image/svg+xml",
    "plan.pdf": "application/pdf",
    "plan.json": "application/json",
    "marks.csv": "text/csv; charset=utf-8",
    "target.stl": "application/octet-stream",
    "target.3mf": "application/octet-stream",
    "depth.ply": "application/octet-stream",
    "pins.3mf": "application/octet-stream",
    "plates.3mf": "application/octet-stream",
}
"""What of a plan may be fetched by itself; everything comes in one file."""

_INSIDE_KEYS = {"plates.3mf": "keys/plates.3mf"}
_BESIDE = ("mask", "antagonist", "wedge")
"""What else of `ROLES` may be handed in; wax-up and die are fields of every order."""

_LENGTHS = {"width_mm": 0.8, "collar_mm": 1.0, "off_border_mm": 1.0}
_OWN = ("form", "finish_line", *_BESIDE, *_LENGTHS)
_LEAST_POINTS, _MOST_POINTS = 3, 500


def plan_routes() -> list[Route]:
    """What the page asks of plans."""
    return [
        Route("/api/scans/{number}/model", _model, methods=["GET"]),
        Route("/api/scans/{number}/way", _way, methods=["POST"]),
        Route("/api/plans", _ask, methods=["POST"]),
        Route("/api/plans/{number}", _look, methods=["GET"]),
        Route("/api/plans/{number}/cancel", _cancel, methods=["POST"]),
        Route("/api/plans/{number}/record", _put_on_record, methods=["POST"]),
        Route("/plans/{number}/all.zip", _everything, methods=["GET"]),
        Route("/plans/{number}/{name}", _fetch, methods=["GET"]),
    ]


async def _model(request: Request) -> Response:
    """The wax-up, on which a finish line is picked."""
    return JSONResponse(await asyncio.to_thread(_packed, *_scan_of(request)))


async def _way(request: Request) -> Response:
    """The way on the surface through the points picked so far."""
    scan, unit = _scan_of(request)
    asked = await small_json(request)
    points = asked.get("points") if isinstance(asked, Mapping) else None
    async with bench_of(request).placing:  # one after the other: each takes a core
        return JSONResponse(await asyncio.to_thread(_line, scan, unit, points))


def _scan_of(request: Request) -> tuple[Dropped, str | None]:
    scan = bench_of(request).store.dropped(request.path_params["number"])
    if scan is None:
        raise HTTPException(404, words_of(request)("bench.not_found"))
    unit = request.query_params.get("unit") or None
    if unit is not None and unit not in UNITS:
        raise HTTPException(422, words_of(request)("bench.not_found"))
    return scan, unit


def _packed(scan: Dropped, unit: str | None) -> dict[str, Any]:
    mesh, pack = _mesh(scan.path, scan.name, unit), Pack()
    points = mesh.points_mm
    middle = np.round(0.5 * (points.min(axis=0) + points.max(axis=0)), 3)
    radius = float(np.linalg.norm(points - middle, axis=1).max())
    plan = {"mesh": add_mesh(pack, mesh, middle), "middle": middle.tolist(), "radius": radius}
    return {"plan": plan, "data": pack.text()}


def _line(scan: Dropped, unit: str | None, points: object) -> dict[str, Any]:
    given = points if isinstance(points, list) else []
    inside = given[:1] or [[0.0, 0.0, 0.0]]
    told = {"finish_line": [{"points": given, "inside": inside[0]}]}
    (line,) = parse_case(told, where="finish line").finish_lines
    try:
        way = way_through(_mesh(scan.path, scan.name, unit), np.array(line.points_mm))
    except MeshError as error:
        raise ScanError(error.what, where=scan.name, next_step=error.next_step) from None
    return {"way": np.round(way.points_mm, 3).tolist()}


@functools.lru_cache(maxsize=2)
def _mesh(path: Path, name: str, unit: str | None) -> TriangleMesh:
    """A scan that was handed in, as the page numbers it; kept for the next point."""
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        named = Path(room) / f"waxup{suffix_of(name)}"  # the reader goes by the end of the name
        named.symlink_to(path.absolute()) if os.name == "posix" else named.write_bytes(
            path.read_bytes()
        )
        return page_order(read_scan(named, unit=unit).mesh)[0]


async def _ask(request: Request) -> Response:
    """File an order for a plan and have it done."""
    bench, words = bench_of(request), words_of(request)
    data = await small_json(request)
    if not isinstance(data, Mapping):
        raise HTTPException(400, words("bench.not_json"))
    wish = read_wish({name: value for name, value in data.items() if name not in _OWN})
    cutting = _cutting(data)
    if data.get("finish_line"):
        wish.case["finish_line"] = data["finish_line"]
        parse_case(wish.case)
    if bench.plans.full:
        raise HTTPException(429, words("bench.queue_full"))
    asked = {"waxup": wish.waxup, "die": wish.die} | {role: data.get(role) for role in _BESIDE}
    scans = {
        role: scan
        for role, number in asked.items()
        if (scan := bench.store.dropped(number)) is not None
    }
    if "waxup" not in scans:
        raise HTTPException(422, words("bench.plan_waxup"))
    if any(asked[role] is not None for role in asked.keys() - scans.keys()):
        raise HTTPException(422, words("bench.plan_again"))
    profile, texts = limits.chosen(bench.store, wish.profile, wish.beads_mm)
    if wish.case:
        texts["case.toml"] = toml_text(wish.case)
    order = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "case": wish.case,
        "cutting": cutting,
        "profile": profile,
        "unit": wish.unit,
        "lang": wish.lang,
    }
    job = bench.plans.store.new_job(order, scans, texts)
    bench.plans.add(job)
    names = [scan.name for scan in scans.values()] + [wish.case.get("case", "")]
    return JSONResponse({"number": job.number, "told": answer.warnings(names, words)}, 201)


def _cutting(data: Mapping[str, Any]) -> dict[str, Any]:
    """Form and lengths, as `cutting_of` takes them, once looked at."""
    asked: dict[str, Any] = {"form": data.get("form") or "chamfer"}
    for name, usual in _LENGTHS.items():
        value = data.get(name, usual)
        if type(value) not in (int, float):
            raise ProfileError(
                Told("{value:.80} is no length.", value=repr(value)),
                where=name,
                next_step="Give it in mm.",
            )
        asked[name] = float(value)
    cutting_of(**asked)
    return asked


def _job(request: Request) -> Job:
    job = bench_of(request).plans.store.job(request.path_params["number"])
    if job is None:
        raise HTTPException(404, words_of(request)("bench.not_found"))
    return job


async def _look(request: Request) -> Response:
    """How far a plan is; once it is made, what it says."""
    job, words = _job(request), words_of(request)
    queue = bench_of(request).plans
    steps = [line["step"] for line in job.progress() if "step" in line]
    document = job.written("plan.json")
    told = {
        "number": job.number,
        "state": queue.state(job),
        "ahead": queue.ahead(job),
        "step": words.known("steps", steps[-1]) if steps else "",
        "end": job.end() or {},
        "sentences": [] if document is None else plan_summary(document, words.lang).splitlines(),
        "register": bench_of(request).register is not None,
        "files": [name for name in DOWNLOADS if _file(job, name).is_file()],
    }
    return JSONResponse(told)


async def _put_on_record(request: Request) -> Response:
    """Put a plan that was made on record, as the command line does with --register."""
    bench, words, job = bench_of(request), words_of(request), _job(request)
    asked, sitting = await small_json(request), signed_in(request)
    if bench.register is None:
        raise HTTPException(404, words("records.no_register"))
    if job.written("plan.json") is None or not isinstance(asked, Mapping):
        raise HTTPException(404, words("bench.not_found"))
    who = sitting.initials if sitting else str(asked.get("who") or "")
    async with bench.placing:  # it is made once more, with a folder of its own
        told = await asyncio.to_thread(_on_record, bench.register, job, who)
    return JSONResponse({"told": words("bench.plan_filed", **told)}, 201)


def _on_record(place: str, job: Job, who: str) -> dict[str, str]:
    from veneercheck.bench.worker import plan_work
    from veneercheck.record import Register
    from veneercheck.record.filing import initials
    from veneercheck.record.located import folder_of
    from veneercheck.record.planning import plan_on_record

    initials(who)
    with Register(place) as register:
        entry = plan_on_record(
            register,
            plan_work(job),
            job.folder.parent / "cases",
            who=who,
            lang=job.order()["lang"],
            say=lambda _: None,
        )
        return {"mark": entry.key[:12], "folder": folder_of(register, entry).name}


async def _cancel(request: Request) -> Response:
    job, queue = _job(request), bench_of(request).plans
    await queue.cancel(job)
    return JSONResponse({"state": queue.state(job)})


def _file(job: Job, name: str) -> Path:
    return job.out / _INSIDE_KEYS.get(name, name)


async def _fetch(request: Request) -> Response:
    job, name = _job(request), request.path_params["name"]
    if name not in DOWNLOADS or not _file(job, name).is_file():
        raise HTTPException(404, words_of(request)("bench.not_found"))
    headers = {}
    if name.endswith(".svg"):  # a drawing may be opened by itself: nothing in it may run
        headers["content-security-policy"] = "default-src 'none'; style-src 'unsafe-inline'"
    if not name.endswith(".svg") or "save" in request.query_params:
        headers["content-disposition"] = f'attachment; filename="{job.number}-{name}"'
    return FileResponse(_file(job, name), media_type=DOWNLOADS[name], headers=headers)


async def _everything(request: Request) -> Response:
    """The plan's whole folder and what it was asked, in one file."""
    job = _job(request)
    if job.written("plan.json") is None:
        raise HTTPException(404, words_of(request)("bench.not_found"))
    return await sent_whole(job)
