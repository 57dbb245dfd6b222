"""The bench page in a process of its own, and how a browser asks it."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from veneercheck.bench import worker
from veneercheck.bench.store import Job
from veneercheck.case import run
from veneercheck.core.align import fit
from veneercheck.core.types import TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.scan import stl_bytes

PATIENCE_S = 300.0
"""Longest that anything is waited for: a hundred times what a quiet machine takes."""

CHROMIUM = shutil.which("chromium-headless-shell") or shutil.which("chromium")
"""Where Debian's package of it is there, without the pages of a window, each of them a process."""

SWITCHES = [
    *("--no-sandbox", "--disable-gpu", "--enable-unsafe-swiftshader", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


@contextlib.contextmanager
def chromium() -> Iterator[Any]:
    """The browser, started; a test that asks for it where it is not installed is skipped."""
    from playwright.sync_api import sync_playwright

    if CHROMIUM is None:
        pytest.skip("Debian's chromium is not installed")  # at a desk; in CI it fails
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield opened
        opened.close()


Answer = tuple[int, dict[str, str], bytes]

ROLES = ("framework", "waxup")


@dataclasses.dataclass
class Page:
    """The page in a process of its own, and a browser's cookie for it."""

    process: subprocess.Popen[str]
    url: str
    folder: Path
    cookie: str = ""

    @property
    def port(self) -> int:
        return int(self.url.split(":")[2].split("/")[0])

    @property
    def token(self) -> str:
        return self.url.split("token=")[1]

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | str | None = None,
        headers: dict[str, str] | None = None,
        *,
        host: str | None = None,
        known: bool = True,
    ) -> Answer:
        """One request, as it stands; the path is not tidied."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        sent = {"cookie": self.cookie} if known else {}
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        sent |= {"host": host or f"127.0.0.1:{self.port}"} | (headers or {})
        data = body.encode() if isinstance(body, str) else body
        if data is not None and "content-length" not in sent and "transfer-encoding" not in sent:
            sent["content-length"] = str(len(data))
        for name, value in sent.items():
            line.putheader(name, value)
        with contextlib.suppress(ConnectionError):  # refused before all of it was read
            line.endheaders()
            line.send(data or b"")
        answer = line.getresponse()
        found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        line.close()
        return found

    def patient(self, method: str, path: str, body: bytes | str | None = None) -> Answer:
        """As an honest client asks: told to wait a moment, after the hostile tries, it waits."""
        for _ in tries():
            found = self.ask(method, path, body)
            if found[0] != 429:
                return found
        raise AssertionError("turned away all along")

    def json(self, method: str, path: str, data: Any = None) -> Any:
        code, _, body = self.patient(method, path, None if data is None else json.dumps(data))
        assert code < 300, body
        return json.loads(body)

    def hand_in(self, mesh: TriangleMesh, name: str) -> str:
        found: str = self.json_of(*self.patient("PUT", f"/api/scans?name={name}", stl_bytes(mesh)))
        return found

    def json_of(self, code: int, _: dict[str, str], body: bytes) -> str:
        assert code == 200, body
        return str(json.loads(body)["scan"])

    def raw(self, text: bytes) -> bytes:
        """Bytes on the line, no HTTP library between."""
        with (
            contextlib.suppress(TimeoutError, ConnectionError),
            socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S) as line,
        ):
            line.sendall(text)
            return line.recv(4096)
        return b""

    def memory_mb(self) -> float:
        for text in Path(f"/proc/{self.process.pid}/status").read_text().splitlines():
            if text.startswith("VmRSS"):
                return int(text.split()[1]) / 1024
        raise AssertionError("no such process")


def tries() -> Iterator[None]:
    """Ten a second, until patience is at an end."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        yield
        time.sleep(0.1)


def open_page(folder: Path, *words: str) -> Page:
    process = subprocess.Popen(
        [sys.executable, "-m", "veneercheck", "bench", "--folder", str(folder), "--no-browser",
         *words],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    return Page(process, process.stdout.readline().strip(), folder)


def close_page(page: Page) -> None:
    page.process.terminate()
    page.process.wait(PATIENCE_S)
    assert page.process.stdout is not None
    page.process.stdout.close()


@contextlib.contextmanager
def entered(folder: Path, *words: str) -> Iterator[Page]:
    """A page that has let us in; closed whatever the test meets."""
    opened = open_page(folder, *words)
    try:
        code, headers, _ = opened.ask("GET", f"/?token={opened.token}", known=False)
        assert (code, headers["location"]) == (303, "/")
        opened.cookie = headers["set-cookie"].split(";")[0]
        yield opened
    finally:
        close_page(opened)


RADIUS_MM = 3.5
"""Of a lump that is checked: its unit is clear; at 5 mm a check costs twice as much."""


def caps(
    depth_mm: float, edge_mm: float = 0.9, radius_mm: float = RADIUS_MM
) -> tuple[TriangleMesh, TriangleMesh]:
    """A lump of such a radius that fits in one way only; its upper half cut back evenly.

    Edges are those of a ball of 4 mm.
    """
    ball = concentric_spheres(edge_mm).inner
    way = ball.points_mm / 4.0
    x, y, z = way.T
    size = radius_mm * (1.0 + 0.2 * x + 0.15 * x * y + 0.12 * (3.0 * x * x - 1.0) * y)
    cut = depth_mm * np.clip((z + 0.1) / 0.1, 0.0, 1.0)
    return (
        TriangleMesh(way * (size - cut)[:, None], ball.faces),
        TriangleMesh(way * size[:, None], ball.faces),
    )


def until(page: Page, number: str, *states: str) -> dict[str, Any]:
    for _ in tries():
        found: dict[str, Any] = page.json("GET", f"/api/checks/{number}")
        if found["state"] in states:
            return found
    raise AssertionError(f"still {found['state']}")


def answered(page: Page, number: str) -> None:
    """Wait for the result itself: other files of a check stand there before it."""
    for _ in tries():
        if "result.json" in page.json("GET", f"/api/checks/{number}")["files_ready"]:
            return
    raise AssertionError("no result")


JSON = {"content-type": "application/json"}

UPLOAD = "/api/scans?name=a.stl"


def workers(number: str) -> list[int]:
    """Processes that work on a check, by their command line."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words = path.read_bytes()
            if number.encode() in words and b"bench.worker" in words:
                found.append(int(path.parent.name))
    return found


def signal_worker(number: str, what: signal.Signals) -> None:
    """Kill who works on a check, or have him stand still, as soon as somebody does."""
    for _ in tries():
        for process in workers(number):
            os.kill(process, what)
            return
    raise AssertionError("nobody works on it")


def worked_near_by(folder: Path) -> None:
    """A check by the worker in this process, without its papers: no pose is looked for but near by.

    A search in vain is long, and tried in `core`; the page's own worker stands still meanwhile.
    """
    with pytest.MonkeyPatch.context() as patch:
        for search in ("_from_anywhere", "_shoved"):
            patch.setattr(fit, search, lambda *_: [])
        patch.setattr(run, "carry_out", functools.partial(run.carry_out, with_report=False))
        worker.run(Job(folder))


def page_tests() -> Any:
    """The tests of the page as a module: others open it and drop scans on it as they do."""
    from whole import test_bench_page

    return test_bench_page
