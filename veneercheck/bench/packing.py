"""All that a check or a plan wrote and what it was asked, in one file."""

from __future__ import annotations

import asyncio
import tempfile
import zipfile
from pathlib import Path

from starlette.background import BackgroundTask
from starlette.responses import FileResponse

from veneercheck.bench.store import Job


async def sent_whole(job: Job) -> FileResponse:
    """The answer that holds everything of a job; its file goes once it is sent."""
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
