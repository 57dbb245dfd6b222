"""What is fetched: one file that a check wrote, or everything of it."""

from __future__ import annotations

import asyncio
import tempfile
import zipfile
from pathlib import Path

from starlette.background import BackgroundTask
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from veneercheck.bench.asking import checked_job, job_of, words_of
from veneercheck.bench.guard import REPORT_POLICY
from veneercheck.bench.store import DOWNLOADS, Job


async def fetch(request: Request) -> Response:
    job, name = job_of(request), request.path_params["name"]
    if name not in DOWNLOADS or not (job.out / name).is_file():
        raise HTTPException(404, words_of(request)("bench.not_found"))
    headers = {}
    if name.endswith(".html"):
        headers["content-security-policy"] = REPORT_POLICY
    else:
        headers["content-disposition"] = f'attachment; filename="{job.number}-{name}"'
    if "save" in request.query_params:
        headers["content-disposition"] = f'attachment; filename="{job.number}-{name}"'
    return FileResponse(job.out / name, media_type=DOWNLOADS[name], headers=headers)


async def everything(request: Request) -> Response:
    """All that a check wrote and what it was asked, in one file."""
    job = checked_job(request)
    packed = await asyncio.to_thread(_packed, job)
    return FileResponse(
        packed,
        media_type="application/zip",
        filename=f"{job.number}.zip",
        background=BackgroundTask(packed.unlink, missing_ok=True),
    )


def _packed(job: Job) -> Path:
    folder = job.folder.parent / ".incoming"
    with (
        tempfile.NamedTemporaryFile(suffix=".zip", dir=folder, delete=False) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed,
    ):
        for path in sorted(job.out.rglob("*")):
            if path.is_file() and not path.name.startswith("."):
                packed.write(path, f"{job.number}/{path.relative_to(job.out).as_posix()}")
        for name_inside in ("case.toml", "profile.toml"):
            if (job.folder / name_inside).exists():
                packed.write(job.folder / name_inside, f"{job.number}/{name_inside}")
        for role in ("painted", "die"):
            if (scan := job.beside(role)) is not None:
                packed.write(scan.path, f"{job.number}/scans/{scan.path.name}")
    return Path(file.name)
