"""How fast checks are found on a large register, in SQLite and in PostgreSQL.

    python tests/benchmarks/find_trials.py [CHECKS, default 100000] [sqlite|postgresql]

A register of small made-up checks with a decision on every second one; each question is asked
five times, and the slowest answer in milliseconds is printed: of fifty rows, and of their count. It
is the processor's own time, since other programs may hold the machine; in PostgreSQL that of the
server's process with ours (Linux).

PostgreSQL 15, 100 001 checks and 50 000 decisions after VACUUM, beside a load of 8 to 11, quickest
of four, rows and count in ms: who 31 and 161, not decided 182 and 182, two words that half of all
checks bear 68 and 98, all others under 80.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import record_trials as trials
from veneercheck.record import Entry, Register, canonical, sha256_of
from veneercheck.record.finding import Wanted, count, find
from veneercheck.record.register import FIRST, link

ASKED = {
    "everything": Wanted(),
    "one case": Wanted(case="D-00077"),
    "a unit": Wanted(unit="46"),
    "a month": Wanted(since="2026-03-01", until="2026-03-31"),
    "findings": Wanted(verdict="findings"),
    "a lot": Wanted(lot="L-0007"),
    "who": Wanted(who="QA"),
    "alloy and stage": Wanted(alloy="alloy 3", stage="cast"),
    "undecided": Wanted(undecided=True),
    "not decided": Wanted(not_decided=True),
    "accepted, of a lot": Wanted(decision="accepted", verdict="findings", lot="L-0007"),
    "limits never on record": Wanted(limits="not on record"),
    "no calibration": Wanted(calibration="absent", stage="cast"),
    "words": Wanted(words="margin lingual"),
    "a rare word": Wanted(words="quartz77"),
}


def made_up_check(number: int, chance: random.Random) -> dict[str, Any]:
    """The body of a check that nobody made: all that is searched, and little else."""
    verdict = chance.choice(["findings", "no findings", "no findings", "undecided"])
    day = f"2026-{1 + number % 12:02d}-{1 + number % 28:02d}"
    zone = {"id": 1, "finding": "too_thin", "decision": "firm", "tooth": "46", "surface": "buccal",
            "area_mm2": 1.0, "extreme_mm": 0.8, "u_mm": 0.05}  # fmt: skip
    scan = {"file": f"scan{number}.stl", "sha256": sha256_of(str(number))}
    return {
        "schema": "veneercheck record 1",
        "kind": "check",
        "who": chance.choice(["AB", "CD", "EF"]),
        "folder": f"cases/D-{number:05d}",
        "order": {"version": "0", "limits": {}},
        "files": {},
        "result": {
            "case": {
                "number": f"D-{number:05d}",
                "units": [chance.choice([14, 15, 24, 25, 36, 46])],
                "stage": chance.choice(["wax", "wax", "cast"]),
                "notes": f"margin {chance.choice(['lingual', 'buccal'])} quartz{number % 5000}",
                "alloy": f"alloy {chance.randrange(5)}",
                "composite": "composite",
                "shade": "A3",
                "lots": {"composite": f"L-{chance.randrange(500):04d}"},
            },
            "profile": {"name": "generic"},
            "alignment": {"state": "trusted", "noise_mm": 0.011, "rms_mm": 0.013},
            "program": {"name": "veneercheck", "version": "0"},
            "checked_at_utc": f"{day}T10:00:00+00:00",
            "verdict": verdict,
            "scans": {"framework": scan, "waxup": scan},
            "zones": [zone] if verdict == "findings" else [],
        },
    }


def made_up(checks: int) -> Iterator[Entry]:
    """So many checks, each second one decided, as a chain."""
    chance, seq, previous = random.Random(21), 0, FIRST
    for number in range(checks):
        body = made_up_check(number, chance)
        key = sha256_of(canonical(body))
        bodies = [(key, body)]
        if number % 2:
            what = chance.choice(["accepted", "cut again", "remake"])
            told = {**trials.decision(number, "seen")[1], "check_key": key, "what": what}
            told |= {"who": chance.choice(["QA", "XY"]), "case_number": f"D-{number:05d}"}
            bodies.append((sha256_of(canonical(told)), told))
        for own, one in bodies:
            seq, text = seq + 1, canonical(one)
            hashed = link(seq, own, text, previous)
            yield Entry(seq, own, one, previous, hashed, text)
            previous = hashed


def clock_of(register: Register) -> Callable[[], float]:
    """Processor time of this process, and of the server's where there is one; tables are tidied."""
    if register.file is not None:
        return time.process_time
    engine = register._engine
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as line:
        line.exec_driver_sql("VACUUM ANALYZE")  # which it would do by itself, a while later
        server = line.exec_driver_sql("SELECT pg_backend_pid()").scalar()
    spent = Path(f"/proc/{server}/schedstat")
    return lambda: time.process_time() + int(spent.read_text(encoding="utf-8").split()[0]) / 1e9


def measure(place: str, checks: int) -> dict[str, tuple[float, float, int]]:
    """The slowest of five answers: fifty rows, and the count, in milliseconds; and the count."""
    told = {}
    with Register(place, lasting=False) as register:
        register.take_over(made_up(checks), at_once=1000)
        clock = clock_of(register)
        for name, wanted in ASKED.items():
            rows, counted = [], []
            for _ in range(5):
                start = clock()
                find(register, wanted, limit=50, newest=True)
                rows.append(clock() - start)
                start = clock()
                found = count(register, wanted)
                counted.append(clock() - start)
            told[name] = (1e3 * max(rows), 1e3 * max(counted), found)
    return told


def main() -> None:
    """Measure and print."""
    checks = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    kinds = sys.argv[2:] or ["sqlite", "postgresql"]
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        for kind in kinds:
            if kind == "sqlite":
                told = measure(str(Path(room) / "register.sqlite"), checks)
            else:
                programs = trials.programs_of_postgresql()
                assert programs is not None, "PostgreSQL is not installed: apt install postgresql"
                with trials.postgresql(programs) as server:
                    told = measure(trials.new_database(server, "many"), checks)
            print(f"{kind}, {checks} checks: rows ms, count ms, found")
            for name, (rows, counted, found) in told.items():
                print(f"  {name:<22}{rows:8.1f}{counted:8.1f}{found:9}")


if __name__ == "__main__":
    main()
