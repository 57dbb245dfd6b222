"""What is fetched: one file that a check wrote, or everything of it."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from veneercheck.bench.asking import checked_job, job_of, words_of
from veneercheck.bench.guard import REPORT_POLICY
from veneercheck.bench.packing import sent_whole
from veneercheck.bench.store import DOWNLOADS


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
    return await sent_whole(checked_job(request))
