"""Starts the page: on this computer alone, unless password and certificate say otherwise."""

from __future__ import annotations

import dataclasses
import ipaddress
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.texts import small_text

HERE = "127.0.0.1"
_SHORTEST_PASSWORD = 12
_FILES = 65_536
"""Open files of this process: lines that are still greeting each other are many in an attack."""

_GREETING_S, _TLS_BUFFER = 10.0, 32 * 1024
"""For a TLS greeting; twice the longest record of TLS (RFC 8446, 5.1)."""

_HEAD_BYTES = 16 * 1024


@dataclasses.dataclass(frozen=True, slots=True)
class Address:
    """Where the page is served.

    Parameters
    ----------
    host : str
        127.0.0.1, or this computer's name or address in the laboratory.
    port : int
        0 for one that is free.
    password_file, certificate, key : Path, optional
        All three are needed for any host but this computer itself.
    """

    host: str = HERE
    port: int = 0
    password_file: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    @property
    def local(self) -> bool:
        """Whether only this computer can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    def password(self) -> str | None:
        """The password in its file.

        Raises
        ------
        RecordError
            If the address needs more than was given.
        """
        if self.host in ("", "0.0.0.0", "::", "*"):
            raise RecordError(
                "this stands for every address at once.",
                where=f"--host {self.host}",
                next_step="Name the one address under which the tablet reaches this computer.",
            )
        parts = (self.password_file, self.certificate, self.key)
        if not self.local and None in parts:
            raise RecordError(
                "other computers are let in only with a password and over TLS.",
                where=f"--host {self.host}",
                next_step="Give --password-file, --cert and --key as well, or leave --host out.",
            )
        for path in parts:
            if path is not None and not path.is_file():
                raise RecordError("there is no such file.", where=str(path), next_step="Check it.")
        return None if self.password_file is None else _password_in(self.password_file)


def _password_in(path: Path) -> str:
    word = small_text(path).strip()
    if len(word) < _SHORTEST_PASSWORD:
        raise RecordError(
            Told(
                "the password is shorter than {shortest_password} characters.",
                shortest_password=_SHORTEST_PASSWORD,
            ),
            where=path.name,
            next_step="Write a longer one into the file.",
        )
    return word


def serve(
    folder: Path,
    address: Address | None = None,
    *,
    say: Callable[[str], None],
    browser: bool = True,
    register: str | None = None,
    keys: Path | None = None,
) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    folder : Path
        Where checks are kept.
    address : Address, optional
    say : callable
        Told the address to open.
    browser : bool
        Open it in the browser of this computer.

    register : str, optional
        Place of the register whose checks are listed, and in which checks are decided on.
    keys : Path, optional
        Folder of the sealed keys of those who sign in on the page.

    Raises
    ------
    RecordError
        If the extra is not installed, the address needs more than was given or is taken, or the
        folder cannot be written.
    """
    address = address or Address()
    password = address.password()
    try:
        import uvicorn

        from veneercheck.bench.app import make_app
        from veneercheck.bench.asking import Bench
    except ModuleNotFoundError as missing:
        raise RecordError(
            Told("the page needs «{name}».", name=missing.name),
            next_step="Install it: pip install 'veneercheck[bench]'",
        ) from None
    from veneercheck.bench.guard import Door
    from veneercheck.bench.lines import MOST, SHARE, patient_to_a_point
    from veneercheck.bench.store import Store

    store = Store(folder)
    listening = _listen(address)
    port = listening.getsockname()[1]
    secure = address.certificate is not None
    names = {address.host, *((HERE, "localhost") if address.local else ())}
    door = Door(
        frozenset(f"[{name}]:{port}" if ":" in name else f"{name}:{port}" for name in names),
        "https" if secure else "http",
        password,
    )
    url = f"{door.scheme}://{f'[{address.host}]' if ':' in address.host else address.host}:{port}/"
    if password is None:
        url += f"?token={door.token}"
    config = uvicorn.Config(
        make_app(Bench(store, register=register, keys=keys), door),
        http=patient_to_a_point(),
        ws="none",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=MOST + SHARE,  # lines that are closing count there, too
        h11_max_incomplete_event_size=_HEAD_BYTES,
        timeout_graceful_shutdown=3,
        ssl_certfile=address.certificate,
        ssl_keyfile=address.key,
    )
    _many_files()
    _short_greetings()
    say(url)
    if browser:
        threading.Thread(target=webbrowser.open, args=(url,), daemon=True).start()
    try:
        uvicorn.Server(config).run(sockets=[listening])
    finally:
        listening.close()


def _listen(address: Address) -> socket.socket:
    """A socket that accepts from now on, so that a browser may open the page at once."""
    try:
        return socket.create_server(
            (address.host, address.port),
            family=socket.AF_INET6 if ":" in address.host else socket.AF_INET,
        )
    except (OSError, OverflowError) as error:
        raise RecordError(
            Told("the page cannot be served there ({error}).", error=error),
            where=f"{address.host}:{address.port}",
            next_step="Choose another --port, or leave it out.",
        ) from None


def _many_files() -> None:
    """Let this process hold as many lines open as the system allows it: some wait for TLS."""
    try:
        import resource
    except ModuleNotFoundError:  # not on every system
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = _FILES if hard == resource.RLIM_INFINITY else min(_FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))


def _short_greetings() -> None:
    """Bound what a line takes before it has said anything: its time, and its buffer for TLS.

    The standard library gives each line a quarter of a megabyte and a minute; five hundred lines
    that are silent would take 130 MB.
    """
    from asyncio import constants, sslproto

    constants.SSL_HANDSHAKE_TIMEOUT = _GREETING_S
    sslproto.SSLProtocol.max_size = _TLS_BUFFER
