"""Whether what people sign can be forged, moved, repeated, altered or lost unseen.

    python tests/benchmarks/people_trials.py [FLIPS, default 1000] [KILLS, default 300] [postgresql]

A laboratory with people, limits, scanners, checks, decisions, a hold and a disposal on record. Its
register's file and its sealed keys have bits flipped, its signed entries are forged in nine ways,
and whoever decides, approves limits, calibrates, holds, disposes or turns keys is killed. What is
printed:

    places, found                           flipped bits in the register's file
    places, refused, same, other            flipped bits in a sealed key; `other` must be 0
    tries, found                            each way of forging
    kills, said, lost, doubled, faults      what SIGKILL at random moments left behind
    unfinished, locked_out                  disposals that the next run finished; people whose key
                                            no longer signs: must be 0
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TextIO

import made_up_lab
import record_trials
from made_up_lab import OURS, PHRASE, Lab
from veneercheck.cli.signing import enter, moment
from veneercheck.core.errors import RecordError
from veneercheck.record import Register, keeping, keys, sha256_of, signing, standing
from veneercheck.record.audit import audit, first_page_faults
from veneercheck.record.confirm import confirm
from veneercheck.record.deciding import decide
from veneercheck.record.people import signature_faults

Counts = dict[str, int]
Chain = list[tuple[int, str, dict[str, Any]]]


def lived(folder: Path, place: str | None = None) -> Lab:
    """A laboratory in which all kinds of entries are on record, most of them signed."""
    lab = Lab(folder, place or str(folder / "register.sqlite"))
    lab.staff()
    lab.did("limits", "propose", lab.file("ours.toml", OURS), who="CH")
    lab.did("limits", "approve", "ours", who="LP")
    lab.did("scanners", "add", "S-1", "--serial", "4711", who="CH")
    lab.did("scanners", "calibrate", "S-1", "--artefact", "ball 3", "--measured-on", "2026-01-01",
            "--valid-until", "2027-01-01", who="CH")  # fmt: skip
    for number in ("T-1", "T-2"):
        lab.made_up(number, "findings", scanner="S-1")
    lab.made_up("T-3", "no findings", day="2001-05-05")
    for number, what, who in (("T-1", "remake", "TN"), ("T-2", "cut again", "TN"),
                              ("T-1", "accepted", "LP"), ("T-2", "accepted", "LP"),
                              ("T-1", "taken back", "LP"), ("T-1", "accepted", "LP")):  # fmt: skip
        lab.did("records", "decide", number, "--what", what, "--why", f"{what} {who}", who=who)
    lab.did("records", "hold", "T-2", "--why", "complaint", who="CH")
    lab.did("records", "expire", "--years", "10", "--dispose", "--why", "old", who="LP")
    return lab


def flipped_register(lab: Lab, chance: random.Random, places: int) -> Counts:
    """One flipped bit in the register's file (SQLite), anywhere in it."""
    file, told = Path(lab.place), Counter(places=places)
    whole = file.read_bytes()
    for _ in range(places):
        broken = bytearray(whole)
        broken[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
        file.write_bytes(bytes(broken))
        try:
            with Register(file) as opened:
                told["found"] += bool(audit(opened))
        except RecordError:
            told["found"] += bool(first_page_faults(file))
    file.write_bytes(whole)
    return dict(told)


def flipped_keys(lab: Lab, chance: random.Random, places: int) -> Counts:
    """One flipped bit in a sealed key: it does not open, or it is the same key as before."""
    file, told = lab.keys / "LP.json", Counter(places=places, other=0)
    whole, public = file.read_bytes(), keys.open_key(lab.keys, "LP", PHRASE).public
    for _ in range(places):
        broken = bytearray(whole)
        broken[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
        file.write_bytes(bytes(broken))
        try:
            opened = keys.open_key(lab.keys, "LP", PHRASE).public
            told["same" if opened == public else "other"] += 1
        except RecordError:
            told["refused"] += 1
    file.write_bytes(whole)
    return dict(told)


def chain_of(lab: Lab) -> Chain:
    """Places, keys and bodies of all entries."""
    with Register(lab.place) as register:
        return [(one.seq, one.key, dict(one.body)) for one in register.entries()]


def faults_of(chain: Chain) -> list[tuple[int, str]]:
    """What the signatures tell of a chain whose places are counted anew."""
    return list(signature_faults((seq, key, body) for seq, (_, key, body) in enumerate(chain, 1)))


def _on_one_check(chain: Chain) -> list[int]:
    """Where the decisions on the check that has most of them stand."""
    decided = [at for at, one in enumerate(chain) if one[2]["kind"] == "decision"]
    most = Counter(chain[at][2]["check_key"] for at in decided).most_common(1)[0][0]
    return [at for at in decided if chain[at][2]["check_key"] == most]


def _with(chain: Chain, at: int, **altered: Any) -> Chain:
    seq, key, body = chain[at]  # under its own key: what was signed later still knows of it
    return [*chain[:at], (seq, key, {**body, **altered}), *chain[at + 1 :]]


def _reordered(_: Lab, chain: Chain, chance: random.Random) -> Chain:
    one, other = sorted(chance.sample(_on_one_check(chain), 2))
    found = list(chain)
    found[one], found[other] = chain[other], chain[one]
    return found


def _left_out(_: Lab, chain: Chain, chance: random.Random) -> Chain:
    """Any but the last one on its check, which only the chain of hashes can tell."""
    at = chance.choice(_on_one_check(chain)[:-1])
    return [*chain[:at], *chain[at + 1 :]]


def _repeated(_: Lab, chain: Chain, chance: random.Random) -> Chain:
    body = chain[chance.choice(_on_one_check(chain))][2]
    return [*chain, (0, sha256_of(str(chance.random())), dict(body))]


def _elsewhere(_: Lab, chain: Chain, chance: random.Random) -> Chain:
    at = chance.choice(_on_one_check(chain))
    own = chain[at][2]["check_key"]
    checks = [key for _, key, body in chain if body["kind"] == "check" and key != own]
    return _with(chain, at, check_key=chance.choice(checks))


def _altered(_: Lab, chain: Chain, chance: random.Random) -> Chain:
    at = chance.choice(_on_one_check(chain))
    field = chance.choice(["what", "why", "decided_at_utc", "case_number"])
    return _with(chain, at, **{field: f"{chain[at][2][field]}x"})


def _without_right(lab: Lab, chain: Chain, chance: random.Random) -> Chain:
    """A technician signs the acceptance of a check with findings."""
    at = chance.choice([a for a in _on_one_check(chain) if chain[a][2]["what"] == "accepted"])
    body = {name: value for name, value in chain[at][2].items() if name != "signature"}
    signed = keys.open_key(lab.keys, "TN", PHRASE).signed(body)
    return _with(chain, at, **signed)


def _strange_key(lab: Lab, chain: Chain, chance: random.Random) -> Chain:
    """A key that nobody enrolled signs in the name of the licensed person."""
    at = chance.choice(_on_one_check(chain))
    strange = keys.new_key(lab.folder / f"strange{chance.random()}", "LP", PHRASE)
    body = {name: value for name, value in chain[at][2].items() if name != "signature"}
    return _with(chain, at, **strange.signed(body))


def _promoted(_: Lab, chain: Chain, chance: random.Random) -> Chain:
    """A technician becomes licensed by a stroke of the pen."""
    at = next(at for at, one in enumerate(chain) if one[2].get("role") == "technician")
    return _with(chain, at, role=chance.choice(["licensed", "checker"]))


def _of_limits(_: Lab, chain: Chain, chance: random.Random) -> Chain:
    """Limits altered after they were signed, or approved by what approved others."""
    kind, field = chance.choice(
        [("limits", "limits"), ("limits", "who"), ("approval", "limits_key"),
         ("calibration", "valid_until"), ("hold", "what"), ("disposal", "check_key")]
    )  # fmt: skip
    at = next(at for at, one in enumerate(chain) if one[2]["kind"] == kind)
    value = chain[at][2][field]
    return _with(chain, at, **{field: {**value, "name": "x"} if field == "limits" else f"{value}x"})


FORGED: dict[str, Callable[[Lab, Chain, random.Random], Chain]] = {
    "re-ordered": _reordered,
    "left out": _left_out,
    "repeated": _repeated,
    "put elsewhere": _elsewhere,
    "altered": _altered,
    "signed without the right": _without_right,
    "signed with a strange key": _strange_key,
    "a role altered": _promoted,
    "limits and the like altered": _of_limits,
}


def forged(lab: Lab, way: str, chance: random.Random, tries: int) -> Counts:
    """How many of so many tries to forge in one way are found; the true chain has no fault."""
    chain = chain_of(lab)
    assert faults_of(chain) == []
    found = sum(bool(faults_of(FORGED[way](lab, chain, chance))) for _ in range(tries))
    return {"tries": tries, "found": found}


OLD_A_KILL = 6
"""Old checks for whoever disposes of them until they are killed."""


def write(what: str, lab: Lab, first: int, said: TextIO) -> None:
    """What a writer does until it is killed; each goes the way of the real command."""
    with Register(lab.place) as register:
        for number in itertools.count(first):
            for key in WRITTEN[what](lab, register, number):
                print(key, file=said, flush=True)


@contextlib.contextmanager
def writing(what: str, lab: Lab, first: int) -> Iterator[tuple[int, TextIO]]:
    """A writer in a process of its own, and what it says; killed at the end, whatever happens."""
    read, wrote = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads of others: none is used here
        child = os.fork()
    if child == 0:  # starting Python anew would take a hundred times as long as what it writes
        try:
            os.close(read)
            with os.fdopen(wrote, "w", encoding="utf-8") as said:
                write(what, lab, first, said)
        finally:
            os._exit(1)
    os.close(wrote)
    with os.fdopen(read, encoding="utf-8") as said:
        try:
            yield child, said
        finally:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)


def _entered(lab: Lab, register: Register, body: dict[str, Any]) -> str:
    return enter(register, body, body["who"], lab.keys, lab.phrase).key


def _decides(lab: Lab, register: Register, number: int) -> Iterator[str]:
    signer = keys.open_key(lab.keys, "LP", PHRASE)
    yield decide(register, "T-2", who="LP", what="remake", why=str(number), signer=signer).key


def _approves(lab: Lab, register: Register, number: int) -> Iterator[str]:
    """A revision by one, its approval by another."""
    limits = {"name": "killed", "layer": {"least_mm": 0.5 + 1e-6 * number}}
    yield _entered(lab, register, standing.limits_body(
        register, limits, reason=str(number), source=None, who="CH", now=moment()))  # fmt: skip
    body = standing.approval_body(register, "killed", None, "LP", moment())
    yield _entered(lab, register, body)


def _calibrates(lab: Lab, register: Register, number: int) -> Iterator[str]:
    yield _entered(lab, register, standing.calibration_body(
        register, "S-1", artefact=f"ball {number}", measured_on="2026-01-01",
        valid_until="2027-01-01", trueness_um=4.0, precision_um=None, passed=True,
        certificate=None, who="CH", now=moment()))  # fmt: skip


def _holds(lab: Lab, register: Register, number: int) -> Iterator[str]:
    """Held, or let go, as it stands."""
    check = register.checks_of("T-1")[0]
    what = keeping.RELEASED if keeping.is_held(register, check.key) else keeping.HELD
    body = keeping.hold_body(register, "T-1", what=what, why=str(number), who="CH", now=moment())
    yield _entered(lab, register, body)


def _disposes(lab: Lab, register: Register, number: int) -> Iterator[str]:
    """Old checks, one after the other; each is said once its folder is gone."""
    for check, held in list(keeping.expired(register, 10, moment())):
        if held:
            continue
        there = keeping.disposal_of(register, check.key)
        key = there.key if there else _entered(lab, register, keeping.disposal_body(
            register, check, years=10, why=str(number), who="LP", now=moment()))  # fmt: skip
        keeping.remove_disposed(register, check)
        yield key
    time.sleep(1.0)  # all are gone


def _turns_keys(lab: Lab, register: Register, number: int) -> Iterator[str]:
    """A new key of their own, as the command gives it; the old one signs."""
    del number
    before = len(signing.person_entries(register))
    lab.did("people", "enrol", "TN", "--why", "yearly", who="TN")
    yield from (one.key for one in signing.person_entries(register)[before:])


WRITTEN: dict[str, Callable[[Lab, Register, int], Iterator[str]]] = {
    "decisions": _decides,
    "limits approved": _approves,
    "calibrations": _calibrates,
    "holds": _holds,
    "disposals": _disposes,
    "keys turned": _turns_keys,
}


def killed_writers(lab: Lab, what: str, chance: random.Random, kills: int) -> Counts:
    """SIGKILL while signed entries are written: none that was said is lost, none is half.

    After all of it each of the three people still signs, and what was stopped is finished.
    """
    said, silent = set[str](), 0
    for number in range(OLD_A_KILL * kills if what == "disposals" else 0):
        lab.made_up(f"O-{number + 10}", "no findings", day="2001-05-05")
    for number in range(kills):
        with writing(what, lab, 1000 * number) as (child, told):
            said.add(first := told.readline().strip())
            silent += not first
            time.sleep(chance.uniform(0.0, 0.2))
            os.kill(child, signal.SIGKILL)
            said |= {line.strip() for line in told if len(line) == 65}
    with Register(lab.place) as register:
        unfinished = sum(1 for _, held in keeping.expired(register, 10, moment()) if not held)
    lab.did("records", "expire", "--years", "10", "--dispose", "--why", "rest", who="LP")
    signed = sum(
        lab.run("records", "decide", "T-1", "--what", "remake", "--why", what, who=who).exit_code
        == 0
        for who in ("LP", "CH", "TN")
    )
    with Register(lab.place) as register:
        faults = len(confirm(register, repeat=False).differences)
        there = [one.key for one in register.entries()]
    return {
        "kills": kills,
        "silent": silent,  # killed before it entered anything: shows nothing
        "said": len(said - {""}),
        "lost": len(said - {""} - set(there)),
        "doubled": len(there) - len(set(there)),
        "faults": faults,
        "unfinished": unfinished,  # disposals stopped between entry and folder, finished since
        "locked_out": 3 - signed,
    }


def places(folder: Path, *, postgresql: bool) -> Iterator[str]:
    """Where the register is: a file in the folder, or a database started for it."""
    programs = record_trials.programs_of_postgresql() if postgresql else None
    if programs is None:
        yield str(folder / "register.sqlite")
        return
    with record_trials.postgresql(programs) as server:
        yield record_trials.new_database(server, "people")


def main() -> None:
    """Carry all of it out, and print; with `postgresql` the kills alone, in that database."""
    own = [word for word in sys.argv[1:] if word != "postgresql"]
    in_database = "postgresql" in sys.argv
    flips = int(own[0]) if own else 1000
    kills = int(own[1]) if len(own) > 1 else 300
    keys.COST = made_up_lab.QUICK
    told: dict[str, Counts] = {}
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        for place in places(Path(room), postgresql=in_database):
            lab = lived(Path(room), place)
            chance = random.Random(21)
            if not in_database:
                told |= {way: forged(lab, way, chance, max(1, flips // 5)) for way in FORGED}
                told["flipped bits, register"] = flipped_register(lab, chance, flips)
                told["flipped bits, sealed key"] = flipped_keys(lab, chance, flips)
            for what in WRITTEN:
                each = -(-kills // len(WRITTEN))
                told[f"kills: {what}"] = killed_writers(lab, what, chance, each)
                print(what, told[f"kills: {what}"], flush=True)
    for name, counts in told.items():
        print(f"{name:<30}", "  ".join(f"{key} {value}" for key, value in counts.items()))


if __name__ == "__main__":
    main()
