"""A laboratory with people, limits, scanners and checks on record, most of them made up."""

from __future__ import annotations

import atexit
import dataclasses
import functools
import json
import random
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

import find_trials
import record_trials as trials
from veneercheck.case.order import Settled
from veneercheck.cli.main import app
from veneercheck.core.types import Case, Limits
from veneercheck.profile import built_in, load_profile
from veneercheck.record import Register, canonical, filing, keys, sha256_of
from veneercheck.record.located import file_hashes
from veneercheck.record.sameness import limits_kept
from veneercheck.report.counted import STANDING

NOW = datetime(2026, 3, 31, 10, 0, tzinfo=UTC)
PHRASE = "correct horse battery"
QUICK = {"memory_kib": 64, "rounds": 1, "lanes": 1}
"""Keys that open fast, for tests; each key's file says its own cost."""

OURS = 'name = "ours"\n[layer]\nleast_mm = 0.8\n'


class Lab:
    """A laboratory: its folder, its register, and the command as its people give it."""

    def __init__(self, folder: Path, place: str) -> None:
        self.folder, self.place, self.keys = folder, place, folder / "keys"
        self.phrase = folder / "phrase.txt"
        self.phrase.write_text(f"{PHRASE}\n", encoding="utf-8")

    def run(self, *words: str, who: str | None = None) -> Any:
        """What the command says, and how it ends; signed where somebody is named."""
        keyed = ["--keys", str(self.keys), "--phrase-file", str(self.phrase), "--who", who]
        more = keyed if who else []
        return CliRunner().invoke(app, [*words, "--register", self.place, *more])

    def did(self, *words: str, who: str | None = None, code: int = 0) -> str:
        """What the command says; it must have ended so."""
        done = self.run(*words, who=who)
        assert done.exit_code == code, (words, done.output, done.exception)
        return str(done.stdout)

    def staff(self) -> str:
        """LP is licensed, CH checks, TN is a technician; what is told, the recovery key last."""
        told = self.did("people", "enrol", "LP", "--role", "licensed", who="LP")
        for who, role in (("CH", "checker"), ("TN", "technician")):
            self.did("people", "enrol", who, "--role", role, who="LP")
        return told

    def file(self, name: str, text: str) -> str:
        """A file of the laboratory; its path."""
        (self.folder / name).write_text(text, encoding="utf-8")
        return str(self.folder / name)

    def made_up(
        self,
        number: str,
        verdict: str,
        *,
        limits: Limits | None = None,
        scanner: str = "",
        day: str = "2026-03-31",
        scans: str = "",
        **case: Any,
    ) -> str:
        """Put a check on record whose result nobody measured; the check's key."""
        folder = self.folder / "cases" / number
        folder.mkdir(parents=True)
        body = find_trials.made_up_check(int(number.partition("-")[2]), random.Random(1))
        result = body["result"] | {"verdict": verdict, "zones": []}
        result |= {"checked_at_utc": f"{day}T10:00:00+00:00"}
        result["case"] |= {"number": number, **case}
        limits = limits or built_in()
        result["profile"] = {"name": limits.name}
        scan = {"sha256": sha256_of(scans or number), "place": "f.stl", "called": "f.stl"}
        body["order"] |= {"scans": {"framework": scan, "waxup": scan}, "earlier": {}}
        body["order"] |= {"case": {}, "aligned": False, "unit": None}
        body["order"]["limits"] = limits_kept(limits)
        work = Settled(Path("f.stl"), Path("w.stl"), Case(number), limits, scanner=scanner)
        return self._filed(body | {"who": "TN", "result": result}, work, folder)

    def made_up_plan(
        self,
        number: str,
        *,
        scans: str = "",
        day: str = "2026-03-31",
        conflicts: int = 0,
        **case: Any,
    ) -> str:
        """Put a plan on record that nobody made; the plan's key."""
        folder = self.folder / "cases" / f"{number}-plan"
        folder.mkdir(parents=True)
        plan = {"planned_at_utc": f"{day}T10:00:00+00:00", "program": "veneercheck 0",
                "limits": {"name": "generic"}, "conflicts": [{"kind": "made up"}] * conflicts,
                "case": {"number": number}}  # fmt: skip
        scan = {"sha256": sha256_of(scans or number), "called": "w.stl", "place": "scans/w.stl"}
        order = {"schema": "veneercheck plan order 1", "version": "0", "unit": None,
                 "case": {"number": number, **case}, "scans": {"waxup": scan}}  # fmt: skip
        for name, told in (("plan.json", plan), ("plan_order.json", order)):
            (folder / name).write_text(json.dumps(told), encoding="utf-8")
        body = {"schema": "veneercheck record 1", "kind": "plan", "who": "TN",
                "case_number": number, "folder": str(folder), "order": order, "plan": plan,
                "files": file_hashes(folder)}  # fmt: skip
        with Register(self.place) as register:
            return register.append(sha256_of(canonical(body)), body).key

    def _filed(self, body: dict[str, Any], work: Settled, folder: Path) -> str:
        (folder / "result.json").write_text(json.dumps(body["result"]), encoding="utf-8")
        with Register(self.place) as register:
            body["standing"] = filing.standing_of(register, work, "TN", NOW)
            (folder / STANDING).write_text(json.dumps(body["standing"]), encoding="utf-8")
            body |= {"folder": str(folder), "files": file_hashes(folder)}
            return register.append(sha256_of(canonical(body)), body).key

    def real(self, number: str = "A-1", scanner: str = "S-1") -> str:
        """Put a check of a ball on record, by the limits OURS: too thin; its key."""
        made, work = _checked_once(number)
        folder = self.folder / "cases" / made.folder.name
        shutil.copytree(made.folder, folder)
        with Register(self.place) as register:
            named = dataclasses.replace(work, scanner=scanner)
            told = filing.standing_of(register, named, "TN", NOW) | {"key": made.key}
            (folder / STANDING).write_text(json.dumps(told), encoding="utf-8")
            mine = dataclasses.replace(made, folder=folder)
            return filing.put_on_record(register, mine, who="TN").key


@functools.cache
def _checked_once(number: str) -> tuple[filing.Made, Settled]:
    """Checked once in a process, whoever asks."""
    folder = Path(tempfile.mkdtemp(prefix="veneercheck-lab-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (folder / "ours.toml").write_text(OURS, encoding="utf-8")
    case = Case(number, (45, 46), lots={"composite": "X-77"}, alloy="Alloy One")
    work = dataclasses.replace(
        trials.scans(folder / "scans", edge_mm=0.9),
        case=case,
        limits=load_profile(folder / "ours.toml"),
    )
    return filing.make_case_folder(work, folder / "cases", with_report=False, now=NOW), work


def quick_keys(monkeypatch: Any) -> None:
    """Make keys that open fast."""
    monkeypatch.setattr(keys, "COST", QUICK)
