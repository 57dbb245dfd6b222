"""Whether what people sign can be forged, moved, repeated, altered or lost unseen.

    python tests/benchmarks/people_trials.py [FLIPS, default 1000] [KILLS, default 40]

A laboratory with people, limits, scanners, checks, decisions, a hold and a disposal on record. Its
register's file and its sealed keys have bits flipped, its signed entries are forged in nine ways,
and whoever decides is killed. What is printed:

    places, found                           flipped bits in the register's file
    places, refused, same, other            flipped bits in a sealed key; `other` must be 0
    tries, found                            each way of forging
    kills, said, on_record, faults          what SIGKILL at random moments left behind
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import made_up_lab
from made_up_lab import OURS, PHRASE, Lab
from veneercheck.core.errors import RecordError
from veneercheck.record import Register, keys, sha256_of
from veneercheck.record.audit import audit, first_page_faults
from veneercheck.record.confirm import confirm
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


DECIDER = """
import itertools, sys
from pathlib import Path
from veneercheck.record import Register
from veneercheck.record.deciding import decide
from veneercheck.record.keys import open_key
place, folder, case, first = sys.argv[1:5]
signer = open_key(Path(folder), "LP", sys.argv[5])
with Register(place) as register:
    for number in itertools.count(int(first)):
        entry = decide(register, case, who="LP", what="remake", why=str(number), signer=signer)
        print(entry.key, flush=True)
"""
"""Decides again and again, signed, and says each key once it is on record."""


def killed_deciders(lab: Lab, chance: random.Random, kills: int) -> Counts:
    """SIGKILL while signed decisions are written: none that was said is lost, none is half."""
    said, silent = set[str](), 0
    for number in range(kills):
        command = [sys.executable, "-c", DECIDER, lab.place, str(lab.keys), "T-2",
                   str(1000 * number), PHRASE]  # fmt: skip
        one = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert one.stdout is not None
        said.add(first := one.stdout.readline().strip())
        silent += not first
        time.sleep(chance.uniform(0.0, 0.2))
        one.send_signal(signal.SIGKILL)
        said |= {line.strip() for line in one.communicate()[0].split("\n") if len(line) == 64}
    with Register(lab.place) as register:
        faults = len(confirm(register, repeat=False).differences)
        there = [one.key for one in register.decisions_on(register.checks_of("T-2")[0].key)]
    return {
        "kills": kills,
        "silent": silent,  # killed before it decided anything: shows nothing
        "said": len(said),
        "on_record": len(there),
        "lost": len(said - set(there)),
        "doubled": len(there) - len(set(there)),
        "faults": faults,
    }


def main() -> None:
    """Carry all of it out, and print."""
    flips = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    kills = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    keys.COST = made_up_lab.QUICK
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        lab = lived(Path(room))
        chance = random.Random(21)
        told = {way: forged(lab, way, chance, max(1, flips // 5)) for way in FORGED}
        told["flipped bits, register"] = flipped_register(lab, chance, flips)
        told["flipped bits, sealed key"] = flipped_keys(lab, chance, flips)
        told["kills of deciders"] = killed_deciders(lab, chance, kills)
    for name, counts in told.items():
        print(f"{name:<30}", "  ".join(f"{key} {value}" for key, value in counts.items()))


if __name__ == "__main__":
    main()
