"""A crowd at the bench page: hundreds of lines that dawdle, hostile requests, and one honest user.

    python tests/benchmarks/crowd_bench.py [LINES] [REQUESTS]

The crowd comes from another address (127.0.0.2) than the honest user, then from the same one.
Tells the honest user's median time quiet and in the crowd, and how much memory the page took on.
The short form is a test (`tests/doors/test_bench_crowd.py`), which calls this.
"""

from __future__ import annotations

import collections
import contextlib
import dataclasses
import http.client
import multiprocessing
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

LINES, REQUESTS = 500, 300
HONEST, STRANGER = "127.0.0.1", "127.0.0.2"
PATIENCE_S = 120.0
PASSWORD = "a long pass word"
ASKED = 20
"""Honest requests whose median is told."""

HOSTILE: tuple[tuple[str, str, dict[str, str], bytes], ...] = (
    ("GET", "/", {"origin": "http://evil.example"}, b""),
    ("POST", "/api/checks", {"sec-fetch-site": "cross-site"}, b"{}"),
    ("GET", "/", {"host": "evil.example"}, b""),
    ("POST", "/login", {}, b"password=guess"),
    ("GET", "/checks/..%2f..%2fetc/passwd", {}, b""),
    ("PUT", "/api/scans?name=a.stl", {"content-length": "9" * 40}, b""),
    ("GET", "/api/checks", {"cookie": "bench_1=" + "x" * 4000}, b""),
    ("BREW", "/", {}, b""),
)
"""Method, path, headers, body."""


@dataclasses.dataclass
class Page:
    """The page in a process of its own, behind a password."""

    process: subprocess.Popen[str] | None
    port: int
    cookie: str = ""

    def ask(
        self,
        method: str,
        path: str,
        headers: dict[str, str] | None = None,
        body: bytes = b"",
        *,
        source: str = HONEST,
    ) -> tuple[int, dict[str, str], bytes]:
        """One request over a line of its own."""
        line = http.client.HTTPConnection(
            "127.0.0.1", self.port, timeout=PATIENCE_S, source_address=(source, 0)
        )
        sent = {"host": f"127.0.0.1:{self.port}", "content-length": str(len(body))}
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in (sent | (headers or {})).items():
            line.putheader(name, value)
        try:
            line.endheaders(body)
            answer = line.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            line.close()

    def log_in(self, word: str = PASSWORD, *, source: str = HONEST) -> int:
        """Give the password; the code of the answer."""
        body = f"password={word.replace(' ', '+')}".encode()
        code, headers, _ = self.ask("POST", "/login", body=body, source=source)
        if code == 303:
            self.cookie = headers["set-cookie"].split(";")[0]
        return code

    def honest_s(self) -> float:
        """Seconds that one honest request takes."""
        began = time.perf_counter()
        code, _, _ = self.ask("GET", "/", {"cookie": self.cookie})
        assert code == 200, code
        return time.perf_counter() - began

    def memory_mb(self) -> float:
        """What the page holds at the moment."""
        assert self.process is not None
        text = Path(f"/proc/{self.process.pid}/status").read_text(encoding="utf-8")
        return int(text.partition("VmRSS:")[2].split()[0]) / 1024


@contextlib.contextmanager
def opened(folder: Path, *words: str) -> Iterator[Page]:
    """The page, closed whatever happens."""
    (folder / "password").write_text(PASSWORD, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "veneercheck", "bench", "--folder", str(folder / "checks"),
         "--no-browser", "--password-file", str(folder / "password"), *words],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    page = Page(process, int(process.stdout.readline().split(":")[2].split("/")[0]))
    try:
        yield page
    finally:
        process.terminate()
        process.wait(PATIENCE_S)
        process.stdout.close()


def dawdlers(page: Page, count: int, source: str) -> list[socket.socket]:
    """Lines that hold the page up, each in one of five ways."""
    head = f"GET /page.css HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\n".encode()
    body = head.replace(b"GET /page.css", b"POST /login") + b"Content-Length: 99\r\n\r\npass"
    ways = (b"", b"G", head, head + b"\r\n", body)
    lines = []
    for number in range(count):
        with contextlib.suppress(OSError):
            line = socket.create_connection(
                ("127.0.0.1", page.port), timeout=PATIENCE_S, source_address=(source, 0)
            )
            lines.append(line)
            line.sendall(ways[number % len(ways)])
    return lines


def dripping(lines: list[socket.socket], stop: threading.Event) -> None:
    """A byte on every line each half second, also after its first answer."""
    while not stop.wait(0.5):
        for line in lines:
            with contextlib.suppress(OSError):
                line.send(b"G")


def hostile(page: Page, count: int, source: str, seed: int = 4) -> collections.Counter[int]:
    """Requests that must be turned away, four at once; how often each code was answered."""
    codes: collections.Counter[int] = collections.Counter()
    todo = iter(random.Random(seed).choices(HOSTILE, k=count))

    def ask() -> None:
        for method, path, headers, body in todo:
            try:
                codes[page.ask(method, path, headers, body, source=source)[0]] += 1
            except (OSError, http.client.HTTPException):
                codes[0] += 1  # the line was closed: as good as an answer to such a request

    threads = [threading.Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return codes


@dataclasses.dataclass(frozen=True)
class Told:
    """What one crowd did to the honest user."""

    quiet_s: float
    crowded_s: float
    memory_mb: float
    codes: dict[int, int]
    lines: int


def _stranger(port: int, size: tuple[int, int], source: str, told: Any, end: Any) -> None:
    """The crowd, in a process of its own: it must not share the honest user's turn."""
    page, (lines, requests) = Page(None, port), size
    slow, stop = dawdlers(page, lines, source), threading.Event()
    drip = threading.Thread(target=dripping, args=(slow, stop))
    drip.start()
    told.put(len(slow))
    told.put(dict(hostile(page, requests, source)))
    end.wait(PATIENCE_S)
    stop.set()
    drip.join()


def crowd(page: Page, lines: int, requests: int, source: str) -> Told:
    """Measure the honest user alone, then in the crowd."""
    before = page.memory_mb()
    quiet = statistics.median(page.honest_s() for _ in range(ASKED))
    apart = multiprocessing.get_context("spawn")
    told, end = apart.Queue(), apart.Event()
    process = apart.Process(
        target=_stranger, args=(page.port, (lines, requests), source, told, end)
    )
    process.start()
    try:
        held = told.get(timeout=PATIENCE_S)
        crowded = []
        while len(crowded) < ASKED:
            crowded.append(page.honest_s())
            time.sleep(0.02)
        codes = told.get(timeout=PATIENCE_S)
        crowded.append(page.honest_s())
        return Told(quiet, statistics.median(crowded), page.memory_mb() - before, codes, held)
    finally:
        end.set()
        process.join()


def main(lines: int = LINES, requests: int = REQUESTS) -> None:
    """Both crowds, told."""
    for source in (STRANGER, HONEST):
        with tempfile.TemporaryDirectory() as room, opened(Path(room)) as page:
            assert page.log_in() == 303
            told = crowd(page, lines, requests, source)
            sys.stdout.write(
                f"{told.lines} lines and {requests} requests from {source}: an honest request "
                f"took {1e3 * told.quiet_s:.1f} ms alone, {1e3 * told.crowded_s:.1f} ms in the "
                f"crowd; memory {told.memory_mb:+.0f} MB; answers {told.codes}\n"
            )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
