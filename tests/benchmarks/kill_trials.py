"""SIGKILL at random moments of every command that writes: nothing lost, doubled, half or altered.

    python tests/benchmarks/kill_trials.py STATE.json [KILLS, default 200]

Rounds of check, decide, export, batch, watch and bench in turn, each in a folder of its own and
with a seed of its own; STATE.json holds what every finished round gave, so that a run that is cut
short goes on where it was. The counts are printed, summed over the rounds: `kills`, what there was
in the end (`cases`, `jobs`, `decisions`), how many kills fell between a decision's steps (`amid`),
then what was found wrong; all of that must be 0.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import browsing
import many_trials
import record_trials
from veneercheck.bench.store import ENDS, Job
from veneercheck.core.errors import VeneerCheckError
from veneercheck.machine.aside import ASIDE
from veneercheck.record import Register
from veneercheck.record.confirm import confirm
from veneercheck.record.deciding import decide
from veneercheck.record.export import export_bundle, export_dicom, export_fhir
from veneercheck.record.located import folder_of, one_check
from veneercheck.report import read_result

Counts = dict[str, int]

KILLS = 200
LONGEST_S = 0.8
"""Some decisions without a report, or exports of a small case, fall into it."""

DECIDER = """
import sys
from veneercheck.record.deciding import decide
from veneercheck.record import Register
with Register(sys.argv[1]) as register:
    for number in range(100_000):
        entry = decide(register, "T-1", who="AB", what="accepted", why=f"{sys.argv[2]} {number}")
        print(entry.key, flush=True)
"""
"""Decides without end, and says each decision once it is on record."""

EXPORTER = """
import sys
from pathlib import Path
from veneercheck.record.export import export_bundle, export_dicom, export_fhir
from veneercheck.record import Register
out = Path(sys.argv[2])
with Register(sys.argv[1]) as register:
    while True:
        export_bundle(register, "T-1", out / "one.zip")
        export_dicom(register, "T-1", out / "one")
        export_fhir(register, "T-1", out / "one.json")
        print("written", flush=True)
"""


def killed_loop(program: str, words: list[str], chance: random.Random) -> list[str]:
    """Kill a program that says what it did, at a moment after the first; what it said."""
    command = [sys.executable, "-c", program, *words]
    one = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert one.stdout is not None
    first = one.stdout.readline()
    time.sleep(chance.uniform(0.0, LONGEST_S))
    one.send_signal(signal.SIGKILL)
    rest = one.communicate()[0]
    assert first, "it ended before it did anything"
    return [line for line in (first + rest).splitlines() if line]


def decisions(folder: Path, chance: random.Random, kills: int) -> Counts:
    """Decisions on one case; after each kill the folder must show what the register holds."""
    register, check = record_trials.filed(folder)
    told, said = Counter(kills=kills), set[str]()
    with register:
        for number in range(kills):
            said |= {
                key
                for key in killed_loop(
                    DECIDER, [str(folder / "register.sqlite"), f"{number}"], chance
                )
                if len(key) == 64
            }
            told["amid"] += bool(list((folder / "cases" / ASIDE).glob("decided-*")))
            told["altered"] += len(confirm(register, repeat=False).differences)
            on_record = register.decisions_on(check.key)
            told["doubled"] += len(on_record) - len({entry.body["why"] for entry in on_record})
            told["lost"] += len(said - {entry.key for entry in on_record})
            if on_record:
                text = (folder_of(register, check) / "decisions.json").read_text("utf-8")
                shown = [one["why"] for one in json.loads(text)["decisions"]]
                told["half"] += shown != [entry.body["why"] for entry in on_record]
        decide(register, "T-1", who="AB", what="remake", why="the last")
        told["altered"] += len(confirm(register, repeat=False).differences)
        told["left_aside"] += (folder / "cases" / ASIDE).exists()
        told["decisions"] = len(register.decisions_on(check.key))
    return dict(told)


def exports(folder: Path, chance: random.Random, kills: int) -> Counts:
    """Exports over each other; what stands under a name is whole: the bytes of one left alone."""
    register, check = record_trials.filed(folder)
    with register:
        right, out = folder / "right", folder / "out"
        exported(register, right)
        told = Counter(kills=kills)
        for _ in range(kills):
            killed_loop(EXPORTER, [str(folder / "register.sqlite"), str(out)], chance)
            told["half"] += sum(unlike(right, out))
            told["altered"] += len(confirm(register, repeat=False).differences)
        exported(register, out)
        told["lost"] = sum(1 for path in files(right) if not (out / path).exists())
        told["half"] += sum(unlike(right, out))
        told["left"] = sum(path.name.endswith(".partial") for path in out.rglob("*"))
        told["lost"] += one_check(register, "T-1") != check
    return dict(told)


def exported(register: Register, out: Path) -> None:
    export_bundle(register, "T-1", out / "one.zip")
    export_dicom(register, "T-1", out / "one")
    export_fhir(register, "T-1", out / "one.json")


def files(folder: Path) -> list[Path]:
    return [path.relative_to(folder) for path in folder.rglob("*") if path.is_file()]


def unlike(right: Path, out: Path) -> Iterator[bool]:
    """Whether each finished file differs from what it must be."""
    for path in files(out):
        if not path.name.endswith(".partial"):
            yield (right / path).read_bytes() != (out / path).read_bytes()


def many(kind: str) -> Callable[[Path, random.Random, int], Counts]:
    """Kills of batch or watch over one list, which is then let finish."""

    def trial(folder: Path, chance: random.Random, kills: int) -> Counts:
        place, faults = folder / "round", list[str]()
        for _ in range(kills):
            many_trials.killed(kind, place, chance)
            faults += many_trials.half_there(place / "out")
        faults += many_trials.finished(kind, place)
        for fault in faults:
            print(fault, flush=True)
        return {"kills": kills, "faults": len(faults)}

    return trial


def checks(folder: Path, chance: random.Random, kills: int) -> Counts:
    return record_trials.killed_checks(folder, str(folder / "r.sqlite"), chance, kills)


_CHECKS_A_ROUND = 5
"""More than are worked on at once, so that some wait; all of them come to an end afterwards."""


def bench(folder: Path, chance: random.Random, kills: int) -> Counts:
    """Kills of the page while checks are handed in, filed and worked on; their processes too.

    Every check that was answered with its number is there after each new start and has an end;
    one that is done is whole; no more are there than were asked for.
    """
    store = folder / "checks"
    told, known, asked = Counter(kills=kills), set[str](), 0
    # what a client meets whose line is cut: the last is what the library makes of a lost line
    cut_off = (OSError, AssertionError, ValueError, http.client.HTTPException, AttributeError)
    meshes = dict(zip(browsing.ROLES, browsing.caps(0.9), strict=True))
    for _ in range(kills):
        page = entered(store)
        told["lost"] += len(known - listed(page))
        end = time.monotonic() + chance.uniform(0.05, 3.0)
        timer = kill_at(page, end)
        with contextlib.suppress(*cut_off):
            for _ in range(_CHECKS_A_ROUND):
                scans = {role: page.hand_in(mesh, f"{role}.stl") for role, mesh in meshes.items()}
                asked += 1
                known.add(page.json("POST", "/api/checks", scans)["number"])
        timer()
        if chance.random() < 0.5:
            for process in workers(store):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(process, signal.SIGKILL)
    page = entered(store)
    there = listed(page)
    browsing.close_page(page)
    told["lost"] += len(known - there)
    told["doubled"] += max(0, len(there) - asked)
    told["jobs"] = len(there)
    for number in there:
        job = Job(store / number)
        told["without_end"] += not wait_for_end(job)
        told["half"] += not is_whole(job)
    told["left"] = len(list((store / ".incoming").glob("*.new")))
    return dict(told)


def workers(store: Path) -> Iterator[int]:
    """Processes that work on a check of this page, by their command line."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words = path.read_bytes()
            if b"bench.worker" in words and str(store).encode() in words:
                yield int(path.parent.name)


