"""Is everything as it was put on record? Chain, files, and the check itself carried out again."""

from __future__ import annotations

import dataclasses
import json
import tempfile
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck import __version__
from veneercheck.case.folders import ORDER, PLAN_ORDER
from veneercheck.case.order import Settled
from veneercheck.case.run import carry_out
from veneercheck.core.errors import VeneerCheckError
from veneercheck.machine.aside import ASIDE
from veneercheck.record.deciding import finish
from veneercheck.record.located import files_on_record, folder_of
from veneercheck.record.planning import PLAN, one_check_or_plan, planned_again
from veneercheck.record.sameness import EARLIER, PLANNED
from veneercheck.record.signing import unsigned

if TYPE_CHECKING:
    from collections.abc import Callable

    from veneercheck.record import Entry, Register
    from veneercheck.record.audit import Difference

    Say = Callable[[str], None]

MAY_DIFFER = ("checked_at_utc", "planned_at_utc", "program")
"""Fields of a result that another run may give otherwise; the program's version is told."""

_COMPARED = (
    "space.ply",
    "contour.ply",
    "die.ply",
    "zones.csv",
    "plan_compared.json",
    "off_plan.ply",
)


@dataclasses.dataclass(frozen=True, slots=True)
class Confirmation:
    """What was compared and what differs.

    Parameters
    ----------
    entries, files, repeated : int
        How many entries, files and checks were compared.
    head : str
        Hash of the last entry: noted elsewhere, it shows later whether entries were cut off.
    differences : tuple of Difference
    remarks : tuple of str
        What could not be compared, and why.
    unaltered, same : frozenset of str
        Keys of the checks whose files are as on record, and of those that came out the same.
    hindered : mapping of str to str
        Keys of the checks that could not be repeated, with why.
    """

    entries: int
    files: int
    repeated: int
    head: str
    differences: tuple[Difference, ...]
    remarks: tuple[str, ...]
    unaltered: frozenset[str] = frozenset()
    same: frozenset[str] = frozenset()
    hindered: Mapping[str, str] = dataclasses.field(default_factory=dict)


def unreadable(place: str) -> list[Difference]:
    """What was altered in a register that cannot even be opened, where its file tells."""
    from veneercheck.record.audit import first_page_faults

    file = Path(place)
    return first_page_faults(file) if file.is_file() else []


def _silent(_: str) -> None:
    pass


def confirm(
    register: Register,
    case: str | None = None,
    *,
    only: Collection[str] | None = None,
    repeat: bool = True,
    say: Say = _silent,
) -> Confirmation:
    """Recompute every hash, and repeat the checks whose scans are there.

    Parameters
    ----------
    register : Register
    case : str, optional
        Only the files and checks of this case; the chain is always gone through whole.
    only : collection of str, optional
        Only the checks with these keys.
    repeat : bool
    say : callable
    """
    from veneercheck.record.audit import Difference, audit

    say("comparing the register with its own chain")
    found = audit(register)
    if not found:
        from veneercheck.record.importing import import_faults

        found += [*unsigned(register), *import_faults(register)]
    if case and not found:
        only = {one_check_or_plan(register, case).key}
    whole, told = not found, dict[str, _Looked]()
    entries, head, stores, known = 0, "", set(), set()
    disposed = _disposed(register) if whole else set()
    for entry in _readable(register, found):
        entries, head = entry.seq, entry.hash
        if entry.body.get("kind") not in ("check", PLAN):
            continue
        folder = folder_of(register, entry)
        if not found and folder.parent not in stores:
            finish(register, folder.parent)
        stores.add(folder.parent)
        known.add(folder.resolve())
        if (case or only is not None) and entry.key not in (only or ()):
            continue
        say(f"comparing {folder.name}")
        looked = _look(register, entry, gone=entry.key in disposed, repeat=repeat, say=say)
        told[entry.key] = looked
        found += looked.differences
    for folder in sorted(_folders(stores)):
        if not found and folder.resolve() not in known and not (case or only is not None):
            found.append(Difference(str(folder), "a case folder that is not on record"))
    return Confirmation(
        entries,
        sum(one.files for one in told.values()),
        sum(one.repeated for one in told.values()),
        head,
        tuple(found),
        tuple(
            f"{one.name} was not repeated: {one.hindered}"
            for one in told.values()
            if one.hindered and not one.gone
        ),
        frozenset(key for key, one in told.items() if whole and one.unaltered),
        frozenset(
            key
            for key, one in told.items()
            if whole and one.repeated and one.unaltered and not one.differences
        ),
        {key: one.hindered for key, one in told.items() if one.hindered},
    )


@dataclasses.dataclass(frozen=True, slots=True)
class _Looked:
    """What a look at one check's folder gave; `hindered` says why it was not repeated."""

    name: str
    files: int = 0
    unaltered: bool = False
    repeated: bool = False
    hindered: str = ""
    gone: bool = False
    differences: tuple[Difference, ...] = ()


