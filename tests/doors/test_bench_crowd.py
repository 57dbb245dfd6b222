"""The page in a crowd: neither dawdling lines nor strangers nor wrong passwords lock anybody out.

Expected: the honest user is answered, by construction of the limits; RFC 9110 for the codes.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from crowd_bench import HONEST, PASSWORD, STRANGER, Page, crowd, dawdlers, opened

from veneercheck.bench import guard
from veneercheck.bench.guard import Door

LINES, REQUESTS = 160, 60
"""More lines than the page holds; as many as a test has time for."""


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    with opened(tmp_path) as one:
        assert one.log_in() == 303
        yield one


def closed_after_s(line: socket.socket, patience_s: float = 60.0) -> float:
    """How long until the other side has closed a line."""
    began = time.monotonic()
    line.settimeout(patience_s)
    with contextlib.suppress(ConnectionError):
        while line.recv(65536):
            pass
    return time.monotonic() - began


@pytest.mark.parametrize("source", [STRANGER, HONEST])
def test_a_crowd_that_dawdles_locks_nobody_out(page: Page, source: str) -> None:
    """`crowd` asserts that every honest request is answered with 200."""
    told = crowd(page, LINES, REQUESTS, source)
    assert sum(told.codes.values()) == REQUESTS and told.lines > 100
    assert told.memory_mb < 40
    assert not any(code >= 500 for code in told.codes)


def test_every_request_of_a_line_has_its_time(page: Page) -> None:
    """One byte after the first answer keeps no line open: closed within twenty seconds or so."""
    line = socket.create_connection(("127.0.0.1", page.port), timeout=60)
    line.sendall(f"GET /page.css HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\n\r\n".encode())
    assert line.recv(12) == b"HTTP/1.1 200"
    time.sleep(1.0)
    line.setblocking(False)
    with contextlib.suppress(BlockingIOError):
        while line.recv(65536):
            pass
    line.setblocking(True)
    line.sendall(b"G")
    assert closed_after_s(line) < 50.0
    line.close()


@pytest.mark.parametrize(("method", "path"), [("POST", "/login"), ("POST", "/api/limits")])
def test_a_body_that_stalls_is_408(page: Page, method: str, path: str) -> None:
    line = socket.create_connection(("127.0.0.1", page.port), timeout=60)
    head = f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\nCookie: {page.cookie}\r\n"
    line.sendall(f"{head}Content-Length: 99\r\n\r\npass".encode())
    assert line.recv(12) == b"HTTP/1.1 408"
    line.close()


def test_requests_of_another_site_use_nobodys_budget(page: Page) -> None:
    """Four hundred from the same browser, as a foreign page sends them; then an honest one."""
    for _ in range(400):
        assert page.ask("GET", "/api/checks", {"origin": "http://evil.example"})[0] == 403
    assert page.ask("GET", "/api/checks", {"cookie": page.cookie})[0] == 200


def test_guessing_slows_its_own_address_and_locks_nobody_out(page: Page) -> None:
    for _ in range(6):
        assert page.log_in("guess", source=STRANGER) == 403
    began = time.monotonic()
    assert page.log_in() == 303
    quick = time.monotonic() - began
    began = time.monotonic()
    assert page.log_in(source=STRANGER) == 303  # slowed down, let in all the same
    assert time.monotonic() - began > quick + guard._GUESS_DELAY_S


def test_the_delay_grows_to_a_bound_and_ends_with_the_right_word() -> None:
    door = Door(frozenset({"127.0.0.1:1"}), "https", PASSWORD)
    delays = []
    for _ in range(12):
        assert not door.right_password("guess", "198.51.100.7")  # documentation, RFC 5737
        delays.append(door.delay_s("198.51.100.7"))
    assert delays[:2] == [0.0, 0.0] and delays[2:7] == [0.5, 1.0, 2.0, 4.0, 8.0]
    assert set(delays[7:]) == {8.0} and door.delay_s("198.51.100.8") == 0.0
    assert door.right_password(PASSWORD, "198.51.100.7") and door.delay_s("198.51.100.7") == 0.0


def test_an_address_tries_few_passwords_at_once(page: Page) -> None:
    """Stalled bodies of one address: four wait, the others are told to; another address logs in."""
    slow = dawdlers(page, 30, STRANGER)  # every fifth of them stalls in the body of a login
    time.sleep(0.5)
    codes: list[int] = []
    threads = [
        threading.Thread(target=lambda: codes.append(page.log_in("guess", source=STRANGER)))
        for _ in range(3)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert codes == [429, 429, 429] and page.log_in() == 303
    for line in slow:
        line.close()
