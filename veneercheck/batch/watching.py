"""A watched folder: what a scanner exports is checked once it is whole and has its other scan.

Notes
-----
A watched folder is looked at, not listened to. Events get lost on network drives and while a check
runs. Choice: an event or a quarter of the waiting time only wakes the look; size and time of every
file decide, and the length that a binary STL or GLB states itself. Nothing is remembered beyond the
process. Instead of: a queue of events. Cost: each look walks the whole folder.
"""

from __future__ import annotations

import contextlib
import dataclasses
import threading
import time
from collections.abc import Callable, Generator
from pathlib import Path

from veneercheck.batch.many import prepare
from veneercheck.batch.pairing import Found, Lone, lone_words, look_through
from veneercheck.batch.processes import Processes
from veneercheck.batch.summary import Summary
from veneercheck.batch.task import FAILED, THERE, Asked, Done, Task
from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.aside import leave_aside

Say = Callable[[str], None]
State = tuple[int, int]
"""Size in bytes and time of the last change in ns."""

STILL_S = 5.0
"""How long size and time of a file must stand still before it counts as written."""

_PATIENCE = 12
"""So many times longer is waited where the file itself says that more is to come; a scanner that
died while writing is then told by the refusal."""

_STL_HEAD, _STL_FACET = 84, 50
_GLB_HEAD = 12

_LOOKS = 4
"""Looks at the folder while a file must stand still."""


@dataclasses.dataclass(slots=True)
class _Watched:
    """What is known of the files in the folder, for as long as the program runs."""

    still_s: float
    seen: dict[Path, tuple[State, float]] = dataclasses.field(default_factory=dict)
    tried: set[tuple[tuple[Path, State], ...]] = dataclasses.field(default_factory=set)
    told: set[str] = dataclasses.field(default_factory=set)

    def look(self, found: list[Found], lone: list[Lone], now: float) -> tuple[list[Found], bool]:
        """Cases that are whole and were not tried as they are; whether others still change."""
        files = [one.files for one in found] + [one.files for one in lone]
        self._note({path for some in files for path in some}, now)
        ready, moving = [], False
        for one in found:
            state = self._state_of(one)
            if state is None or state in self.tried:
                continue
            if not self.is_still(one, now):
                moving = True
                continue
            ready.append(one)
            self.tried.add(state)
        return ready, moving

    def _note(self, files: set[Path], now: float) -> None:
        """Size and time of every file, and since when they are the same."""
        before, self.seen = self.seen, {}
        for path in files:
            state = _state(path)
            if state is not None:
                known, since = before.get(path, (None, now))
                self.seen[path] = (state, since if known == state else now)

    def _state_of(self, one: Found) -> tuple[tuple[Path, State], ...] | None:
        """Its files as they are; None where one is gone."""
        if any(path not in self.seen for path in one.files):
            return None
        return tuple((path, self.seen[path][0]) for path in one.files)

    def is_still(self, one: Found | Lone, now: float) -> bool:
        """Whether nothing of it has changed for long enough."""
        there = [path for path in one.files if path in self.seen]
        return bool(there) and all(
            now - self.seen[path][1] >= self.still_s * (_PATIENCE if _lacks_bytes(path) else 1)
            for path in there
        )


def watch(
    folder: Path,
    asked: Asked,
    *,
    processes: int,
    once: bool = False,
    still_s: float = STILL_S,
    stop: threading.Event | None = None,
    say: Say,
) -> Summary:
    """Check what appears in a folder, until stopped.

    Parameters
    ----------
    once : bool
        Check what lies there now, wait for what is being written, and return.
    still_s : float
        How long size and time of a file must stand still.
    stop : Event, optional
        Set from another thread, it ends the watch.

    Returns
    -------
    Summary
        Of this run; `summary.csv` is kept up to date all along.
    """
    if not folder.is_dir():
        raise RecordError("there is no such folder.", where=str(folder), next_step="Make it first.")
    prepare(asked)
    summary, watched = Summary(0, asked.store), _Watched(still_s)
    stop = stop or threading.Event()
    try:
        with (
            contextlib.suppress(KeyboardInterrupt),  # the usual way to end a watch
            Processes(processes) as hands,
            contextlib.closing(_changes(folder, still_s, stop)) as changes,
        ):
            for _ in changes:
                found, lone = look_through(folder, asked.store)
                ready, moving = watched.look(found, lone, time.monotonic())
                for done in hands.check(_tasks(ready, asked, summary)):
                    summary.add(done)
                    summary.write()
                    say(_words(done))
                moving |= bool(ready) or _tell_lone(lone, watched, say)
                if (once and not moving) or stop.is_set():
                    break
    finally:
        leave_aside(asked.store)
        summary.write()
    return summary


def _changes(folder: Path, still_s: float, stop: threading.Event) -> Generator[None]:
    """Come back at every change, and often enough to see that nothing changes any more."""
    try:
        from watchfiles import watch as changes_in
    except ModuleNotFoundError as error:
        raise RecordError(
            Told("watching needs what is not installed ({name}).", name=error.name),
            next_step="Install it: pip install 'veneercheck[batch]'.",
        ) from None
    yield
    pause_ms = max(50, round(1000 * still_s / _LOOKS))
    for _ in changes_in(
        folder,
        watch_filter=None,
        rust_timeout=pause_ms,
        yield_on_timeout=True,
        stop_event=stop,
        raise_interrupt=True,
    ):
        yield


def _tell_lone(lone: list[Lone], watched: _Watched, say: Say) -> bool:
    """Tell, once, what lacks its other scan; True while some of it is still being written."""
    now = time.monotonic()
    resting = [one for one in lone if watched.is_still(one, now)]
    for words in lone_words(resting):
        if words not in watched.told:
            watched.told.add(words)
            say(words)
    return len(resting) < len(lone)


def _tasks(ready: list[Found], asked: Asked, summary: Summary) -> list[Task]:
    first = summary.expected
    summary.expected += len(ready)
    return [one.task(first + at, asked) for at, one in enumerate(ready)]


def _state(path: Path) -> State | None:
    try:
        told = path.stat()
    except OSError:
        return None
    return told.st_size, told.st_mtime_ns


def _lacks_bytes(path: Path) -> bool:
    """Whether the file is shorter than it says itself (binary STL, GLB), or empty."""
    if not path.is_file():
        return False  # a pipe or a device: opening it may wait for ever, the check refuses it
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_STL_HEAD)
    except OSError:
        return True
    if path.suffix.lower() == ".glb" and len(head) >= _GLB_HEAD:
        return size < int.from_bytes(head[8:12], "little")
    if path.suffix.lower() == ".stl" and not head.startswith(b"solid") and len(head) == _STL_HEAD:
        return size < _STL_HEAD + _STL_FACET * int.from_bytes(head[80:84], "little")
    return size == 0


def _words(done: Done) -> Told:
    if done.state == FAILED:
        return Told("{case}: FAILED, {cause}", case=done.case, cause=done.cause)
    if done.state == THERE:
        return Told("{case}: checked already: {folder}", case=done.case, folder=done.folder)
    verdict = Told(done.verdict)
    return Told("{case}: {verdict}: {folder}", case=done.case, verdict=verdict, folder=done.folder)