def _look(register: Register, entry: Entry, *, gone: bool, repeat: bool, say: Say) -> _Looked:
    """Compare the files of a check, and repeat it where they are as on record."""
    from veneercheck.record.audit import Difference

    folder = folder_of(register, entry)
    name = folder.name
    if gone:
        there = Difference(str(folder), "its disposal is on record, and it is there")
        found = (there,) if folder.exists() else ()
        return _Looked(name, hindered=_DISPOSED, gone=True, differences=found)
    on_record = files_on_record(register, entry)
    altered = tuple(
        Difference(str(folder / file), what) for file, what in _altered(folder, on_record)
    )
    if altered or not repeat:
        return _Looked(name, len(on_record), not altered, differences=altered)
    again = planned_again if entry.body["kind"] == PLAN else _again
    told = again(entry, folder, say)
    if told is not None and not told.startswith("differs"):
        return _Looked(name, len(on_record), unaltered=True, hindered=told)
    name_of = "plan.json" if entry.body["kind"] == PLAN else "result.json"
    unlike = () if told is None else (Difference(str(folder / name_of), told),)
    return _Looked(name, len(on_record), True, True, differences=unlike)


_DISPOSED = "its files were disposed of, as is on record"


def _disposed(register: Register) -> set[str]:
    """Keys of the checks whose folders were removed on record."""
    from veneercheck.record.standing import entries_with

    return {one.body["check_key"] for one in entries_with(register, kind="disposal")}


def _readable(register: Register, found: list[Difference]) -> Iterator[Entry]:
    """The entries as far as the register can be read; a broken one is told already."""
    try:
        yield from register.entries()
    except VeneerCheckError:
        if not found:
            raise


def _folders(stores: set[Path]) -> list[Path]:
    return [
        order.parent
        for store in stores
        for name in (ORDER, PLAN_ORDER)
        for order in store.glob(f"*/{name}")
        if order.parent.name != ASIDE
    ]


def _altered(folder: Path, on_record: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    from veneercheck.record.located import file_hashes

    if not folder.is_dir():
        yield "", "the case folder is not where it was"
        return
    now = file_hashes(folder)
    for name, sha in on_record.items():
        if name not in now:
            yield name, "is missing"
        elif now[name] != sha:
            yield name, "was altered: its SHA-256 is not the one on record"
    for name in sorted(now.keys() - on_record.keys()):
        yield name, "was added: it is not on record"


def settled_again(order: Mapping[str, Any], folder: Path) -> Settled:
    """What a finished check rested on, by the order in its folder or on record."""
    from veneercheck.core.types import Case, Limits
    from veneercheck.record.rebuild import rebuild

    scans = order["scans"]
    framework, waxup = scans["framework"], scans["waxup"]
    return Settled(
        folder / framework["place"],
        folder / waxup["place"],
        rebuild(Case, order["case"]),
        rebuild(Limits, order["limits"]),
        order["unit"],
        order["aligned"],
        (framework["called"], waxup["called"]),
        folder / EARLIER if order["earlier"] else None,
        folder / scans["die"]["place"] if "die" in scans else None,
        folder / scans["painted"]["place"] if "painted" in scans else None,
        waxup_kind=order.get("waxup_kind", "scan"),
        plan=folder / PLANNED if order.get("plan") else None,
    )


def _again(entry: Entry, folder: Path, say: Say) -> str | None:
    """Repeat a check: None where every number is the same, else what differs or hinders."""
    from veneercheck.record import sha256_of_file

    try:
        work = settled_again(entry.body["order"], folder)
        for role, scan in work.scans.items():
            if scan is None:
                continue
            if not scan.exists():
                return f"the {role}'s scan is not where it was ({scan})"
            if sha256_of_file(scan) != entry.body["order"]["scans"][role]["sha256"]:
                return f"differs: the {role}'s scan was altered ({scan})"
        with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
            carry_out(work, out=Path(room), with_report=False, say=say)
            return _compared(entry, Path(room))
    except VeneerCheckError as error:
        return f"differs: this program refuses it ({error})"


def _compared(entry: Entry, anew: Path) -> str | None:
    from veneercheck.record import sha256_of_file

    result = json.loads((anew / "result.json").read_text(encoding="utf-8"))
    unlike = list(differences(entry.body["result"], result))
    unlike += [
        name
        for name in _COMPARED
        if (sha := entry.body["files"].get(name)) and sha256_of_file(anew / name) != sha
    ]
    return told_unlike(unlike, entry.body["order"]["version"])


def told_unlike(unlike: list[str], by: str) -> str | None:
    """What differs from what a version of this program put on record; None where nothing does."""
    if not unlike:
        return None
    versions = "" if by == __version__ else f"; checked by version {by}, repeated by {__version__}"
    more = f" and {len(unlike) - _TOLD} more" if len(unlike) > _TOLD else ""
    return f"differs when repeated: {'; '.join(unlike[:_TOLD])}{more}{versions}"


_TOLD = 5


def differences(one: Mapping[str, Any], other: Mapping[str, Any]) -> Iterator[str]:
    """Fields in which two results differ, in words, but for time and program."""
    return _unlike("", one, other)


def _unlike(place: str, one: Any, other: Any) -> Iterator[str]:
    """Names of the fields in which two documents differ."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in sorted(one.keys() | other.keys()):
            if place or name not in MAY_DIFFER:
                yield from _unlike(
                    f"{place}.{name}" if place else name, one.get(name), other.get(name)
                )
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for at, pair in enumerate(zip(one, other, strict=True)):
            yield from _unlike(f"{place}[{at}]", *pair)
    elif one != other:
        yield f"{place} was {json.dumps(one)}, is {json.dumps(other)}"
