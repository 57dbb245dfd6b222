"""How much memory one check may take, before it is refused rather than the machine brought down.

Notes
-----
A check's memory is foreseen, a reader's is bounded. A bound by the system in the midst of a check
ends the process without a word, since engines in C do not expect it. Choice: before the check,
triangles and area tell what it may take, by a line through five measured pairs; only while a file
is parsed the system's bound holds as well. Instead of: a watch beside the work. Cost: the line is
an upper end; a pair that would just have fitted is refused, and the variable lets it through.
"""

from __future__ import annotations

import contextlib
import functools
import math
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ParamSpec, TypeVar

from veneercheck.core.errors import ProfileError, ScanError, Told

VARIABLE = "VENEERCHECK_MEMORY_GB"
_USUAL_GB = 2.0
"""A pair of a million triangles each took just that; most pairs take a quarter of it."""

_READERS, _SQUARE = 2, 256

_LEAST_GB, _MOST_GB = 0.25, 4096.0
_GB = 10**9

_START_GB, _GB_PER_TRIANGLE, _GB_PER_FINE_TRIANGLE = 0.1, 4.2e-7, 7.2e-7
"""Of a check with its report: to begin with; for every triangle of the scans; and for every one of
the framework as it is refined. As five pairs of 0.03 to 2 million triangles and 13 to 500 cm² took
at most; without a report they take up to a fifth less."""

_FINE_PER_MM2, _MOST_FINE = 290, 3_000_000
"""Triangles to which a framework is refined, and where that ends (`core.densify`)."""

P = ParamSpec("P")
R = TypeVar("R")


def memory_gb() -> float:
    """What a check may take: two gigabytes, or what `VENEERCHECK_MEMORY_GB` says.

    Raises
    ------
    ProfileError
        If that is no number of gigabytes.
    """
    told = os.environ.get(VARIABLE, "")
    if not told:
        return _USUAL_GB
    try:
        found = float(told)
    except ValueError:
        found = math.nan
    if not _LEAST_GB <= found <= _MOST_GB:
        raise ProfileError(
            Told("«{told}» is no number of gigabytes.", told=told[:20]),
            where=VARIABLE,
            next_step=Told(
                "Set it to a number such as 4 ({least_gb:g} to {most_gb:g}).",
                least_gb=_LEAST_GB,
                most_gb=_MOST_GB,
            ),
        )
    return found


def more_memory(needed_gb: float = 0.0) -> Told:
    """The advice to allow more than now."""
    wanted = math.ceil(max(needed_gb, 2.0 * memory_gb()))
    return Told("set {variable}={gb}", variable=VARIABLE, gb=str(wanted))


def check_needed(triangles: int, framework_mm2: float) -> None:
    """Refuse a check that would pass `memory_gb`, before its work begins.

    Parameters
    ----------
    triangles : int
        Of all scans.
    framework_mm2 : float
        Area of the framework's scan.
    """
    fine = min(_FINE_PER_MM2 * framework_mm2, _MOST_FINE)
    needed_gb = _START_GB + _GB_PER_TRIANGLE * triangles + _GB_PER_FINE_TRIANGLE * fine
    if needed_gb > memory_gb():
        raise ScanError(
            Told(
                "{triangles:,} triangles, and a framework of {framework_cm2:.0f} cm², may take "
                "{needed_gb:.1f} GB of memory; {memory_gb:g} GB are allowed.",
                triangles=triangles,
                framework_cm2=framework_mm2 / 100,
                needed_gb=needed_gb,
                memory_gb=memory_gb(),
            ),
            next_step=Told(
                "Cut off what is not the work, or {more_memory}.",
                more_memory=more_memory(needed_gb),
            ),
        )


def bounded(work: Callable[P, R]) -> Callable[P, R]:
    """Make a reader refuse, with `ScanError`, before this process passes `memory_gb`.

    Where the system bounds the data of a process (Linux), nothing beyond is handed out meanwhile;
    elsewhere the readers' own limits hold alone.
    """

    @functools.wraps(work)
    def done(*given: P.args, **named: P.kwargs) -> R:
        try:
            with _bound():
                return work(*given, **named)
        except MemoryError:
            raise ScanError(
                Told("this needs more than {memory_gb:g} GB of memory.", memory_gb=memory_gb()),
                next_step=Told(
                    "Thin the meshes out or, where there is more, {more_memory}.",
                    more_memory=more_memory(),
                ),
            ) from None

    return done


class _Depth:
    """How many bounded functions run: the first sets the bound, the last one takes it off."""

    lock = threading.Lock()
    count = 0
    before: tuple[int, int] | None = None


@contextlib.contextmanager
def _bound() -> Iterator[None]:
    with _Depth.lock:
        if _Depth.count == 0:
            _Depth.before = _set_bound()
        _Depth.count += 1
    try:
        yield
    finally:
        with _Depth.lock:
            _Depth.count -= 1
            if _Depth.count == 0 and _Depth.before is not None:
                _limit(_Depth.before)


def _set_bound() -> tuple[int, int] | None:
    """The bound before; None where the system has none or a stricter one."""
    mapped, held = _memory_now()
    if not mapped:
        return None
    import resource

    _ready_algebra()
    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    # What is mapped and was never touched takes no memory: it does not count.
    wanted = mapped + max(round(memory_gb() * _GB) - held, 0)
    if any(0 <= other <= wanted for other in (soft, hard)):
        return None
    _limit((wanted, hard))
    return soft, hard


@functools.cache
def _ready_algebra() -> None:
    """Let the linear algebra take its working room now: refused it later, it ends the process.

    Two readers work side by side, and each may turn points.
    """
    import numpy as np

    together = threading.Barrier(_READERS)

    def multiply() -> None:
        square = np.ones((_SQUARE, _SQUARE))
        together.wait()
        for _ in range(_READERS):
            square @ square

    threads = [threading.Thread(target=multiply) for _ in range(_READERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _limit(soft_and_hard: tuple[int, int]) -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_DATA, soft_and_hard)


def _memory_now() -> tuple[int, int]:
    """Bytes of data that this process has mapped, and bytes that it holds; 0 where not told."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    except OSError:
        return 0, 0
    told = {name: rest.split()[0] for name, _, rest in (line.partition(":") for line in lines)
            if name in ("VmData", "VmRSS")}  # fmt: skip
    return int(told.get("VmData", 0)) * 1024, int(told.get("VmRSS", 0)) * 1024
