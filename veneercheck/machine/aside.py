"""Files and folders made aside and moved into place when they are whole."""

from __future__ import annotations

import os
import shutil
import socket
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from veneercheck.core.errors import RecordError, Told

ASIDE = ".aside"
"""Folder beside the case folders in which one is made before it is moved into place."""

_TRIES = 100
"""Others who end at the same moment take an empty place away; nobody meets so many of them."""


HALF = ".{name}.partial"
"""What a file is called while it is being written."""


@contextmanager
def written_aside(path: Path) -> Iterator[Path]:
    """The file to write in place of `path`: moved there when it is whole, else taken away."""
    aside = path.with_name(HALF.format(name=path.name))
    try:
        yield aside
        aside.replace(path)
    except BaseException:  # a full disk, and whoever stops the program
        with suppress(OSError):
            aside.unlink(missing_ok=True)
        raise


def put(path: Path, parts: Iterable[bytes], *, lasting: bool = False) -> Path:
    """Write a file so that nobody ever reads half of it; `lasting`: nor after a power cut."""
    with written_aside(path) as aside, aside.open("wb") as stream:
        for part in parts:
            stream.write(part)
        stream.flush()
        if lasting:
            os.fsync(stream.fileno())
    return path


@contextmanager
def room_in(store: Path) -> Iterator[Path]:
    """A folder to work in aside; nothing is left of it, nor of a store that nothing came into."""
    made = [place for place in (store, *store.parents) if not place.exists()]
    try:
        clear_aside(store)
        room = _fresh_aside(store)
    except OSError as error:
        raise unwritable(store, error) from None
    room.chmod(0o755)
    try:
        yield room
    except OSError as error:
        raise unwritable(store, error) from error
    finally:
        shutil.rmtree(room, ignore_errors=True)
        leave_aside(store)
        with suppress(OSError):  # what holds something stays
            for place in made:
                place.rmdir()


def _fresh_aside(store: Path) -> Path:
    """A folder of this process; made again where another one just took the empty place away."""
    for _ in range(_TRIES):
        with suppress(FileNotFoundError, FileExistsError):
            return _within(store / ASIDE)
    return _within(store / ASIDE)


def _within(aside: Path) -> Path:
    aside.mkdir(parents=True, exist_ok=True)
    return Path(tempfile.mkdtemp(prefix=f"{owner_name()}-", dir=aside))


def unwritable(place: Path, error: OSError) -> RecordError:
    """What hindered the writing of a case folder, and what to do about it."""
    return RecordError(
        Told("the case folder cannot be written ({why}).", why=error.strerror or error),
        where=str(place),
        next_step="Check the free space and the permissions; nothing half-written was left.",
    )


def clear_aside(store: Path) -> None:
    """Take away what killed processes of this machine left aside."""
    with suppress(FileNotFoundError):  # nothing is there, or another process just took it away
        for left in (store / ASIDE).iterdir():
            if left.name.startswith(f"{socket.gethostname()}-") and not owner_lives(left.name):
                shutil.rmtree(left, ignore_errors=True)


def owner_name() -> str:
    """This machine and this process, as they stand in a name."""
    return f"{socket.gethostname()}-{os.getpid()}"


def owner_lives(name: str) -> bool:
    """Whether the process lives whose `owner_name` a name begins with; elsewhere it may."""
    ours = f"{socket.gethostname()}-"
    owner = name.removeprefix(ours).partition("-")[0]
    return not (name.startswith(ours) and owner.isdigit()) or _lives(int(owner))


def leave_aside(store: Path) -> None:
    """Take away the place aside too, where nobody works in it."""
    with suppress(OSError):
        clear_aside(store)
        (store / ASIDE).rmdir()


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def move_into_place(room: Path, folder: Path) -> bool:
    """Rename the finished folder; False where another process was first with the same check."""
    for path in [*room.rglob("*"), room]:
        to_disk(path)
    try:
        room.rename(folder)
    except OSError:
        if folder.is_dir():
            return False
        raise
    to_disk(folder.parent)
    return True


def to_disk(path: Path) -> None:
    """A power cut must not leave a name without its content."""
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
