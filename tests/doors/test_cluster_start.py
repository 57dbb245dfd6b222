"""One file that starts a cluster: here, over SSH to a server of our own, and what it refuses.

That a check is the same wherever it is made is shown in `whole/test_many_cases`; here, that the
cluster of each place comes up, does each case once and ends.
"""

from __future__ import annotations

import csv
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest

import many_cases
from program import run
from veneercheck.batch import start as starting
from veneercheck.case.exits import Exit
from veneercheck.record import Register

CASES = 3


def batch(folder: Path, *words: str | Path) -> tuple[int, str]:
    """How the command ends, and all that it says."""
    many_cases.write_cases(folder, CASES)
    done = run("batch", "cases.csv", "--no-report", "--out", "out", *words, folder=folder)
    return done.code, done.said + done.told


def did_each_once(folder: Path) -> None:
    with (folder / "out" / "summary.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["case"] for row in rows] == [f"C-{at:06d}" for at in range(CASES)]
    assert {row["state"] for row in rows} == {"checked"}, rows
    assert {Path(row["folder"]).parent for row in rows} == {folder / "out"}


def test_a_cluster_here_grows_checks_files_and_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import distributed

    asked_for: list[int] = []

    class Noted(distributed.LocalCluster):  # type: ignore[misc]  # distributed tells no types
        def scale(self, n: int = 0, **more: object) -> object:
            asked_for.append(n)
            return super().scale(n, **more)

    monkeypatch.setattr(distributed, "LocalCluster", Noted)
    (tmp_path / "cluster.toml").write_text("most = 2\n", encoding="utf-8")
    code, said = batch(tmp_path, "--cluster", "cluster.toml", "--register", "r.sqlite")
    assert code == Exit.FINDINGS, said
    did_each_once(tmp_path)
    assert asked_for[0] == 2, "one worker was there, and cases waited for another"
    with Register(tmp_path / "r.sqlite") as register:
        on_record = sorted(row["case_number"] for row in register.list_checks())
    assert on_record == [f"C-{at:06d}" for at in range(CASES)]


@contextmanager
def ssh_server(folder: Path) -> Iterator[tuple[int, Path]]:
    """A server of SSH on a free port, that lets one new key in; its port, and the key."""
    program, keygen = shutil.which("sshd", path="/usr/sbin:/usr/bin"), shutil.which("ssh-keygen")
    if program is None or keygen is None:
        # At a desk; in CI it fails.
        pytest.skip("sshd is not installed: apt install openssh-server")
    folder.mkdir(mode=0o700)
    for name in ("host", "key"):
        words = [keygen, "-q", "-t", "ed25519", "-N", "", "-f", str(folder / name)]
        subprocess.run(words, check=True)
    (folder / "lets_in").write_bytes((folder / "key.pub").read_bytes())
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    kind, public, *_ = (folder / "host.pub").read_text("utf-8").split()
    (folder / "known").write_text(f"[127.0.0.1]:{port} {kind} {public}\n", encoding="utf-8")
    (folder / "settings").write_text(
        f"Port {port}\nListenAddress 127.0.0.1\nHostKey {folder}/host\n"
        f"AuthorizedKeysFile {folder}/lets_in\nPidFile none\nUsePAM no\nStrictModes no\n"
        "PasswordAuthentication no\nPermitRootLogin prohibit-password\n"
        f"SetEnv PYTHONPATH={os.pathsep.join(sys.path)}\n",
        encoding="utf-8",
    )
    if os.geteuid() == 0:
        Path("/run/sshd").mkdir(exist_ok=True)  # where it shuts itself in
    words = [program, "-D", "-E", str(folder / "said"), "-f", str(folder / "settings")]
    server = subprocess.Popen(words)
    try:
        assert comes(lambda: answers(port)), (folder / "said").read_text("utf-8")
        yield port, folder / "key"
        line = psutil.Process(server.pid)
        assert comes(lambda: not line.children(recursive=True)), "nobody is left on the host"
    finally:
        server.terminate()
        server.wait()


def answers(port: int) -> bool:
    with socket.socket() as line:
        return line.connect_ex(("127.0.0.1", port)) == 0


def comes(true: Callable[[], bool], within_s: float = 60.0) -> bool:
    until = time.monotonic() + within_s
    while not true():
        if time.monotonic() > until:
            return False
        time.sleep(0.05)
    return True


def test_a_cluster_over_ssh_checks_and_leaves_nobody(tmp_path: Path) -> None:
    """The scheduler and the workers run behind a server of SSH; a strange host key is refused."""
    pytest.importorskip("asyncssh", reason="needs the extra [ssh]")
    with ssh_server(tmp_path / "ssh") as (port, key):
        text = (
            'where = "ssh"\nleast = 1\nmost = 2\n[ssh]\nhosts = ["127.0.0.1"]\n'
            f'python = "{sys.executable}"\nport = {port}\nkey = "{key}"\n'
            'known_hosts = "ssh/known"\n'
        )
        (tmp_path / "cluster.toml").write_text(text, encoding="utf-8")
        code, said = batch(tmp_path, "--cluster", "cluster.toml")
        assert code == Exit.FINDINGS, said
        did_each_once(tmp_path)
        code, said = batch(tmp_path, "--cluster", "cluster.toml", "--register", "r.sqlite")
        assert code == Exit.REFUSED and "is not for several machines" in said
        for more, says in (
            (("ssh/known", "ssh/host.pub"), "127.0.0.1 cannot be reached over SSH"),
            ((sys.executable, "/usr/bin/false"), "does not have version"),
        ):
            (tmp_path / "cluster.toml").write_text(text.replace(*more), encoding="utf-8")
            code, said = batch(tmp_path, "--cluster", "cluster.toml")
            assert (code, says in said) == (Exit.REFUSED, True), said


WRONG = {
    "most = 0\n": "most = 0 is no whole number from 1 to 10000",
    "most = 2.5\n": "most = 2.5 is no whole number",
    "least = 9\nmost = 2\n": "least = 9 is more than most = 2",
    "mots = 2\n": "Did you mean «most»?",
    'where = "cloud"\n': "Known: here, ssh, kubernetes",
    '[ssh]\nhosts = ["a"]\n': "[ssh] is said, and the cluster is to be 'here'",
    'where = "ssh"\n': "names no hosts",
    'where = "ssh"\n[ssh]\nhosts = ["a"]\n': "lacks python",
    'where = "ssh"\n[ssh]\nhosts = ["a"]\npython = "p"\nkey = "none"\n': "there is no such file",
    'where = "kubernetes"\n': "lacks image",
    'where = "kubernetes"\n[kubernetes]\nimage = "i"\nclaim = "c"\nmount = "m"\n': "no whole path",
    "most = \n": "is not valid TOML",
}


@pytest.mark.parametrize("text", WRONG)
def test_a_wrong_file_is_refused_before_anything_is_started(tmp_path: Path, text: str) -> None:
    (tmp_path / "cluster.toml").write_text(text, encoding="utf-8")
    code, said = batch(tmp_path, "--cluster", "cluster.toml")
    assert code == Exit.REFUSED
    assert "cluster.toml" in said and re.search(re.escape(WRONG[text]), said), said


def test_two_clusters_at_once_are_refused(tmp_path: Path) -> None:
    (tmp_path / "cluster.toml").write_text("", encoding="utf-8")
    code, said = batch(tmp_path, "--cluster", "cluster.toml", "--scheduler", "tcp://127.0.0.1:1")
    assert code == Exit.REFUSED and "Give one of them" in said


def test_the_files_of_the_chapter_are_read(tmp_path: Path) -> None:
    """What the chapter shows is what the program reads, word for word."""
    (tmp_path / "cluster_key").write_text("", encoding="utf-8")
    (tmp_path / "known_hosts").write_text("", encoding="utf-8")
    shown = re.findall(r"'''\n(.*?)\.\.\. '''", starting.__doc__ or "", re.DOTALL)
    places = []
    for text in shown:
        (tmp_path / "shown.toml").write_text(text.replace("... ", ""), encoding="utf-8")
        places.append(starting.read_start(tmp_path / "shown.toml").where)
    assert places == list(starting.PLACES)