def entered(store: Path) -> browsing.Page:
    page = browsing.open_page(store)
    _, headers, _ = page.ask("GET", f"/?token={page.token}", known=False)
    page.cookie = headers["set-cookie"].split(";")[0]
    return page


def listed(page: Any) -> set[str]:
    return {one["number"] for one in page.json("GET", "/api/checks")}


def kill_at(page: Any, end: float) -> Callable[[], None]:
    """Kill the page at a moment, from a thread of its own; what is given back waits for that."""

    def kill() -> None:
        page.process.send_signal(signal.SIGKILL)
        page.process.wait()

    thread = threading.Timer(max(0.0, end - time.monotonic()), kill)
    thread.start()

    def wait() -> None:
        thread.join()
        page.process.stdout.close()

    return wait


def wait_for_end(job: Job) -> bool:
    """Whether a check ended, as an orphan of a killed page may still do."""
    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        if job.progress() and job.progress()[-1].get("end") in ENDS:
            return True
        time.sleep(0.2)
    return False


def is_whole(job: Job) -> bool:
    """A check that says it is done has all of its result; one that is not may have none."""
    end = job.end()
    if end is None or end["end"] != "done":
        return True
    try:
        read_result(job.out)
    except VeneerCheckError:
        return False
    return (job.out / "report.html").exists() and (job.out / "report.pdf").exists()


TRIALS: dict[str, tuple[Callable[[Path, random.Random, int], Counts], int]] = {
    "decide": (decisions, 10),
    "export": (exports, 10),
    "check": (checks, 5),
    "batch": (many("batch"), 5),
    "watch": (many("watch"), 5),
    "bench": (bench, 5),
}
"""Each with its kills in one round."""


def main() -> None:
    """Carry out what is still to do, and print the sums."""
    state = Path(sys.argv[1])
    wanted = int(sys.argv[2]) if len(sys.argv) > 2 else KILLS
    done: dict[str, Counts] = json.loads(state.read_text()) if state.exists() else {}
    number = 0
    while sum(counts["kills"] for counts in done.values()) < wanted:
        for name, (trial, kills) in TRIALS.items():
            told = f"{name} #{number}"
            if told in done:
                continue
            with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
                done[told] = trial(Path(room), random.Random(told), kills)
            state.write_text(json.dumps(done, indent=1))
            print(told, done[told], flush=True)
        number += 1
    sums: dict[str, Counter[str]] = {}
    for told, counts in done.items():
        sums.setdefault(told.partition(" #")[0], Counter()).update(counts)
    for name, counts in sums.items():
        print(f"{name:<8}", "  ".join(f"{key} {value}" for key, value in counts.items()))


if __name__ == "__main__":
    main()
